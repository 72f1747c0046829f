/* A machine around the main loop of the generated README: its time goes on in rest(), an event at
 * a time, and its two interrupts come from there. Events: '.' a millisecond, else a hole of the
 * clock row, as 64 + (1: a hole in the data row) + (2: at the index mark) + (4: the stage moves).
 * Records as in firmware_records.h. */
#include <stdlib.h>

#include "player.h"

#include "firmware_records.h"

static int event;
static int moved;

void on_millisecond(void);
void on_clock_hole(void);
void play_disc(uint16_t rows);
uint8_t hole_is_seen(void);
uint8_t index_is_here(void);
uint8_t stage_is_still(void);
void move_stage(void);
void rest(void);

uint8_t hole_is_seen(void)
{
    return (uint8_t)(event & 1);
}

uint8_t index_is_here(void)
{
    return (uint8_t)((event & 2) != 0);
}

uint8_t stage_is_still(void)
{
    return (uint8_t)((event & 4) == 0);
}

void move_stage(void)
{
    moved++;
}

void rest(void)
{
    event = getchar();
    number++;
    if (event == EOF) {
        fprintf(stderr, "the loop did not end\n");
        exit(1);
    }
    if (event == '.') {
        on_millisecond();
    } else {
        on_clock_hole();
    }
}

int main(int count, char **words)
{
    play_disc((uint16_t)(count > 1 ? atoi(words[1]) : 1));
    record(5, player_busy(), (unsigned)moved);
    return 0;
}
