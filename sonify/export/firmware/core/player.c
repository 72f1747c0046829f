/* A disc player's core: its state, and reading. See player.h. The .inc files are its parts;
 * player_tables.c holds the tables. */

#include "player.h"
#include "player_tables.h"

#include <stddef.h>

/* ---- state ---- */

#define FREE 0U
#define COMING 1U   /* its note-on is due at `on` */
#define SOUNDING 2U /* its note-off is due at `off` */
#define WAITING 4U  /* the next position may lengthen it */
#define OPEN 8U     /* a rule of its voice may still change its end */
#define IF_MORE 16U /* it sounds only if another row follows */
#define PENDING 32U /* its tone is known when its character has been read */
#define STATE 3U

typedef struct {
    uint32_t on; /* both in ticks of the disc's time */
    uint32_t off;
    uint8_t pitch; /* a MIDI note, or a sound of player_sounds; while PENDING, the table */
    uint8_t velocity;
    uint8_t voice;
    uint8_t level; /* which echo */
    uint8_t state;
#if PLAYER_VAMP
    uint8_t again; /* how often it comes again before the next row */
#endif
} note;

/* A voice's state; times are in 65536ths of a position from the row's start. */
typedef struct {
    uint32_t base;   /* start of that row, in ticks */
    uint32_t start;  /* of its last note, where a rule began to lengthen it */
    uint32_t limit;  /* where a rule ends it at the latest */
    uint32_t alone;  /* the length of a held note before `held` changed it */
    uint16_t last;   /* step of the last event that was joined */
    uint16_t walk;
    uint16_t led;    /* notes led in this row */
    uint8_t before;  /* the tone before */
    uint8_t rule;    /* the rule that lengthens or cuts it */
    uint8_t running; /* whether `last` counts */
    uint8_t far;     /* 1 + the last rule that this position's event reached */
#if PLAYER_HUMAN
    int32_t shaken;  /* the random shift of its last note, in 2^-32ths of a position */
#endif
} memory;

/* One event on its way through a voice's rules; times as above. */
typedef struct {
    uint32_t onset;
    uint32_t length;
    uint32_t start;
    uint8_t level; /* which echo */
    uint8_t marks;     /* WAITING, IF_MORE */
    uint8_t lengthens; /* 1 + the rule whose later events may change its end */
#if PLAYER_VAMP
    uint8_t again;
#endif
#if PLAYER_HUMAN
    uint16_t fine;     /* 65536ths of `onset` */
    uint32_t chance;   /* the random factor on its velocity, * 2^31 */
#endif
} event;

#if PLAYER_HUMAN
#define FINE(e) ((e)->fine)
#else
#define FINE(e) 0U
#endif

static note notes[PLAYER_NOTES];
static memory memories[PLAYER_VOICES];
static uint16_t counters[PLAYER_RULES + 1];
static uint8_t lamps[(PLAYER_LAMPS + 7) / 8];
static uint8_t row_bits[(PLAYER_POSITIONS + 7) / 8];
static uint8_t row_known[(PLAYER_POSITIONS + 7) / 8];

static uint32_t tick;      /* of the last position */
static int32_t gone;       /* ticks since then, and 2^-32ths of a tick */
static uint32_t gone_part;
static uint16_t since_ms;  /* microseconds from the last millisecond to the next position */
static uint8_t timed;      /* whether they were ever told */
static uint32_t quiet;     /* milliseconds since then, as far as a position lasts */
static uint32_t tick_rate; /* ticks a millisecond, and 2^-32ths of a tick */
static uint32_t tick_rate_part;
static uint32_t soonest;   /* nothing is due before */
static uint32_t row_tick;
static uint32_t read_count; /* the next lamp, for fills that count positions */
static uint32_t run;
static uint32_t gap;       /* positions since the last one */
static uint32_t ones;
static uint32_t history;   /* the last bits, ones only */
static uint32_t read_index; /* positions read in all */
#if PLAYER_HUE_BY_NOTES
static uint8_t heard;      /* 1 + the highest voice, key or velocity of this position's notes */
#endif
#if PLAYER_LOUD
static uint8_t loudest;    /* the highest velocity of this position's notes */
#endif
#if PLAYER_BENT
static uint16_t bent;      /* channels whose bend was sent */
#endif
#if PLAYER_PAST
static uint8_t past[PLAYER_PAST / 8]; /* the last bits, as a ring */
#endif
static uint16_t row;
static uint16_t step;  /* positions read of this row */
static uint16_t place; /* of the last position, counted by the clock row */
static uint8_t before; /* the last bit */
static uint8_t same;   /* whether this bit equals it */
static uint8_t phase;
static uint8_t scrolling; /* 1 before the message's first step, 2 after it */

