/* A machine in the world: a motor that spins up, a disc with holes, two spots of light, noise, a
 * stage with play between its screw and its nut, and a line that takes a byte every 320
 * microseconds. It knows physics alone: levels come from how much of a spot a hole lets through
 * (`profile` in bench_disc.h, by the square of the distance between their middles).
 *
 * Time is its own: each rest() of the machine is one sample. It prints M time byte (MIDI), L char
 * (log), S time state error, T state text (message), W lamp number and its bytes. */
#include "player.h"
#include "player_hardware.h"

#include "bench_disc.h"

#ifdef __AVR__
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#define FAR __flash

static void put(char c)
{
    while (!(UCSR0A & (1 << UDRE0))) {
    }
    UDR0 = (uint8_t)c;
}
#else
#include <stdio.h>
#define FAR

static void put(char c)
{
    putchar(c);
}
#endif

static const FAR uint8_t profile[256] = BENCH_PROFILE;
static const FAR uint8_t bits[] = BENCH_BITS;

static uint32_t now;       /* in samples */
static uint16_t position;  /* of the disc ... */
static uint32_t between;   /* ... and 2^-24ths of the way to the next */
static uint32_t speed;     /* 2^-24ths of a position a sample */
static uint8_t motor;
static int16_t screw = 35; /* steps */
static int16_t nut = 40;
static uint32_t line_free; /* microseconds, when the MIDI line has sent all */
static uint32_t random_bits = 1;

static void number(uint32_t n)
{
    char digits[10];
    uint8_t count = 0;

    do {
        digits[count++] = (char)('0' + (char)(n % 10U));
        n /= 10U;
    } while (n);
    while (count) {
        put(digits[--count]);
    }
}

static uint16_t noisy(uint16_t dark, uint16_t bright, uint8_t through)
{
    int32_t level = (int32_t)dark + (int32_t)(bright - dark) * through / 255;

    random_bits = (uint32_t)(random_bits * UINT32_C(1664525) + UINT32_C(1013904223));
    level += (int32_t)(random_bits >> 24) * BENCH_NOISE / 128 - BENCH_NOISE;
    return (uint16_t)(level < 0 ? 0 : level > 1023 ? 1023 : level);
}

/* Light through a hole whose middle is so far away; 1024 is where nothing comes through. */
static uint8_t through(int32_t along, int32_t across)
{
    uint32_t square = (uint32_t)(along * along) + (uint32_t)(across * across);

    return square >= UINT32_C(1) << 20 ? 0 : profile[square >> 12];
}

static int32_t arc(uint32_t share, uint32_t pitch)
{
    return (int32_t)((share >> 8) * pitch >> 16);
}

static uint8_t has_clock_hole(uint16_t k)
{
#if PLAYER_INDEX && PLAYER_INDEX_BY == PLAYER_INDEX_MISSING
    return (uint8_t)(k % PLAYER_POSITIONS != PLAYER_POSITIONS - 1U);
#else
    (void)k;
    return 1;
#endif
}

uint16_t player_hw_clock(void)
{
    uint16_t k = (uint16_t)(position + (between >= UINT32_C(1) << 23));
    uint32_t share = between >= UINT32_C(1) << 23 ? (UINT32_C(1) << 24) - between : between;
    uint8_t light = has_clock_hole(k) ? through(arc(share, BENCH_CLOCK_PITCH), 0) : 0;

#if PLAYER_INDEX && PLAYER_INDEX_BY == PLAYER_INDEX_DOUBLE
    if (position == PLAYER_POSITIONS - 1U) {
        uint32_t half = between >= UINT32_C(1) << 23 ? between - (UINT32_C(1) << 23) : (UINT32_C(1) << 23) - between;
        uint8_t more = through(arc(half, BENCH_CLOCK_PITCH), 0);

        light = more > light ? more : light;
    }
#endif
    return noisy(BENCH_CLOCK_DARK, BENCH_CLOCK_BRIGHT, light);
}

