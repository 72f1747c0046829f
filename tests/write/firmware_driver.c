/* Drives the core from a string of events on standard input and writes records of 8 bytes:
 * number of the event (4 bytes), kind, a byte, two bytes. */
#include <stdio.h>

#ifdef WRAP
#include "player.c"
#else
#include "player.h"
#endif

static unsigned long number;

static void record(unsigned kind, unsigned a, unsigned b)
{
    unsigned char r[8];

    r[0] = (unsigned char)number;
    r[1] = (unsigned char)(number >> 8);
    r[2] = (unsigned char)(number >> 16);
    r[3] = (unsigned char)(number >> 24);
    r[4] = (unsigned char)kind;
    r[5] = (unsigned char)a;
    r[6] = (unsigned char)b;
    r[7] = (unsigned char)(b >> 8);
    fwrite(r, 1, 8, stdout);
}

void player_set_lamp(uint16_t lamp, uint8_t level)
{
    record(1, level, lamp);
}

void player_send(uint8_t byte)
{
    record(2, byte, 0);
}

void player_message(const uint8_t *text, uint16_t length, uint8_t state)
{
    uint16_t k;

    record(3, state, length);
    for (k = 0; k < length; k++) {
        record(4, text[k], k);
    }
}

#ifdef WRAP
/* All counters go on to just before their ends. */
static void wrap(void)
{
    uint32_t by = 0xFFFFFFFFU - tick - (uint32_t)(number % 250U);
    unsigned k;

    tick += by;
    row_tick += by;
    soonest += by;
    for (k = 0; k < PLAYER_NOTES; k++) {
        notes[k].on += by;
        notes[k].off += by;
    }
    for (k = 0; k < PLAYER_VOICES; k++) {
        memories[k].base += by;
    }
    quiet += 0xFFFFFFF0U;
}
#endif

int main(void)
{
    int c;

    player_start();
    while ((c = getchar()) != EOF) {
        number++;
        switch (c) {
        case '.':
            player_millisecond();
            break;
        case '0':
            player_position(PLAYER_ZERO);
            break;
        case '1':
            player_position(PLAYER_ONE);
            break;
        case '?':
            player_position(PLAYER_UNKNOWN);
            break;
        case '-':
            player_position(PLAYER_NOT_READ);
            break;
        case 'r':
            player_row_end();
            break;
        case 'e':
            player_disc_end();
            break;
        case 'q':
            player_silence();
            break;
        case 's':
            player_start();
            break;
        case 'p':
            player_period(50000UL);
            break;
#ifdef WRAP
        case 'w':
            wrap();
            break;
#endif
        default:
            break;
        }
    }
    record(5, player_busy(), 0);
    return 0;
}
