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

/* Reads a line of 0, 1 and ? into a row, its rest unknown; 0 at the end of the input. */
static int read_row(char *row)
{
    int count = 0;
    int c;
    int k;

    while ((c = getchar()) != EOF && !(c == '\n' && count)) {
        if ((c == '0' || c == '1' || c == '?') && count < PLAYER_POSITIONS) {
            row[count++] = (char)c;
        }
    }
    for (k = count; k < PLAYER_POSITIONS; k++) {
        row[k] = '?';
    }
    return count;
}

int main(void)
{
    static char row[PLAYER_POSITIONS];
    unsigned long position = 0;
    unsigned long k;
    int more;

    player_start();
    for (more = read_row(row); more;) {
        for (k = 0; k < PLAYER_POSITIONS; k++) {
            /* without an index, a row is read from wherever the disc is */
            char bit = row[PLAYER_INDEX ? k : position % PLAYER_POSITIONS];

            until(time_of(position++));
            player_position(bit == '0' ? PLAYER_ZERO : bit == '1' ? PLAYER_ONE : PLAYER_UNKNOWN);
        }
        player_row_end();
        more = read_row(row);
        for (k = 0; more && k < PLAYER_GAP; k++) {
            until(time_of(position++));
            player_position(PLAYER_NOT_READ);
        }
    }
    until(time_of(position));
    player_disc_end();
    while (player_busy()) {
        until(now + 1);
    }
    return 0;
}
