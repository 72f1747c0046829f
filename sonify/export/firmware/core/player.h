/* A disc player's core: positions in, lamps and MIDI bytes out.
 *
 * You report what happens (the functions "you call"), and the core says what to do (the functions
 * "you write"). It allocates no memory, never waits and uses no floating point.
 *
 * Make all calls from one place, one after the other: never from an interrupt while another call
 * may be under way, and never from the functions that you write. If a millisecond and a position
 * are both due, call player_millisecond first.
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
#define PLAYER_UNKNOWN 2  /* it can't be told */
#define PLAYER_NOT_READ 3 /* the stage is moving, or waits for the index */

/* The state of the message. */
#define PLAYER_GOOD 0    /* nothing is known to be wrong with it */
#define PLAYER_DAMAGED 1 /* part of it could not be read, a check failed, or it was too long */
#define PLAYER_EMPTY 2   /* there was none */

/* ---- you call ---- */

/* Call it first, and before each disc. It forgets the last disc, ends its notes, puts out all
 * lamps, sends the programs and goes back to the speed it was made for. */
void player_start(void);

/* Call it when the middle of a hole of the clock row passes, also between rows. Report each hole
 * once: a hole reported twice counts as two positions. */
void player_position(uint8_t bit);

/* Tells how many microseconds have passed since the last player_millisecond; call it right before
 * player_position, if your timer can tell. Then nothing comes more than a millisecond late, and
 * nothing early; without it, up to a millisecond early or late, and what is due at the moment when
 * a row usually begins up to two milliseconds late if that row does not come. */
void player_since(uint16_t microseconds);

/* Call it when the stage leaves a row, even one that was not read to its end: missing bits count as
 * unknown. A second call for the same row has no effect; a row without any position is no row. */
void player_row_end(void);

/* Call it after the last row, right after player_row_end and at the latest one position after the
 * last one. It decodes the message. Nothing more is read until player_start. */
void player_disc_end(void);

/* Call it once for each millisecond from the start on. The core never adds them up for longer than
 * a disc lasts, so it may run for years. */
void player_millisecond(void);

/* Sets how long a position lasts, in microseconds (100 or more), if you measure the motor's speed.
 * It holds until the next such call or player_start. */
void player_period(uint32_t microseconds);

/* Ends all notes, at any time, and drops those still to come. */
void player_silence(void);

/* Whether anything is still to come: notes, or the message. */
uint8_t player_busy(void);

/* Where a lamp of player_set_lamp is on the strip, from 0; PLAYER_NO_LAMP if there is none. */
#define PLAYER_NO_LAMP 65535U
uint16_t player_strip_of(uint16_t lamp);

/* ---- you write ---- */

/* Light a lamp (255), put it out (0), or what is between if PLAYER_LEVELS is 1: a share of its full
 * light; lamp = y * width + x, from the top left. Called only for changes; all lamps are taken to be
 * dark at first. */
void player_set_lamp(uint16_t lamp, uint8_t level);

#if PLAYER_HUES
/* The colour that a lamp has from now on, in sRGB: called before it lights, and while it is lit. If
 * PLAYER_LEVELS is 1, player_set_lamp follows each time. */
void player_set_colour(uint16_t lamp, uint8_t red, uint8_t green, uint8_t blue);
#endif

/* Send a byte to the MIDI jack: put it in a queue and return. */
void player_send(uint8_t byte);

/* The message is ready: its bytes in the disc's alphabet (ita2 as ISO/IEC 646), 0 for one that
 * could not be read (255 for utf-8), without a 0 at the end. They stay unchanged until
 * player_start. The core scrolls the message after a pause. */
void player_message(const uint8_t *text, uint16_t length, uint8_t state);

#ifdef __cplusplus
}
#endif

#endif
