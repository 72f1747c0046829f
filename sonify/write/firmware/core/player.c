/* A disc player's core. See player.h; the tables are in player_tables.c. */

#include "player.h"

#include <stddef.h>

/* ---- what is remembered ---- */

#define FREE 0U
#define COMING 1U   /* its note-on is due at `on` */
#define SOUNDING 2U /* its note-off is due at `off` */
#define WAITING 4U  /* ... unless the next position lengthens it */
#define STATE 3U

typedef struct {
    uint32_t on; /* both in ticks of the disc's time */
    uint32_t off;
    uint8_t pitch;
    uint8_t velocity;
    uint8_t voice;
    uint8_t state;
} note;

/* A voice's; times in 65536ths of a position from the row's start. */
typedef struct {
    uint32_t start;  /* of its last note, where a rule began to lengthen it */
    uint32_t limit;  /* where a rule ends it at the latest */
    uint16_t last;   /* step of the last event that was joined */
    uint16_t walk;
    uint16_t led;    /* notes led in this row */
    uint8_t before;  /* the tone before */
    uint8_t open;    /* 1 + its note that may be lengthened or cut, 0 for none */
    uint8_t rule;    /* the rule that does so */
    uint8_t running; /* whether `last` counts */
    uint8_t far;     /* the last rule that this position's event came to, and 1 */
} memory;

/* One event on its way through a voice's rules; times as `onset` above. */
typedef struct {
    uint32_t onset;
    uint32_t length;
    uint32_t start;
    uint8_t level; /* which echo */
    uint8_t waits;
    uint8_t lengthens; /* 1 + the rule whose later events may change its end */
} event;

static note notes[PLAYER_NOTES];
static memory memories[PLAYER_VOICES];
static uint16_t counters[PLAYER_RULES + 1];
static uint8_t lamps[(PLAYER_LAMPS + 7) / 8];
static uint8_t row_bits[(PLAYER_POSITIONS + 7) / 8];
static uint8_t row_known[(PLAYER_POSITIONS + 7) / 8];

static uint32_t tick;      /* of the last position */
static uint32_t gone;      /* ticks since, and 2^-32ths of one */
static uint32_t gone_part;
static uint32_t tick_rate; /* ticks a millisecond, and 2^-32ths of one */
static uint32_t tick_rate_part;
static uint32_t soonest;   /* nothing is due before */
static uint32_t row_tick;
static uint32_t read_count; /* positions read in all, modulo the lamps of a fill that counts */
static uint32_t run;
static uint32_t gap;       /* positions since the last one */
static uint32_t ones;
static uint32_t history;   /* the last bits, ones only */
static uint32_t read_index; /* positions read in all */
static uint16_t row;
static uint16_t step;  /* positions read of this row */
static uint16_t place; /* of the last position, counted by the clock row */
static uint8_t before; /* the last bit */
static uint8_t same;   /* whether this one is like it */
static uint8_t phase;
static uint8_t scrolling; /* 1 before the message's first step, 2 after it */

#define IDLE 0U    /* nothing seen yet */
#define BETWEEN 1U /* between rows */
#define READING 2U
#define FULL 3U    /* a row was read to its end */
#define OVER 4U

/* ---- lamps ---- */

static uint8_t is_lit(uint16_t lamp)
{
    return (uint8_t)((lamps[lamp >> 3] >> (lamp & 7U)) & 1U);
}

static void light(uint16_t lamp, uint8_t lit)
{
    if (is_lit(lamp) == lit) {
        return;
    }
    lamps[lamp >> 3] = (uint8_t)(lamps[lamp >> 3] ^ (1U << (lamp & 7U)));
    player_set_lamp(lamp, lit ? 255U : 0U);
}

/* Put out `count` lamps from `from` on, but for one that is about to be set. */
static void wipe(uint16_t from, uint16_t count, uint16_t but)
{
    uint16_t lamp;

    for (lamp = from; lamp < from + count; lamp++) {
        if (lamp != but) {
            light(lamp, 0);
        }
    }
}

static uint32_t grid_place(void)
{
    return (uint32_t)row * PLAYER_POSITIONS + place;
}

