/* A whole machine around the core: what each state does, and the main loop. See player_hardware.h.
 * The interrupt and the main loop share single bytes, two rings that one side fills and the other
 * empties, and what is only written while the other does not look. */

#include "player.h"
#include "player_hardware.h"

#include "player_detectors.inc"
#include "player_drivers.inc"

void player_machine_sample(void)
{
    samples++;
    look();
    drive_stage();
    send_midi();
}

/* ---- states: in the main loop ---- */

static uint8_t state;
static uint8_t error;
static uint8_t part;        /* of a state */
static uint16_t state_ms;   /* how long it has been so */
static uint16_t positions;  /* of this row, or turn */
static uint16_t rows_left;
static uint8_t index_next;  /* the index was seen: the next position is the first */
static uint32_t turn_began; /* in samples */
static uint32_t next_ms;    /* when the next millisecond is due, in microseconds */

/* How long a turn lasts, in milliseconds; a quarter more, for motors that are slow. */
#define TURN_MS ((uint16_t)((PLAYER_POSITION_MS + 1U) * PLAYER_POSITIONS * 5U / 4U < 60000U \
                     ? (PLAYER_POSITION_MS + 1U) * PLAYER_POSITIONS * 5U / 4U : 60000U))
#define SPIN_UP_MS 1500U

uint8_t player_machine_state(void)
{
    return state;
}

uint8_t player_machine_error(void)
{
    return error;
}

static void become(uint8_t next)
{
    state = next;
    part = 0;
    state_ms = 0;
    positions = 0;
    index_next = 0;
}

static void fail(uint8_t why)
{
    error = why;
    player_silence();
    player_hw_motor(0);
    become(PLAYER_ERROR);
}

static void stop(void)
{
    player_silence();
    player_hw_motor(0);
    error = PLAYER_NO_ERROR;
    become(PLAYER_IDLE);
}

/* Off the home switch, back onto it, and to the first row. All rows are reached in this direction,
 * so that the stage's backlash is taken up once and for all. */
static void go_home(void)
{
    if (stage_moves) {
        return;
    }
    switch (part) {
    case 0:
        move_stage(1, (uint16_t)(player_hw_is_home() ? 2U * PLAYER_BACKLASH + SLOW_STEPS : 0U), 0);
        break;
    case 1:
        move_stage(-1, PLAYER_MOST_STEPS, 1);
        break;
    case 2:
        if (!player_hw_is_home()) {
            fail(PLAYER_NO_HOME);
            return;
        }
        move_stage(1, PLAYER_BACKLASH + PLAYER_STEPS_TO_FIRST, 0);
        break;
    default:
        player_hw_motor(1);
        become(PLAYER_CALIBRATE);
        return;
    }
    part++;
}

static void calibrate(void)
{
    if (part == 0 && state_ms > SPIN_UP_MS) {
        forget_extremes(&clock_row);
        forget_extremes(&data_row);
        levels_are = LEARN;
        part = 1;
        state_ms = 0;
    } else if (part == 1 && state_ms > TURN_MS) {
        if (clock_row.lowest > clock_row.highest ||
            (uint16_t)(clock_row.highest - clock_row.lowest) < LEAST_SPAN) {
            fail(PLAYER_NO_CLOCK);
            return;
        }
        levels_are = LEARNED;
        part = 2; /* trust in the period grows; then a turn is measured */
        state_ms = 0;
        positions = 0;
    } else if (part >= 2 && state_ms > 5000U + 2U * (TURN_MS / 2U)) {
        if (positions == 0) {
            fail(PLAYER_NO_CLOCK);
        } else if (part == 2 || state_ms > 10000U + 3U * (TURN_MS / 2U)) {
            fail(PLAYER_NO_INDEX);
        }
    }
}

static void begin_reading(uint32_t turn)
{
    player_start();
    player_period((uint32_t)((uint64_t)turn * PLAYER_SAMPLE_US / PLAYER_POSITIONS));
    rows_left = PLAYER_DISC_ROWS;
    become(PLAYER_READ);
}