#define IDLE 0U    /* nothing seen yet */
#define BETWEEN 1U /* between rows */
#define READING 2U
#define FULL 3U    /* the row has been read to its end */
#define OVER 4U
#include "player_lamps.inc"
#include "player_tones.inc"
#include "player_notes.inc"
#include "player_lengths.inc"
#include "player_rules.inc"
#include "player_voices.inc"
#include "player_decode.inc"
#include "player_repair.inc"
#include "player_scroll.inc"

/* ---- reading ---- */

static void see_bit(uint8_t bit)
{
    uint8_t v;

    history = (history << 1) | (bit == PLAYER_ONE);
    remember(bit == PLAYER_ONE);
    same = (uint8_t)(phase != IDLE && bit == before);
    run = same ? run + 1U : 0U;
    if (bit == PLAYER_ONE) {
        ones++;
    }
#if PLAYER_HUE_BY_NOTES
    heard = 0;
#endif
#if PLAYER_LOUD
    loudest = 0;
#endif
    for (v = 0; v < PLAYER_VOICES; v++) {
        sound_voice(v, bit);
    }
    if (grid_place() % PLAYER_UNIT_BITS == PLAYER_UNIT_BITS - 1U) {
        resolve(0);
    }
    gap = bit == PLAYER_ONE ? 0U : gap + (ones != 0);
    before = bit;
    read_index++;
    fill(bit == PLAYER_ONE);
    if (bit <= PLAYER_ONE) {
        uint8_t mask = (uint8_t)(1U << (place & 7U));

        row_known[place >> 3] = (uint8_t)(row_known[place >> 3] | mask);
        if (bit) {
            row_bits[place >> 3] = (uint8_t)(row_bits[place >> 3] | mask);
        }
    }
}

static void begin_row(void)
{
    uint16_t k;
    uint8_t v;

    row_tick = tick;
    step = 0;
#if PLAYER_INDEX
    place = 0;
#endif
    for (k = 0; k < sizeof row_bits; k++) {
        row_bits[k] = 0;
        row_known[k] = 0;
    }
    for (v = 0; v < PLAYER_VOICES; v++) {
        memories[v].running = 0;
        memories[v].led = 0;
        clear_notes(v, is_across(memories[v].rule) ? IF_MORE : IF_MORE | OPEN);
    }
    for (k = 0; k <= PLAYER_RULES; k++) {
        counters[k] = 0;
    }
}

static void end_row(void)
{
    no_more_waiting();
#if PLAYER_RS
    keep_row();
#else
    decode_row();
#endif
    row++;
}

/* Counts time from the position that passes now. If it passes some microseconds after the last
 * millisecond, the count begins as much below zero, as the next millisecond is not a whole one. */
static void restart_clock(void)
{
    uint32_t whole = tick_rate * since_ms;
    uint32_t part = ((whole % 1000U << 16) + (tick_rate_part >> 16) * since_ms) / 1000U;

    whole = whole / 1000U + (part >> 16);
    part <<= 16;
    gone = -(int32_t)whole - (part != 0);
    gone_part = 0U - part;
    since_ms = 0;
}

void player_since(uint16_t microseconds)
{
    since_ms = microseconds < 1000U ? microseconds : 999U;
    timed = 1;
}

void player_position(uint8_t bit)
{
    if (phase == OVER) {
        return;
    }
    if (phase == IDLE) {
        if (bit == PLAYER_NOT_READ) {
            return;
        }
        tick = 0;
        place = 0;
    } else {
        /* clock holes that were not reported: as many as fit the time, but at least this one */
        uint32_t ahead = gone < 0 ? 0 : ((uint32_t)gone + PLAYER_STEP_TICKS / 2) / PLAYER_STEP_TICKS;

        if (ahead < 1 || (phase == READING && ahead < 3)) {
            ahead = 1;
        }
        tick += ahead * PLAYER_STEP_TICKS;
        place = (uint16_t)((place + ahead) % PLAYER_POSITIONS);
    }
    restart_clock();
    quiet = 0;
    if (bit == PLAYER_NOT_READ || phase == FULL) {
        sound_until(tick, 1);
        return;
    }
    if (phase != READING) {
        begin_row();
    }
#if PLAYER_INDEX
    place = step;
#endif
    see_bit(bit);
    phase = READING;
    sound_until(tick, 1);
    step++;
    if (step == PLAYER_POSITIONS) {
        phase = FULL;
        end_row();
    }
}