static void fill(uint8_t lit)
{
    uint16_t x;
    uint16_t y;
    uint16_t lamp;
    uint16_t at;

    switch (PLAYER_FILL) {
    case PLAYER_FILL_ROWS:
        y = (uint16_t)(row % PLAYER_HEIGHT);
        lamp = (uint16_t)(y * PLAYER_WIDTH + place % PLAYER_WIDTH);
        if (step == 0 && row >= PLAYER_HEIGHT) {
            wipe((uint16_t)(y * PLAYER_WIDTH), PLAYER_WIDTH, lamp);
        }
        break;
    case PLAYER_FILL_CHARACTERS: {
        uint32_t whole = grid_place();
        uint16_t k = (uint16_t)(whole % PLAYER_UNIT_BITS);
        uint16_t each = (PLAYER_UNIT_BITS + PLAYER_HEIGHT - 1) / PLAYER_HEIGHT;
        uint16_t columns = (uint16_t)(PLAYER_WIDTH / each);

        x = (uint16_t)((uint16_t)(whole / PLAYER_UNIT_BITS % columns) * each + k / PLAYER_HEIGHT);
        lamp = (uint16_t)(k % PLAYER_HEIGHT * PLAYER_WIDTH + x);
        break;
    }
    case PLAYER_FILL_ROLLING:
        if (read_count == PLAYER_LAMPS) {
            read_count = PLAYER_LAMPS - PLAYER_WIDTH;
            lamp = PLAYER_LAMPS - PLAYER_WIDTH;
            for (at = 0; at < lamp; at++) {
                light(at, is_lit((uint16_t)(at + PLAYER_WIDTH)));
            }
            wipe(lamp, PLAYER_WIDTH, lamp);
        }
        lamp = (uint16_t)read_count;
        read_count++;
        break;
    default:
        at = (uint16_t)read_count;
        if (PLAYER_FILL == PLAYER_FILL_COLUMNS) {
            lamp = (uint16_t)(at % PLAYER_HEIGHT * PLAYER_WIDTH + at / PLAYER_HEIGHT);
        } else if (PLAYER_FILL == PLAYER_FILL_FURROWS) {
            x = (uint16_t)(at % PLAYER_WIDTH);
            y = (uint16_t)(at / PLAYER_WIDTH);
            lamp = (uint16_t)(y * PLAYER_WIDTH + ((y & 1U) ? PLAYER_WIDTH - 1U - x : x));
        } else {
            lamp = at;
        }
        if (at == 0) {
            wipe(0, PLAYER_LAMPS, lamp);
        }
        read_count = (at + 1U) % PLAYER_LAMPS;
        break;
    }
    light(lamp, lit);
}

/* ---- notes ---- */

static void send_off(note *n)
{
    uint8_t v = n->voice;

    player_send((uint8_t)(0x80U | PLAYER_READ8(&player_voices[v].channel)));
    player_send(n->pitch);
    player_send(64);
}

static void let_go(uint8_t k)
{
    uint8_t v;

    notes[k].state = FREE;
    for (v = 0; v < PLAYER_VOICES; v++) {
        if (memories[v].open == k + 1U) {
            memories[v].open = 0;
        }
    }
}

static uint8_t is_rival(const note *a, const note *b)
{
    return (uint8_t)(a->pitch == b->pitch &&
                     PLAYER_READ8(&player_voices[a->voice].channel) ==
                         PLAYER_READ8(&player_voices[b->voice].channel));
}

/* End what sounds on the pitches and channels of all notes that begin at a moment. */
static void make_way(uint32_t on)
{
    uint8_t j;
    uint8_t k;

    for (k = 0; k < PLAYER_NOTES; k++) {
        if ((notes[k].state & STATE) != COMING || notes[k].on != on) {
            continue;
        }
        for (j = 0; j < PLAYER_NOTES; j++) {
            if ((notes[j].state & STATE) == SOUNDING && is_rival(&notes[k], &notes[j])) {
                send_off(&notes[j]);
                let_go(j);
            }
        }
    }
}

/* Of notes that start together on one pitch and channel, the loudest stays, then the longest. */
static void begin(uint8_t k)
{
    uint8_t j;

    for (j = 0; j < PLAYER_NOTES; j++) {
        note *a = &notes[k];
        note *b = &notes[j];

        if (j == k || (b->state & STATE) != COMING || b->on != a->on || !is_rival(a, b)) {
            continue;
        }
        if (b->velocity > a->velocity ||
            (b->velocity == a->velocity && b->off - b->on > a->off - a->on)) {
            let_go(k);
            k = j;
        } else {
            let_go(j);
        }
    }
    player_send((uint8_t)(0x90U | PLAYER_READ8(&player_voices[notes[k].voice].channel)));
    player_send(notes[k].pitch);
    player_send(notes[k].velocity);
    notes[k].state = (uint8_t)((notes[k].state & WAITING) | SOUNDING);
}

/* Whether a note begins with a position that is about to be read: then it waits for it, as one
 * that is read then may take its place. After half a position it waits no more. */
static uint8_t awaits_position(const note *n, uint32_t now)
{
    uint32_t ahead = n->on - tick;

    if ((int32_t)ahead <= 0 || (int32_t)(now - n->on) >= (int32_t)(PLAYER_STEP_TICKS / 2)) {
        return 0;
    }
    if (phase == READING) {
        return (uint8_t)(ahead % PLAYER_STEP_TICKS == 0);
    }
    return (uint8_t)(phase != OVER &&
                     n->on - row_tick == (PLAYER_GAP + PLAYER_POSITIONS) * PLAYER_STEP_TICKS);
}

/* All that is due up to `now`, note-offs before note-ons, voice by voice; `at_position`: a
 * position is here, else only time has passed. */
