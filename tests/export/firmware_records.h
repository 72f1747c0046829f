/* Records of what the core calls, on standard output, 8 bytes each: number of the event (4 bytes),
 * kind, a byte, two bytes. Include it after player.h, and count the events in `number`. */
#include <stdio.h>

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

#if PLAYER_HUES
void player_set_colour(uint16_t lamp, uint8_t red, uint8_t green, uint8_t blue)
{
    (void)red;
    (void)blue;
    record(9, green, lamp);
}
#endif

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