void player_row_end(void)
{
    if (phase == READING) {
        end_row();
    }
    if (phase == READING || phase == FULL) {
        phase = BETWEEN;
    }
}

#include "player_ending.inc"

void player_millisecond(void)
{
    uint32_t part = gone_part + tick_rate_part;

    quiet += quiet <= PLAYER_POSITION_MS;
    if (gone < INT32_C(0x20000000)) {
        gone += (int32_t)tick_rate + (part < gone_part);
        gone_part = part;
    }
    if ((int32_t)(tick + (uint32_t)gone - soonest) >= 0) {
        sound_until(tick + (uint32_t)gone, 0);
    }
#if PLAYER_AGES
    if ((int32_t)(tick + (uint32_t)gone - next_age) >= 0) {
        grow_older(tick + (uint32_t)gone);
    }
#endif
    if (phase == READING && gone >= (int32_t)(4 * PLAYER_STEP_TICKS)) {
        no_more_waiting();
    }
    if (gone >= (int32_t)(phase == READING ? PLAYER_HALT_TICKS : PLAYER_STALL_TICKS) && phase != OVER) {
        player_silence(); /* the disc stands still: leave no note hanging */
    }
    if (phase == OVER) {
#if PLAYER_RS
        repair();
#endif
        scroll();
    }
}

void player_period(uint32_t microseconds)
{
    /* ticks per millisecond = ticks per position * 1000 / microseconds */
    uint32_t top = PLAYER_STEP_TICKS * UINT32_C(1000);
    uint32_t rest;
    uint8_t k;

    if (microseconds < 100) {
        return;
    }
    tick_rate = top / microseconds;
    rest = top % microseconds;
    tick_rate_part = 0;
    for (k = 0; k < 32; k++) {
        uint8_t over = (uint8_t)(rest >= UINT32_C(0x80000000));

        rest <<= 1;
        tick_rate_part <<= 1;
        if (over || rest >= microseconds) {
            rest -= microseconds;
            tick_rate_part |= 1U;
        }
    }
    tick_rate_part++;
}

void player_silence(void)
{
    uint8_t k;

    for (k = 0; k < PLAYER_NOTES; k++) {
        drop(k);
    }
}

uint8_t player_busy(void)
{
    uint8_t k;

    for (k = 0; k < PLAYER_NOTES; k++) {
        if (notes[k].state != FREE) {
            return 1;
        }
    }
#if PLAYER_RS
    if (repairing) {
        return 1;
    }
#endif
    return (uint8_t)(phase != OVER || scrolling);
}

/* ---- start ---- */

void player_start(void)
{
    uint16_t k;

    player_silence();
    wipe(0, PLAYER_LAMPS, PLAYER_LAMPS);
    for (k = 0; k < PLAYER_VOICES; k++) {
        memories[k].walk = 0;
        memories[k].rule = PLAYER_RULES;
        memories[k].running = 0;
        memories[k].led = 0;
    }
#if PLAYER_BENT
    bent = 0;
#endif
    tick = 0;
    gone = 0;
    gone_part = 0;
    since_ms = 0;
    timed = 0;
    quiet = 0;
    soonest = 0;
#if PLAYER_AGES
    next_age = 0;
#endif
#if PLAYER_LOUD
    own_level = 255U; /* the message's */
#endif
    row_tick = 0;
    read_count = 0;
    run = 0;
    gap = 0;
    ones = 0;
    history = 0;
    read_index = 0;
    row = 0;
    step = 0;
    place = 0;
    before = PLAYER_UNKNOWN;
    phase = IDLE;
#if PLAYER_RS
    forget_symbols();
#endif
    text_length = 0;
    zeros = 0;
    unit = 0;
    unit_holes = 0;
    unit_count = 0;
    unit_unknown = 0;
    unit_parity = 0;
    damaged = 0;
    rejected = 0;
    scrolling = 0;
    tick_rate = PLAYER_TICK_RATE;
    tick_rate_part = PLAYER_TICK_RATE_PART;
    for (k = 0; PLAYER_READ8(&player_opening[k]) != 255; k++) {
        player_send((uint8_t)PLAYER_READ8(&player_opening[k]));
    }
}