static void sound_until(uint32_t now, uint8_t at_position)
{
    for (;;) {
        uint8_t k;
        uint8_t best = PLAYER_NOTES;
        uint32_t best_due = 0;

        soonest = now + 0x40000000UL;
        for (k = 0; k < PLAYER_NOTES; k++) {
            const note *n = &notes[k];
            uint8_t state = n->state & STATE;
            uint32_t due = state == COMING ? n->on : n->off;

            if (state == FREE) {
                continue;
            }
            if (!at_position && state == SOUNDING && (n->state & WAITING)) {
                continue;
            }
            if (!at_position && state == COMING && (int32_t)(due - now) <= 0 &&
                awaits_position(n, now)) {
                soonest = now;
                continue;
            }
            if ((int32_t)(due - soonest) < 0) {
                soonest = due;
            }
            if ((int32_t)(due - now) > 0) {
                continue;
            }
            if (best == PLAYER_NOTES || (int32_t)(due - best_due) < 0 ||
                (due == best_due &&
                 ((n->state & STATE) > (notes[best].state & STATE) ||
                  ((n->state & STATE) == (notes[best].state & STATE) &&
                   n->voice < notes[best].voice)))) {
                best = k;
                best_due = due;
            }
        }
        if (best == PLAYER_NOTES) {
            return;
        }
        if ((notes[best].state & STATE) == SOUNDING) {
            send_off(&notes[best]);
            let_go(best);
        } else {
            make_way(best_due);
            begin(best);
        }
    }
}

static void no_more_waiting(void)
{
    uint8_t k;

    for (k = 0; k < PLAYER_NOTES; k++) {
        notes[k].state = (uint8_t)(notes[k].state & ~WAITING);
    }
    soonest = tick;
}

/* A time in 65536ths of a position from the row's start, in ticks; halves go to the even tick. */
static uint32_t ticks_of(uint32_t time)
{
    uint32_t part = (time & 0xFFFFUL) * PLAYER_STEP_TICKS;
    uint32_t whole = row_tick + (time >> 16) * PLAYER_STEP_TICKS + (part >> 16);
    uint32_t rest = part & 0xFFFFUL;

    if (rest > 0x8000UL || (rest == 0x8000UL && (whole & 1U))) {
        whole++;
    }
    return whole;
}

#define FOREVER 0x7FFFFFFFUL
#define HOLD_LIMIT 0x10000000UL /* longer is for ever */
#define SHORTEST 66U            /* a thousandth of a position */

static uint32_t times(uint32_t value, uint32_t factor)
{
    return (uint32_t)(((uint64_t)value * factor + 0x8000UL) >> 16);
}

/* ---- tones ---- */

static uint32_t density(uint16_t window, uint16_t span)
{
    uint16_t seen = read_index + 1U < window ? (uint16_t)(read_index + 1U) : window;
    uint32_t bits = window < 32U ? history & ((1UL << window) - 1U) : history;
    uint16_t count = 0;

    for (; bits; bits &= bits - 1U) {
        count++;
    }
    return (2UL * count * (span - 1U) + seen) / (2UL * seen);
}

static uint16_t wrapped(uint32_t value, uint16_t count, uint16_t back)
{
    return (uint16_t)(value < count ? value : back + (value - back) % (uint16_t)(count - back));
}

static uint32_t leading_value(uint8_t by, uint16_t up, uint16_t down, uint8_t unit_bits,
                              const memory *m)
{
    switch (by) {
    case PLAYER_BY_ROW:
        return row;
    case PLAYER_BY_PLACE:
        return grid_place() % unit_bits;
    case PLAYER_BY_CHARACTER:
        return grid_place() / unit_bits;
    case PLAYER_BY_STEP:
        return step;
    case PLAYER_BY_POSITION:
        return place;
    case PLAYER_BY_BAR:
        return tick / PLAYER_BAR_TICKS;
    case PLAYER_BY_NUMBER:
        return history & up;
    case PLAYER_BY_WALK:
        return m->walk;
    case PLAYER_BY_RUN:
        return run;
    case PLAYER_BY_GAP:
        return gap;
    case PLAYER_BY_ONES:
        return ones ? ones - 1U : 0U;
    case PLAYER_BY_DENSITY:
        return density(up, down);
    case PLAYER_BY_LAST_UNIT:
        return (history >> (grid_place() % unit_bits + 1U)) & ((1UL << unit_bits) - 1U);
    case PLAYER_BY_NOTE:
        return counters[up] - 1U;
    default:
        return 0;
    }
}

static uint16_t lead(const player_lead *l, uint8_t unit_bits, const memory *m)
{
    uint32_t value = leading_value(PLAYER_READ8(&l->by), (uint16_t)PLAYER_READ16(&l->up),
                                   (uint16_t)PLAYER_READ16(&l->down), unit_bits, m);

    return wrapped(value / (uint16_t)PLAYER_READ16(&l->hold), (uint16_t)PLAYER_READ16(&l->count),
                   (uint16_t)PLAYER_READ16(&l->back));
}

/* The octave nearest to the tone before, within the voice's range. */
static uint8_t led_to(const player_voice *voice, memory *m, uint8_t pitch)
{
    int16_t low = PLAYER_READ8(&voice->low);
    int16_t high = PLAYER_READ8(&voice->high);
    int16_t near = pitch;

    if (m->led % 256U != 0) {
        near = (int16_t)(((int16_t)pitch - (int16_t)m->before + 6 + 132) % 12 - 6 + m->before);
        if (near < low) {
            near = (int16_t)(near + 12);
        }
        if (near > high) {
            near = (int16_t)(near - 12);
        }
        if (near < low) {
            near = pitch;
        }
    }
    m->led++;
    m->before = (uint8_t)near;
    return (uint8_t)near;
}

