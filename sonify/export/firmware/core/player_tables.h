/* The mapping's tables, made from a preset: for player.c and player_tables.c only. */
#ifndef PLAYER_TABLES_H
#define PLAYER_TABLES_H

#include <stdint.h>

#include "player_config.h"

/* Where a voice sounds. */
#define PLAYER_FROM_ONES 0
#define PLAYER_FROM_ZEROS 1
#define PLAYER_FROM_UNKNOWN 2
#define PLAYER_FROM_CLOCK 3
#define PLAYER_FROM_ROW_STARTS 4
#define PLAYER_FROM_ROW_ENDS 5
#define PLAYER_FROM_UNIT_STARTS 6 /* the first bit of each character */

/* What steps through a table. */
#define PLAYER_BY_NOTHING 0
#define PLAYER_BY_ROW 1
#define PLAYER_BY_PLACE 2     /* within the character */
#define PLAYER_BY_CHARACTER 3 /* characters before */
#define PLAYER_BY_STEP 4      /* positions read of the row */
#define PLAYER_BY_POSITION 5
#define PLAYER_BY_BAR 6
#define PLAYER_BY_NUMBER 7    /* the last bits, as a number; up: a mask of them */
#define PLAYER_BY_WALK 8      /* up at a one, down at a zero */
#define PLAYER_BY_RUN 9       /* equal bits before */
#define PLAYER_BY_GAP 10      /* positions since the previous one */
#define PLAYER_BY_ONES 11     /* ones before */
#define PLAYER_BY_DENSITY 12  /* ones among the last `up` bits, as one of `down` steps */
#define PLAYER_BY_LAST_UNIT 13 /* the character before, as a number */
#define PLAYER_BY_NOTE 14     /* notes of the row so far, as rule `up` counts them */
#define PLAYER_BY_VALUE 15    /* the character as a number, known with its last bit */
#define PLAYER_BY_PLAN 16     /* what the form says of this bar of this row; up: which table of it */
#define PLAYER_BY_SLOT 17     /* positions since the start, those between rows too */

/* What a rule does. Times are in 65536ths of a position. */
#define PLAYER_RULE_CHANGES 0 /* only where the bit differs from the one before */
#define PLAYER_RULE_THINNED 1 /* of every b, number c, from 0 */
#define PLAYER_RULE_MASK 2    /* a: what steps through b bits from bit c on, then back to d */
#define PLAYER_RULE_SPARSE 3  /* at random: c of 2^32; d: seed */
#define PLAYER_RULE_COUNT 4   /* counts the row's notes */
#define PLAYER_RULE_GATE 5    /* c: share of the length, * 65536 */
#define PLAYER_RULE_LENGTH 6  /* c: the length */
#define PLAYER_RULE_SWING 7   /* c: length of the first of two positions, * 32768 */
#define PLAYER_RULE_ENTRY 8   /* c: how much later */
#define PLAYER_RULE_HALF 9    /* the first half of the row at half speed */
#define PLAYER_RULE_BREATH 10 /* b: silent bits at a character's end */
#define PLAYER_RULE_JOINED 11 /* a: 1 if a later rule sets how long a run lasts */
#define PLAYER_RULE_HELD 12   /* c: longest; a: 1 to hold across rows */
#define PLAYER_RULE_ECHOES 13 /* a times, c later each; b: levels from one to the next */
#define PLAYER_RULE_REPEAT 14 /* a times; b: levels from one to the next */
#define PLAYER_RULE_GHOSTS 15 /* zeros sound too; b: their level */
#define PLAYER_RULE_STRUM 16  /* c: from one of a + 1 notes to the next; b: levels between them, 0
                               * for the order of reading; d: 1 downwards */
#define PLAYER_RULE_AFTER 17  /* at the row's end; c: length; a: 1 only if another row follows;
                               * d: length if none does */
#define PLAYER_RULE_SHAKE 18  /* earlier or later at random, up to c * 2^-31; d: seed; a: 1 if each
                               * note of a chord has a random number of its own */
#define PLAYER_RULE_VELOCITY 19 /* softer or louder at random, up to c * 2^-31; d and a as above */