/* A position while a turn is measured. */
static void measure(uint32_t time)
{
    if (part == 2) {
        positions++;
#if PLAYER_INDEX
        if (index_next && trust >= SURE) {
#else
        if (positions > 2U * SURE && trust >= SURE) {
#endif
            part = 3;
            positions = 0;
            turn_began = time;
            index_next = 0;
        }
        return;
    }
    positions++;
#if PLAYER_INDEX
    if (!index_next) {
        return;
    }
    index_next = 0;
    if (positions != PLAYER_POSITIONS) {
        fail(PLAYER_WRONG_COUNT);
        return;
    }
#endif
    if (positions == PLAYER_POSITIONS) {
        uint32_t turn = time - turn_began;

        begin_reading(turn);
#if PLAYER_INDEX
        index_next = 1; /* this very position is the first of a row */
#endif
    }
}

static void end_row(void)
{
    player_row_end();
    positions = 0;
    part = 0;
    index_next = 0;
    if (--rows_left) {
        move_stage(1, PLAYER_STEPS_PER_ROW, 0);
        return;
    }
    player_disc_end();
    player_hw_motor(0);
    become(PLAYER_SCROLL);
}

/* A position of the disc: part 0 waits for the row to begin, part 1 reads it. */
static void read_position(uint8_t bit)
{
    if (part == 1 && index_next) {
        end_row(); /* a clock hole was missed: the row is over before its last position */
    }
    if (state != PLAYER_READ) {
        return;
    }
    if (part == 0 && !stage_moves && (!PLAYER_INDEX || index_next)) {
        part = 1;
    }
    index_next = 0;
    state_ms = 0;
    if (part == 0) {
        player_position(PLAYER_NOT_READ);
        return;
    }
    player_position(bit);
    if (++positions == PLAYER_POSITIONS) {
        end_row();
    }
}

static void take_event(uint8_t what, uint32_t time)
{
    if (what < POSITION) {
        /* from the edge on that begins the first position */
        if (state == PLAYER_READ ||
            (state == PLAYER_CALIBRATE && part == 3 && positions + 1U >= PLAYER_POSITIONS)) {
            log_edge(time * PLAYER_SAMPLE_US, what & OF_DATA, what & UP);
        }
    } else if (what == INDEX) {
        index_next = 1;
    } else {
        if (state == PLAYER_CALIBRATE && part >= 2) {
            measure(time);
        }
        if (state == PLAYER_READ) {
            player_since((uint16_t)(time * PLAYER_SAMPLE_US - (next_ms - 1000U)));
            read_position((uint8_t)(what - POSITION));
        } else {
            index_next = 0;
        }
    }
}

/* The test of the lamps: all of them for a second, none for half a second, then one after the other
 * along the strip, a fifth of a second each. */
static void test_lamps(void)
{
    uint16_t lamp;
    uint16_t which = 0xFFFEU;

    if (state_ms >= 1500U) {
        which = (uint16_t)((state_ms - 1500U) / 200U + positions);
        if (state_ms >= 31500U) {
            positions = (uint16_t)(positions + 150U);
            state_ms = 1500U;
        }
        if ((state_ms - 1500U) % 200U) {
            return;
        }
    } else if (state_ms != 1U && state_ms != 1000U) {
        return;
    }
    for (lamp = 0; lamp < PLAYER_LAMPS; lamp++) {
        uint16_t number = player_strip_of(lamp);

        if (state_ms == 1U || number == which || number + 1U == which || state_ms == 1000U) {
            show_level(lamp, own_colour, state_ms == 1U || number == which ? 255U : 0U);
        }
    }
    if (which != 0xFFFEU && which >= PLAYER_STRIP) {
        become(PLAYER_IDLE);
    }
}

static void millisecond(void)
{
    if (state_ms < 0xFFFFU) {
        state_ms++;
    }
    if (unsent_ms < 0xFFFFU) {
        unsent_ms++;
    }
    switch (state) {
    case PLAYER_HOMING:
        go_home();
        break;
    case PLAYER_CALIBRATE:
        calibrate();
        break;
    case PLAYER_READ:
        player_millisecond();
        if (state_ms > TURN_MS / 2U + 3000U) {
            fail(PLAYER_NO_CLOCK);
        }
        break;
    case PLAYER_SCROLL:
        player_millisecond();
        if (!player_busy()) {
            stop();
        }
        break;
    case PLAYER_TEST:
        test_lamps();
        break;
    default:
        break;
    }
}

static void press_button(uint8_t what)
{
    if (what == 0) {
        return;
    }
    if (state != PLAYER_IDLE) {
        stop();
    } else if (what == 2) {
        become(PLAYER_TEST);
    } else {
        log_in = log_out;
        log_words("time_us,channel,value\n");
        running = 0;
        become(PLAYER_HOMING);
    }
}

void player_machine_work(void)
{
    uint32_t now = samples;

    while (now != samples) {
        now = samples; /* until no interrupt comes in between */
    }
    now *= PLAYER_SAMPLE_US;
    press_button(player_hw_button());
    for (;;) {
        uint8_t has = (uint8_t)(event_out != event_in);

        if (has && (int32_t)(events[event_out].time * PLAYER_SAMPLE_US - next_ms) < 0) {
            event first = events[event_out];

            event_out = (uint8_t)((event_out + 1U) % EVENTS);
            take_event(first.what, first.time);
        } else if ((int32_t)(now - next_ms) >= 0) {
            next_ms += 1000U;
            millisecond();
        } else {
            break;
        }
        send_log();
    }
    send_log();
    player_hw_rest();
}