static uint8_t pitch_of(uint8_t v, memory *m, uint8_t level)
{
    const player_voice *voice = &player_voices[v];
    uint8_t unit_bits = (uint8_t)PLAYER_READ8(&voice->unit_bits);
    uint16_t at = (uint16_t)PLAYER_READ16(&voice->tones);
    uint8_t pitch;

    at = (uint16_t)(at + lead(&voice->tone, unit_bits, m));
    at = (uint16_t)(at + (uint16_t)PLAYER_READ16(&voice->tone.count) *
                             lead(&voice->chord, unit_bits, m));
    at = (uint16_t)(at + (uint16_t)PLAYER_READ16(&voice->echo_tones) * level);
    pitch = (uint8_t)PLAYER_READ8(&player_tones[at]);
    return PLAYER_READ8(&voice->led) ? led_to(voice, m, pitch) : pitch;
}

static uint8_t velocity_of(uint8_t v, const memory *m, uint8_t level)
{
    const player_voice *voice = &player_voices[v];
    uint8_t unit_bits = (uint8_t)PLAYER_READ8(&voice->unit_bits);
    uint16_t at = (uint16_t)PLAYER_READ16(&voice->velocities);
    uint16_t size = 1;
    uint8_t k;

    for (k = 0; k < 3; k++) {
        const player_lead *l = &voice->loud[k];

        at = (uint16_t)(at + size * lead(l, unit_bits, m));
        size = (uint16_t)(size * (uint16_t)PLAYER_READ16(&l->count));
    }
    return (uint8_t)PLAYER_READ8(&player_velocities[at + size * level]);
}

/* ---- rules ---- */

/* The second of each two positions comes late; `amount` is two of the first's share, * 32768. */
static uint32_t lilt(uint32_t time, uint32_t amount)
{
    uint32_t pair = time & ~0x1FFFFUL;
    uint32_t within = time & 0x1FFFFUL;

    if (within < 0x10000UL) {
        return pair + ((within * amount + 0x4000UL) >> 15);
    }
    within -= 0x10000UL;
    return pair + ((amount * 0x10000UL + within * (0x10000UL - amount) + 0x4000UL) >> 15);
}

/* Whether chance keeps this place: SplitMix64 (Steele, Lea and Flood, OOPSLA 2014). */
static uint8_t is_kept(uint32_t seed, uint32_t share)
{
    uint64_t x = (uint64_t)read_index + (uint64_t)seed * 0x9E3779B9UL + 0x85EBCA6BUL + 1U;

    x *= 0x9E3779B97F4A7C15ULL;
    x = (x ^ (x >> 30)) * 0xBF58476D1CE4E5B9ULL;
    x = (x ^ (x >> 27)) * 0x94D049BB133111EBULL;
    x ^= x >> 31;
    return (uint8_t)((uint32_t)(x >> 32) < share);
}

/* Whether a rule's mask has this place. */
static uint8_t is_in_mask(const player_rule *r, uint8_t unit_bits, const memory *m)
{
    uint32_t value = leading_value(PLAYER_READ8(&r->a), 0, 0, unit_bits, m);
    uint16_t at = (uint16_t)(wrapped(value, (uint16_t)PLAYER_READ16(&r->b),
                                     (uint16_t)PLAYER_READ32(&r->d)) +
                             (uint16_t)PLAYER_READ32(&r->c));

    return (uint8_t)((PLAYER_READ8(&player_masks[at >> 3]) >> (at & 7U)) & 1U);
}

static uint8_t last_rule(uint8_t v)
{
    return (uint8_t)(PLAYER_READ8(&player_voices[v].first_rule) +
                     PLAYER_READ8(&player_voices[v].rules));
}

/* An event that came through all rules becomes a note. */
static void finish(uint8_t v, memory *m, const event *e)
{
    uint8_t pitch = pitch_of(v, m, e->level);
    uint8_t k;

    for (k = 0; k < PLAYER_NOTES && notes[k].state != FREE; k++) {
    }
    if (k == PLAYER_NOTES) {
        return;
    }
    notes[k].on = ticks_of(e->onset);
    notes[k].off = ticks_of(e->onset + e->length);
    if (e->length == FOREVER) {
        notes[k].off = notes[k].on + 0x3FFFFFFFUL;
    }
    if ((int32_t)(notes[k].off - notes[k].on) < 1) {
        notes[k].off = notes[k].on + 1U;
    }
    notes[k].pitch = pitch;
    notes[k].velocity = velocity_of(v, m, e->level);
    notes[k].voice = v;
    notes[k].state = (uint8_t)(COMING | (e->waits ? WAITING : 0U));
    if (e->lengthens) {
        m->open = (uint8_t)(k + 1U);
        m->rule = (uint8_t)(e->lengthens - 1U);
        m->start = e->start;
    }
    soonest = tick;
}

