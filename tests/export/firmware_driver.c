/* Drives the core from a string of events on standard input and writes records of what
 * the core calls. */
#ifdef WRAP
#include "player.c"
#else
#include "player.h"
#endif

#include "firmware_records.h"

#ifdef WRAP
/* All counts of ticks go on to just before their ends. */
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
        case 'u': { /* microseconds since the last one, three digits; no event of its own */
            unsigned since = 0;
            int k;

            for (k = 0; k < 3; k++) {
                since = since * 10U + (unsigned)(getchar() - '0');
            }
            number--;
            player_since((uint16_t)since);
            break;
        }
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
