/* The machine's hardware: what you write for your own chip, and the sizes of your machine.
 *
 * player_machine.c does the rest. Its two functions are
 *   player_machine_sample()  in the interrupt of a timer, every PLAYER_SAMPLE_US
 *   player_machine_work()    over and over in the main loop
 */
#ifndef PLAYER_HARDWARE_H
#define PLAYER_HARDWARE_H

#include <stdint.h>

#include "player_config.h"

#ifdef __cplusplus
extern "C" {
#endif

/* ---- your machine's sizes: change them ---- */

#ifndef PLAYER_SAMPLE_US
#define PLAYER_SAMPLE_US 250U /* from one sample to the next; 320 or less keeps the MIDI jack busy */
#endif

/* What tells where a row begins, if rows begin at the index mark:
 * PLAYER_INDEX_MISSING   the clock row lacks the hole of its last position
 * PLAYER_INDEX_DOUBLE    the clock row has one hole more, halfway between the last and the first
 * PLAYER_INDEX_OWN       a detector of its own: player_hw_index() */
#define PLAYER_INDEX_MISSING 1
#define PLAYER_INDEX_DOUBLE 2
#define PLAYER_INDEX_OWN 3
#ifndef PLAYER_INDEX_BY
#define PLAYER_INDEX_BY PLAYER_INDEX_OWN
#endif

#ifndef PLAYER_DISC_ROWS
#define PLAYER_DISC_ROWS PLAYER_ROWS_MADE_FOR /* rows to read */
#endif
#ifndef PLAYER_STEPS_PER_ROW
#define PLAYER_STEPS_PER_ROW 40U  /* steps of the stage's motor from row to row */
#endif
#ifndef PLAYER_STEPS_TO_FIRST
#define PLAYER_STEPS_TO_FIRST 60U /* from the home switch to the first row; more than the backlash */
#endif
#ifndef PLAYER_BACKLASH
#define PLAYER_BACKLASH 12U       /* steps that are lost when the stage turns round, or a few more */
#endif
#ifndef PLAYER_STEP_US
#define PLAYER_STEP_US 2500U      /* from step to step at full speed */
#endif
#ifndef PLAYER_SETTLE_MS
#define PLAYER_SETTLE_MS 100U     /* before the stage counts as still */
#endif
#ifndef PLAYER_MOST_STEPS
#define PLAYER_MOST_STEPS 6000U   /* a home switch that is further away is broken */
#endif

/* ---- you write ---- */

/* How much light a detector sees, 0 to 1023, larger where a hole passes: subtract from 1023 if yours
 * sees less light at a hole, and return 0 or 1023 if it is a comparator. Called in the interrupt. */
uint16_t player_hw_clock(void);
uint16_t player_hw_data(void);

/* 1 while the detector of the index sees its hole (PLAYER_INDEX_OWN). Called in the interrupt. */
uint8_t player_hw_index(void);

/* Sends a byte to the MIDI jack (31,250 bit/s, 8 bits, no parity, 1 stop bit) and returns 1; returns
 * 0 if the last one is still on its way. Called in the interrupt. */
uint8_t player_hw_midi(uint8_t byte);

/* The same for the serial log (115,200 bit/s or more); return 1 and do nothing if you want none. */
uint8_t player_hw_log(char byte);

/* Moves the stage by one step: 1 away from home, -1 towards it. Called in the interrupt. */
void player_hw_step(int8_t way);

/* 1 if the stage is at the home switch. */
uint8_t player_hw_is_home(void);

/* Switches the disc's motor. */
void player_hw_motor(uint8_t on);

/* Sets a lamp of the strip, from 0, to PLAYER_CHANNELS bytes in the order in which it takes them. */
void player_hw_lamp(uint16_t number, const uint8_t *bytes);

/* What the user asks for: 0 nothing, 1 start or stop, 2 test of the lamps. Tell each once. */
uint8_t player_hw_button(void);

/* There is nothing to do: sleep until the next interrupt, calm the watchdog, send the strip. */
void player_hw_rest(void);

/* ---- you call ---- */

#define PLAYER_IDLE 0
#define PLAYER_HOMING 1
#define PLAYER_CALIBRATE 2
#define PLAYER_READ 3
#define PLAYER_SCROLL 4
#define PLAYER_TEST 5
#define PLAYER_ERROR 6

/* Why it is in PLAYER_ERROR; the button leads back to PLAYER_IDLE. */
#define PLAYER_NO_ERROR 0
#define PLAYER_NO_HOME 1     /* the home switch was not found */
#define PLAYER_NO_CLOCK 2    /* the clock detector sees no holes: no disc, no light, no motor */
#define PLAYER_NO_INDEX 3    /* no index in two turns */
#define PLAYER_WRONG_COUNT 4 /* the index does not come every PLAYER_POSITIONS positions */

void player_machine_sample(void);
void player_machine_work(void);
uint8_t player_machine_state(void);
uint8_t player_machine_error(void);

#ifdef __cplusplus
}
#endif

#endif