/* Move the end of the note that a rule lengthens, through the rules after that one. */
static void set_end(uint8_t v, memory *m, uint32_t end, uint8_t waits)
{
    uint8_t rule = m->rule;
    uint8_t last = last_rule(v);
    uint32_t onset = m->start;
    uint32_t length = end - onset;
    note *n;

    if (!m->open) {
        return;
    }
    for (rule++; rule < last; rule++) {
        uint32_t c = PLAYER_READ32(&player_rules[rule].c);

        switch (PLAYER_READ8(&player_rules[rule].op)) {
        case PLAYER_RULE_GATE:
            length = times(length, c);
            break;
        case PLAYER_RULE_SWING:
            end = lilt(onset + length, c);
            onset = lilt(onset, c);
            length = end - onset;
            break;
        case PLAYER_RULE_LATE:
            onset += c;
            break;
        case PLAYER_RULE_HALF:
            onset *= 2U;
            length *= 2U;
            break;
        case PLAYER_RULE_BREATH:
            if (onset + length > m->limit) {
                length = m->limit - onset;
            }
            break;
        default:
            break;
        }
    }
    n = &notes[m->open - 1U];
    n->off = ticks_of(onset + length);
    if ((int32_t)(n->off - n->on) < 1) {
        n->off = n->on + 1U;
    }
    n->state = (uint8_t)(waits ? n->state | WAITING : n->state & ~WAITING);
    if ((int32_t)(n->off - soonest) < 0) {
        soonest = n->off;
    }
}

static void hold(uint8_t v, memory *m, event *e, uint8_t rule, uint32_t longest, uint8_t across)
{
    uint32_t until = (uint32_t)PLAYER_POSITIONS << 16;

    if (m->open && m->rule == rule) {
        if (across) {
            uint32_t off = ticks_of(e->onset);

            if ((int32_t)(off - notes[m->open - 1U].off) < 0) {
                notes[m->open - 1U].off = off;
            }
        } else if (e->onset > m->start && e->onset - m->start < longest) {
            set_end(v, m, e->onset, 0);
        }
    }
    m->open = 0;
    if (across) {
        e->length = longest < HOLD_LIMIT ? longest : FOREVER;
        e->lengthens = (uint8_t)(rule + 1U);
    } else if (until > e->onset) {
        e->length = until - e->onset < longest ? until - e->onset : longest;
        e->lengthens = (uint8_t)(rule + 1U);
    }
    e->start = e->onset;
}

static void pass_on(uint8_t v, memory *m, event *e, uint8_t rule)
{
    uint8_t last = last_rule(v);
    uint8_t unit_bits = (uint8_t)PLAYER_READ8(&player_voices[v].unit_bits);

    for (; rule < last; rule++) {
        const player_rule *r = &player_rules[rule];
        uint8_t a = (uint8_t)PLAYER_READ8(&r->a);
        uint16_t b = (uint16_t)PLAYER_READ16(&r->b);
        uint32_t c = PLAYER_READ32(&r->c);
        uint8_t k;

        m->far = (uint8_t)(rule + 1U);
        switch (PLAYER_READ8(&r->op)) {
        case PLAYER_RULE_CHANGES:
            if (step != 0 && same) {
                return;
            }
            break;
        case PLAYER_RULE_THINNED:
            if (counters[rule]++ % b != c) {
                return;
            }
            break;
        case PLAYER_RULE_MASK:
            if (!is_in_mask(r, unit_bits, m)) {
                return;
            }
            break;
        case PLAYER_RULE_SPARSE:
            if (!is_kept(PLAYER_READ32(&r->d), c)) {
                return;
            }
            break;
        case PLAYER_RULE_COUNT:
            counters[rule]++;
            break;
        case PLAYER_RULE_GATE:
            e->length = e->length == FOREVER ? FOREVER : times(e->length, c);
            break;
        case PLAYER_RULE_LENGTH:
            e->length = c;
            e->waits = 0;
            e->lengthens = 0;
            break;
        case PLAYER_RULE_SWING: {
            uint32_t end = lilt(e->onset + e->length, c);

            e->onset = lilt(e->onset, c);
            e->length = end - e->onset;
            break;
        }
        case PLAYER_RULE_LATE:
            e->onset += c;
            break;
        case PLAYER_RULE_HALF:
            if (e->onset * 2U >= (uint32_t)PLAYER_POSITIONS << 16) {
                return;
            }
            e->onset *= 2U;
            e->length *= 2U;
            break;
        case PLAYER_RULE_BREATH: {
            uint16_t at = (uint16_t)(grid_place() % unit_bits);
            uint32_t limit;

            if (at + b >= unit_bits) {
                return;
            }
            limit = (uint32_t)(step + unit_bits - b - at) << 16;
            m->limit = limit;
            if (e->onset + e->length > limit) {
                e->length = limit > e->onset ? limit - e->onset : SHORTEST;
            }
            break;
        }
        case PLAYER_RULE_JOINED:
            if (m->running && m->last + 1U == step) {
                m->last = step;
                set_end(v, m, e->onset + e->length, 1);
                return;
            }
            m->running = 1;
            m->last = step;
            m->open = 0;
            e->waits = 1;
            e->lengthens = (uint8_t)(rule + 1U);
            e->start = e->onset;
            break;
        case PLAYER_RULE_HELD:
            hold(v, m, e, rule, c, a);
            break;
        case PLAYER_RULE_ECHOES:
            for (k = 1; k <= a; k++) {
                event echo = *e;

                echo.onset += k * c;
                echo.level = (uint8_t)(echo.level + k * b);
                pass_on(v, m, &echo, (uint8_t)(rule + 1U));
            }
            break;
        case PLAYER_RULE_REPEAT:
            e->length = (e->length + a / 2U) / a;
            for (k = 1; k < a; k++) {
                event again = *e;

                again.onset += k * e->length;
                again.level = (uint8_t)(again.level + k * b);
                pass_on(v, m, &again, (uint8_t)(rule + 1U));
            }
            break;
        default:
            break;
        }
    }
    finish(v, m, e);
}

