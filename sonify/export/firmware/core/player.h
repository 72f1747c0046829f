/* A disc player's core: positions in, lamps and MIDI bytes out.
 *
 * You tell it what happens (the functions "you call"), and it tells you what to do (the functions
 * "you write"). It takes no memory, waits for nothing and uses no floating point.
 *
 * All calls come from one place, one after the other: not from an interrupt while another call may
 * be under way, and not from the functions that you write. Where a millisecond and a position are
 * both due, the millisecond comes first.
 */
#ifndef PLAYER_H
#define PLAYER_H

#include <stdint.h>

#include "player_config.h"

#ifdef __cplusplus
extern "C" {
#endif

/* What the data detector saw at a hole of the clock row. */
#define PLAYER_ZERO 0
#define PLAYER_ONE 1
#define PLAYER_UNKNOWN 2  /* it could not be told */
#define PLAYER_NOT_READ 3 /* the stage is moving, or waits for the index */

/* How the message came out. */
#define PLAYER_GOOD 0    /* nothing is known to be wrong with it */
#define PLAYER_DAMAGED 1 /* something could not be read, a check failed, or it had no room */
#define PLAYER_EMPTY 2   /* there was none */

/* ---- you call ---- */

/* First of all, and before each disc: forgets the last one, ends its notes, puts out all lamps,
 * sends the programs, goes back to the speed that it was made for. */
void player_start(void);

/* At each hole of the clock row, which never stops: when its middle passes. Once for each: a hole
 * told twice is two positions. */
void player_position(uint8_t bit);

/* When the stage leaves a row, even one that was not read to its end: what is missing counts as
 * unknown. Twice for one row does no harm; a row without a single position is not a row. */
void player_row_end(void);

/* When the last row has been read: right after its player_row_end, at the latest one position after
 * its last one. The message is decoded now. Nothing is read after it until player_start. */
void player_disc_end(void);

/* Each millisecond, from the start on: as many calls as milliseconds have passed. The core never
 * adds them up for longer than a disc lasts, so it may run for years. */
void player_millisecond(void);

/* If the motor's speed is known: how long a position lasts now, in microseconds (over 99). It
 * holds until the next such call or player_start. */
void player_period(uint32_t microseconds);

/* At any time: ends all notes, those too that were still to come. */
void player_silence(void);

/* Whether anything is still to come: notes, or the message. */
uint8_t player_busy(void);

/* ---- you write ---- */

/* Light a lamp (255) or put it out (0); lamp = y * width + x, from the top left. Called for changes
 * only; before the first all are taken to be dark. */
void player_set_lamp(uint16_t lamp, uint8_t level);

/* Send a byte to the MIDI jack: put it in a queue and return. */
void player_send(uint8_t byte);

/* The message is ready: its bytes in the disc's alphabet (ita2 as ISO/IEC 646), 0 for one that
 * could not be read (255 where the alphabet is utf-8), no 0 at the end. They stay as they are until
 * player_start. It scrolls by itself after a pause. */
void player_message(const uint8_t *text, uint16_t length, uint8_t state);

#ifdef __cplusplus
}
#endif

#endif
