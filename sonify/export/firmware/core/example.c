/* The core on a computer: reads rows of 0, 1 and ? from standard input, simulates the disc, and
 * prints what the player would do, one event a line: milliseconds, then
 *   midi 90 3E 54     lamp 17 255     message GOOD ...
 *
 *   cc -std=c99 player.c player_tables.c example.c -o example && ./example < rows.txt
 */
#include <stdio.h>

#include "player.h"

static unsigned long now; /* milliseconds */
static unsigned char pending[3];
static int have;

void player_set_lamp(uint16_t lamp, uint8_t level)
{
    printf("%8lu lamp %u %u\n", now, (unsigned)lamp, (unsigned)level);
}

#if PLAYER_HUES
void player_set_colour(uint16_t lamp, uint8_t red, uint8_t green, uint8_t blue)
{
    printf("%8lu colour of lamp %u %u %u %u\n", now, (unsigned)lamp, (unsigned)red,
           (unsigned)green, (unsigned)blue);
}
#endif

void player_send(uint8_t byte)
{
    if (byte & 0x80) {
        have = 0;
    }
    pending[have++] = byte;
    if (have == ((pending[0] & 0xF0) == 0xC0 ? 2 : 3)) {
        int k;

        printf("%8lu midi", now);
        for (k = 0; k < have; k++) {
            printf(" %02X", pending[k]);
        }
        printf("\n");
        have = 0;
    }
}

void player_message(const uint8_t *text, uint16_t length, uint8_t state)
{
    static const char *const states[] = {"GOOD", "DAMAGED", "EMPTY"};

    printf("%8lu message %s ", now, states[state]);
    fwrite(text, 1, length, stdout);
    printf("\n");
}

/* The time of a position in milliseconds, computed from the start so that no error adds up. */
static unsigned long time_of(unsigned long positions)
{
    uint64_t parts = (uint64_t)positions * ((PLAYER_POSITION_MS << 16) + PLAYER_POSITION_PART);

    return (unsigned long)((parts + 0x8000U) >> 16);
}

static void until(unsigned long time)
{
    while (now < time) {
        now++;
        player_millisecond();
    }
}

int main(void)
{
    unsigned long position = 0;
    int in_row = 0;
    int c;

    player_start();
    while ((c = getchar()) != EOF) {
        if (c == '0' || c == '1' || c == '?') {
            until(time_of(position++));
            player_position(c == '0' ? PLAYER_ZERO : c == '1' ? PLAYER_ONE : PLAYER_UNKNOWN);
            in_row = 1;
        } else if (c == '\n' && in_row) {
            unsigned long k;

            player_row_end();
            in_row = 0;
            c = getchar();
            if (c == EOF) {
                break;
            }
            ungetc(c, stdin);
            for (k = 0; k < PLAYER_GAP; k++) {
                until(time_of(position++));
                player_position(PLAYER_NOT_READ);
            }
        }
    }
    until(time_of(position));
    player_disc_end();
    while (player_busy()) {
        until(now + 1);
    }
    return 0;
}