/* ---- reading ---- */

static uint8_t sounds_at(uint8_t source, uint8_t unit_bits, uint8_t bit)
{
    switch (source) {
    case PLAYER_FROM_ONES:
        return (uint8_t)(bit == PLAYER_ONE);
    case PLAYER_FROM_ZEROS:
        return (uint8_t)(bit == PLAYER_ZERO);
    case PLAYER_FROM_UNKNOWN:
        return (uint8_t)(bit == PLAYER_UNKNOWN);
    case PLAYER_FROM_ROW_STARTS:
        return (uint8_t)(step == 0);
    case PLAYER_FROM_ROW_ENDS:
        return (uint8_t)(step == PLAYER_POSITIONS - 1);
    case PLAYER_FROM_UNIT_STARTS:
        return (uint8_t)(grid_place() % unit_bits == 0);
    default:
        return 1;
    }
}

static void walk_on(const player_lead *l, memory *m, uint8_t bit)
{
    uint16_t count = (uint16_t)PLAYER_READ16(&l->count);

    if (PLAYER_READ8(&l->by) != PLAYER_BY_WALK || bit > PLAYER_ONE) {
        return;
    }
    m->walk = (uint16_t)((m->walk + (uint16_t)(bit == PLAYER_ONE ? PLAYER_READ16(&l->up)
                                                                 : PLAYER_READ16(&l->down))) %
                         count);
}

/* Sound an event of one position, from a rule on. */
static void sound_event(uint8_t v, memory *m, uint8_t rule, uint8_t level)
{
    event e;

    e.onset = (uint32_t)step << 16;
    e.length = 0x10000UL;
    e.start = e.onset;
    e.level = level;
    e.waits = 0;
    e.lengthens = 0;
    pass_on(v, m, &e, rule);
}

static void sound_voice(uint8_t v, uint8_t bit)
{
    const player_voice *voice = &player_voices[v];
    memory *m = &memories[v];
    uint8_t first = (uint8_t)PLAYER_READ8(&voice->first_rule);
    uint8_t last = last_rule(v);
    uint8_t rule;

    walk_on(&voice->tone, m, bit);
    m->far = 0;
    if (sounds_at((uint8_t)PLAYER_READ8(&voice->source),
                  (uint8_t)PLAYER_READ8(&voice->unit_bits), bit)) {
        sound_event(v, m, first, 0);
    }
    for (rule = first; bit == PLAYER_ZERO && rule < last; rule++) {
        /* zeros that did not come so far sound from here on */
        if (PLAYER_READ8(&player_rules[rule].op) == PLAYER_RULE_GHOSTS && m->far <= rule) {
            sound_event(v, m, (uint8_t)(rule + 1U),
                        (uint8_t)PLAYER_READ16(&player_rules[rule].b));
        }
    }
    if (m->running && m->last != step) {
        m->running = 0;
        if (m->open) {
            notes[m->open - 1U].state = (uint8_t)(notes[m->open - 1U].state & ~WAITING);
        }
    }
}