#define PLAYER_RULE_WHEN 20 /* the next rule holds only where this mask lets notes through */
#define PLAYER_RULE_VAMP 21 /* from step d on, notes come again every c positions until the next row */

#define PLAYER_NO_LETTER UINT32_C(0xFFFFFFFF)

typedef struct {
    uint32_t c;
    uint32_t d;
    uint16_t b;
    uint8_t op;
    uint8_t a;
} player_rule;

/* How a table is stepped through: by a value divided by `hold`; past `count`, on from `back`. */
typedef struct {
    uint16_t count;
    uint16_t back;
    uint16_t hold;
    int16_t up;
    int16_t down;
    uint8_t by;
    uint8_t spare;
} player_lead;

typedef struct {
    player_lead tone[3]; /* through a table of tones, from table to table, and from set to set */
    player_lead loud[3]; /* the same through the velocities */
    uint16_t tones;      /* where its tables begin in player_tones ... */
    uint16_t echo_tones; /* ... and how far apart those of two levels are */
    uint16_t velocities; /* where its velocities begin in player_velocities */
    uint16_t vamp;       /* how many positions it repeats while the stage moves */
    uint8_t source;
    uint8_t channel;
    uint8_t unit_bits; /* of a character */
    uint8_t first_rule;
    uint8_t rules;
    uint8_t led;       /* whether each tone goes to the octave nearest to the one before */
    uint8_t low;       /* range of led tones: MIDI notes, or sounds in the order of their pitch */
    uint8_t high;
    uint8_t drum;
    uint8_t spare;
} player_voice;

/* A note of the ending; times in ticks from the start of the last row. */
typedef struct {
    uint32_t on;
    uint32_t length;
    uint8_t pitch; /* as in player_tones */
    uint8_t velocity;
    uint8_t voice;
    uint8_t spare;
} player_final;

extern const PLAYER_SPACE player_voice player_voices[PLAYER_VOICES] PLAYER_TABLE;
extern const PLAYER_SPACE player_rule player_rules[PLAYER_RULES + 1] PLAYER_TABLE;
extern const PLAYER_SPACE uint8_t player_tones[] PLAYER_TABLE;
extern const PLAYER_SPACE uint8_t player_sounds[] PLAYER_TABLE;  /* note and channel, where a tone is a sound */
extern const PLAYER_SPACE uint16_t player_fine[] PLAYER_TABLE; /* pitches of sounds, in 256ths of a semitone */
extern const PLAYER_SPACE uint16_t player_bends[16] PLAYER_TABLE;
#if PLAYER_HUMAN
extern const PLAYER_SPACE uint32_t player_velocities[] PLAYER_TABLE; /* * 2^20, before random factors */
#else
extern const PLAYER_SPACE uint8_t player_velocities[] PLAYER_TABLE;
#endif
extern const PLAYER_SPACE uint8_t player_plan[] PLAYER_TABLE; /* the form, table by table */
extern const PLAYER_SPACE player_final player_finals[PLAYER_FINALS + 1] PLAYER_TABLE;
extern const PLAYER_SPACE uint8_t player_masks[] PLAYER_TABLE;
extern const PLAYER_SPACE uint8_t player_opening[] PLAYER_TABLE; /* sent at the start; 255 ends it */
extern const PLAYER_SPACE uint16_t player_strip[PLAYER_LAMPS] PLAYER_TABLE;
extern const PLAYER_SPACE uint16_t player_letter_codes[PLAYER_LETTERS] PLAYER_TABLE;
extern const PLAYER_SPACE uint16_t player_letter_starts[PLAYER_LETTERS + 2] PLAYER_TABLE;
extern const PLAYER_SPACE uint8_t player_letter_columns[] PLAYER_TABLE;
extern const PLAYER_SPACE uint8_t player_exp[255] PLAYER_TABLE; /* powers of 2 in GF(256) ... */
extern const PLAYER_SPACE uint8_t player_log[256] PLAYER_TABLE; /* ... and their exponents */
extern const PLAYER_SPACE uint8_t player_alphabet[] PLAYER_TABLE; /* ita2: letters, then figures */

#endif