uint16_t player_hw_data(void)
{
    uint16_t k = (uint16_t)((position + (between >= UINT32_C(1) << 23)) % PLAYER_POSITIONS);
    uint32_t share = between >= UINT32_C(1) << 23 ? (UINT32_C(1) << 24) - between : between;
    int16_t place = (int16_t)(nut - BENCH_FIRST + BENCH_STEPS / 2);
    int16_t row = (int16_t)(place < 0 ? -1 : place / BENCH_STEPS);
    int32_t across = (int32_t)(place - row * BENCH_STEPS - BENCH_STEPS / 2) * BENCH_STEP;
    uint8_t light = 0;

    if (row >= 0 && row < BENCH_ROWS) {
        uint32_t at = (uint32_t)row * PLAYER_POSITIONS + k;

        if (bits[at >> 3] >> (at & 7U) & 1U) {
            light = through(arc(share, BENCH_DATA_PITCH), across);
        }
    }
    return noisy(BENCH_DATA_DARK, BENCH_DATA_BRIGHT, light);
}

uint8_t player_hw_index(void)
{
    return (uint8_t)(position == PLAYER_POSITIONS - 1U && between > UINT32_C(5) << 21 && between < UINT32_C(7) << 21);
}

uint8_t player_hw_midi(uint8_t byte)
{
    uint32_t us = now * PLAYER_SAMPLE_US;

    if ((int32_t)(line_free - us) > 320) {
        return 0; /* one byte is being sent and another waits */
    }
    line_free = ((int32_t)(line_free - us) > 0 ? line_free : us) + 320U;
    put('M');
    number(us);
    put(' ');
    number(byte);
    put('\n');
    return 1;
}

uint8_t player_hw_log(char byte)
{
    put('L');
    put(byte == '\n' ? '|' : byte);
    put('\n');
    return 1;
}

void player_hw_step(int8_t way)
{
    screw = (int16_t)(screw + way);
    if (nut < screw) {
        nut = screw;
    }
    if (nut > screw + BENCH_PLAY) {
        nut = (int16_t)(screw + BENCH_PLAY);
    }
}

uint8_t player_hw_is_home(void)
{
    return (uint8_t)(BENCH_HAS_HOME && nut <= 0);
}

void player_hw_motor(uint8_t on)
{
    motor = on;
}

void player_hw_lamp(uint16_t lamp, const uint8_t *bytes)
{
#if BENCH_LAMPS
    uint8_t k;

    put('W');
    number(lamp);
    for (k = 0; k < PLAYER_CHANNELS; k++) {
        put(' ');
        number(bytes[k]);
    }
    put('\n');
#else
    (void)lamp;
    (void)bytes;
#endif
}

uint8_t player_hw_button(void)
{
    static uint8_t pressed;
    uint8_t what = pressed ? 0 : BENCH_BUTTON;

    pressed = 1;
    return what;
}

void player_message(const uint8_t *text, uint16_t length, uint8_t state)
{
    put('T');
    number(state);
    put(' ');
    while (length--) {
        put((char)*text++);
    }
    put('\n');
}

void player_hw_rest(void)
{
    uint32_t full = BENCH_SPEED;

#if BENCH_WOW
    {
        /* speeds up and slows down, twice a turn or so */
        uint32_t wave = now % 8192U;

        full += full / 65536U * (wave < 4096U ? wave : 8191U - wave) * BENCH_WOW / 100U / 2U;
    }
#endif
    if (motor && speed < full) {
        speed += BENCH_SPEED / 3000U + 1U;
    }
    if (motor ? speed > full : speed > 0) {
        speed = motor ? full : speed - (speed < 3000U ? speed : speed / 2048U + 1U);
    }
    between += speed;
    if (between >= UINT32_C(1) << 24) {
        between -= UINT32_C(1) << 24;
        position = (uint16_t)((position + 1U) % PLAYER_POSITIONS);
    }
    now++;
    player_machine_sample();
}

int main(void)
{
    uint8_t before = 255;
    uint8_t begun = 0;

#ifdef __AVR__
    UBRR0 = 0;
    UCSR0A = 1 << U2X0;
    UCSR0B = 1 << TXEN0;
#endif
    while (!begun || (player_machine_state() != PLAYER_IDLE && player_machine_state() != PLAYER_ERROR)) {
        player_machine_work();
        if (player_machine_state() != before) {
            before = player_machine_state();
            begun = 1;
            put('S');
            number(now * PLAYER_SAMPLE_US);
            put(' ');
            number(before);
            put(' ');
            number(player_machine_error());
            put('\n');
        }
    }
    for (before = 0; before < 200; before++) {
        player_hw_rest(); /* what waits for the line */
    }
    put('E');
    put('\n');
#ifdef __AVR__
    cli();
    sleep_mode();
#endif
    return 0;
}