static void see_bit(uint8_t bit)
{
    uint8_t v;

    history = (history << 1) | (bit == PLAYER_ONE);
    same = (uint8_t)(phase != IDLE && bit == before);
    run = same ? run + 1U : 0U;
    if (bit == PLAYER_ONE) {
        ones++;
    }
    for (v = 0; v < PLAYER_VOICES; v++) {
        sound_voice(v, bit);
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

static uint8_t is_across(uint8_t rule)
{
    return (uint8_t)(PLAYER_READ8(&player_rules[rule].op) == PLAYER_RULE_HELD &&
                     PLAYER_READ8(&player_rules[rule].a));
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
        if (!memories[v].open || !is_across(memories[v].rule)) {
            memories[v].open = 0;
        }
    }
    for (k = 0; k <= PLAYER_RULES; k++) {
        counters[k] = 0;
    }
}

static void decode_row(void);
static void decode_end(void);
static void begin_scroll(void);
static void scroll(void);

static void end_row(void)
{
    no_more_waiting();
    decode_row();
    row++;
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
        /* clock holes that nobody told of: as many as the time says, at least this one */
        uint32_t ahead = (gone + PLAYER_STEP_TICKS / 2) / PLAYER_STEP_TICKS;

        if (ahead < 1 || (phase == READING && ahead < 3)) {
            ahead = 1;
        }
        tick += ahead * PLAYER_STEP_TICKS;
        place = (uint16_t)((place + ahead) % PLAYER_POSITIONS);
    }
    gone = 0;
    gone_part = 0;
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

void player_disc_end(void)
{
    uint8_t v;

    if (phase == OVER) {
        return;
    }
    player_row_end();
    phase = OVER;
    for (v = 0; v < PLAYER_VOICES; v++) {
        /* what is held across rows ends with the last one */
        if (memories[v].open && is_across(memories[v].rule)) {
            notes[memories[v].open - 1U].off = tick + PLAYER_STEP_TICKS;
            soonest = tick;
        }
    }
    sound_until(tick + PLAYER_STEP_TICKS, 1);
    decode_end();
    begin_scroll();
}

void player_millisecond(void)
{
    uint32_t part = gone_part + tick_rate_part;

    if (gone < 0x20000000UL) {
        gone += tick_rate + (part < gone_part);
        gone_part = part;
    }
    if ((int32_t)(tick + gone - soonest) >= 0) {
        sound_until(tick + gone, 0);
    }
    if (phase == READING && gone >= 4UL * PLAYER_STEP_TICKS) {
        no_more_waiting();
    }
    if (gone >= PLAYER_STALL_TICKS && phase != OVER) {
        player_silence(); /* the disc stands still: let nothing hang */
    }
    if (phase == OVER) {
        scroll();
    }
}

void player_period(uint32_t microseconds)
{
    /* ticks a millisecond = ticks a position * 1000 / microseconds */
    uint32_t top = PLAYER_STEP_TICKS * 1000UL;
    uint32_t rest;
    uint8_t k;

    if (microseconds < 100) {
        return;
    }
    tick_rate = top / microseconds;
    rest = top % microseconds;
    tick_rate_part = 0;
    for (k = 0; k < 32; k++) {
        uint8_t over = (uint8_t)(rest >= 0x80000000UL);

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
        if ((notes[k].state & STATE) == SOUNDING) {
            send_off(&notes[k]);
        }
        if (notes[k].state != FREE) {
            let_go(k);
        }
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
    return (uint8_t)(phase != OVER || scrolling);
}

/* ---- decoding ---- */

static uint8_t text[PLAYER_TEXT];
static uint16_t text_length;
static uint16_t zeros; /* units of zeros that only count if something follows */
static uint16_t unit;
static uint8_t unit_count;
static uint8_t unit_known;
static uint8_t figures;
static uint8_t damaged;

#define LOST (PLAYER_ALPHABET == PLAYER_ALPHABET_UTF8 ? 255U : 0U)

#if PLAYER_CODED
static void append(uint8_t byte)
{
    if (byte == LOST) {
        damaged = 1;
    }
    if (text_length < PLAYER_TEXT) {
        text[text_length++] = byte;
    } else {
        damaged = 1;
    }
}

static void unit_in(uint8_t value, uint8_t known)
{
    if (known && value == 0) {
        zeros++;
        return;
    }
    for (; zeros; zeros--) {
        append(LOST);
    }
    if (!known) {
        append(LOST);
        return;
    }
#if PLAYER_ALPHABET == PLAYER_ALPHABET_ITA2
    if (value == 31 || value == 27) {
        figures = value == 27;
        return;
    }
    append((uint8_t)PLAYER_READ8(&player_alphabet[value + (figures ? 32 : 0)]));
#else
    append(value);
#endif
}
#endif

static void decode_row(void)
{
    uint16_t k;

    for (k = 0; k < PLAYER_POSITIONS; k++) {
        uint8_t mask = (uint8_t)(1U << (k & 7U));
        uint16_t bit = (row_bits[k >> 3] & mask) != 0;

        if (!(row_known[k >> 3] & mask)) {
            unit_known = 0;
        }
#if PLAYER_LOW_FIRST
        unit = (uint16_t)(unit | (bit << unit_count));
#else
        unit = (uint16_t)((unit << 1) | bit);
#endif
        unit_count++;
        if (unit_count == PLAYER_UNIT_BITS) {
#if PLAYER_CODED
            unit_in((uint8_t)unit, unit_known);
#endif
            unit = 0;
            unit_count = 0;
            unit_known = 1;
        }
    }
}

/* ---- the message scrolls ---- */

static uint16_t at_byte;
static uint16_t glyph_column; /* of the next column in player_letter_columns */
static uint8_t glyph_left;    /* columns of the letter that are still to come */
static uint8_t gap_left;
static uint16_t after_left;   /* dark columns after the last letter */
static uint32_t since;        /* milliseconds since the disc ended */
static uint32_t due;          /* when the next step is, and 65536ths of a millisecond */
static uint16_t due_part;

/* The next character; one that can't be read is PLAYER_NO_LETTER. */
static uint32_t next_character(void)
{
#if PLAYER_ALPHABET == PLAYER_ALPHABET_UTF8
    /* well-formed sequences only (RFC 3629); all else is one lost character a byte */
    uint8_t lead_byte = text[at_byte++];
    uint8_t more;
    uint8_t k;
    uint32_t point;

    if (lead_byte > 0 && lead_byte < 0x80) {
        return lead_byte;
    }
    if (lead_byte >= 0xC2 && lead_byte <= 0xDF) {
        more = 1;
        point = lead_byte & 0x1FU;
    } else if ((lead_byte & 0xF0U) == 0xE0U) {
        more = 2;
        point = lead_byte & 0x0FU;
    } else if (lead_byte >= 0xF0 && lead_byte <= 0xF4) {
        more = 3;
        point = lead_byte & 0x07U;
    } else {
        return PLAYER_NO_LETTER;
    }
    if (at_byte + more > text_length) {
        return PLAYER_NO_LETTER;
    }
    for (k = 0; k < more; k++) {
        uint8_t tail = text[at_byte + k];

        if ((tail & 0xC0U) != 0x80U) {
            return PLAYER_NO_LETTER;
        }
        point = (point << 6) | (tail & 0x3FU);
    }
    if ((more == 2 && (point < 0x800UL || (point >= 0xD800UL && point <= 0xDFFFUL))) ||
        (more == 3 && (point < 0x10000UL || point > 0x10FFFFUL))) {
        return PLAYER_NO_LETTER;
    }
    at_byte = (uint16_t)(at_byte + more);
    return point;
#else
    uint8_t byte = text[at_byte++];

    return byte ? byte : PLAYER_NO_LETTER;
#endif
}

static void next_letter(void)
{
    uint32_t point = next_character();
    uint16_t low = 0;
    uint16_t high = PLAYER_LETTERS;

    if (point == '\t' || point == '\n' || point == '\r') {
        point = ' ';
    }
    while (low < high) {
        uint16_t middle = (uint16_t)((low + high) / 2);

        if (PLAYER_READ16(&player_letter_codes[middle]) < point) {
            low = (uint16_t)(middle + 1U);
        } else {
            high = middle;
        }
    }
    if (low < PLAYER_LETTERS && PLAYER_READ16(&player_letter_codes[low]) != point) {
        low = PLAYER_LETTERS; /* the box */
    }
    glyph_column = (uint16_t)PLAYER_READ16(&player_letter_starts[low]);
    glyph_left =
        (uint8_t)(PLAYER_READ16(&player_letter_starts[low + 1U]) - glyph_column);
}

static void decode_end(void)
{
    uint8_t state = PLAYER_GOOD;

    at_byte = 0;
    while (at_byte < text_length) {
        if (next_character() == PLAYER_NO_LETTER) {
            damaged = 1;
        }
    }
    if (text_length == 0) {
        state = PLAYER_EMPTY;
    } else if (damaged) {
        state = PLAYER_DAMAGED;
    }
    player_message(text, text_length, state);
}

static void begin_scroll(void)
{
    scrolling = (uint8_t)(text_length > 0);
    at_byte = 0;
    glyph_left = 0;
    gap_left = 0;
    after_left = PLAYER_WIDTH;
    since = 0;
    due = PLAYER_PAUSE_MS;
    due_part = PLAYER_PAUSE_PART;
}

static void step_left(void)
{
    uint16_t x;
    uint16_t y;
    uint8_t has = 0;

    while (!glyph_left && !gap_left && at_byte < text_length) {
        next_letter();
    }
    for (y = 0; y < PLAYER_HEIGHT; y++) {
        uint16_t line = (uint16_t)(y * PLAYER_WIDTH);
        uint8_t lit = 0;

        for (x = 0; x + 1U < PLAYER_WIDTH; x++) {
            light((uint16_t)(line + x), scrolling == 1 ? 0 : is_lit((uint16_t)(line + x + 1U)));
        }
        if (glyph_left && (uint16_t)(y - PLAYER_LETTER_TOP) < PLAYER_LETTER_HEIGHT) {
            uint16_t down = (uint16_t)(y - PLAYER_LETTER_TOP);
            uint32_t at = (uint32_t)glyph_column * PLAYER_LETTER_BYTES + down / 8U;

            lit = (uint8_t)((PLAYER_READ8(&player_letter_columns[at]) >> (down & 7U)) & 1U);
        }
        light((uint16_t)(line + x), lit);
    }
    scrolling = 2;
    if (glyph_left) {
        has = 1;
        glyph_left--;
        glyph_column++;
        if (!glyph_left && at_byte < text_length) {
            gap_left = PLAYER_LETTER_GAP;
        }
    } else if (gap_left) {
        has = 1;
        gap_left--;
    }
    if (!has && --after_left == 0) {
        scrolling = 0;
    }
}

static void scroll(void)
{
    since++;
    while (scrolling && (since > due || (since == due && due_part == 0))) {
        uint32_t part = (uint32_t)due_part + PLAYER_COLUMN_PART;

        step_left();
        due += PLAYER_COLUMN_MS + (part >> 16);
        due_part = (uint16_t)part;
    }
}

/* ---- start ---- */

void player_start(void)
{
    uint16_t k;

    player_silence();
    wipe(0, PLAYER_LAMPS, PLAYER_LAMPS);
    for (k = 0; k < PLAYER_VOICES; k++) {
        memories[k].walk = 0;
        memories[k].open = 0;
        memories[k].running = 0;
        memories[k].led = 0;
    }
    tick = 0;
    gone = 0;
    gone_part = 0;
    soonest = 0;
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
    text_length = 0;
    zeros = 0;
    unit = 0;
    unit_count = 0;
    unit_known = 1;
    figures = 0;
    damaged = 0;
    scrolling = 0;
    tick_rate = PLAYER_TICK_RATE;
    tick_rate_part = PLAYER_TICK_RATE_PART;
    for (k = 0; PLAYER_READ8(&player_opening[k]) != 255; k++) {
        player_send((uint8_t)PLAYER_READ8(&player_opening[k]));
    }
}
