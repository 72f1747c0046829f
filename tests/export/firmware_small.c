/* For a small chip in a simulator: plays a disc in the core's own time, as fast as it goes, and
 * prints its bytes (M), the message (T) and how deep the stack went (S). */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "player.h"

#include "disc.h"

#define PATTERN 0xA5
#define UNTIL(time) for (; (time) >= 65536UL; (time) -= 65536UL) player_millisecond()

static const __flash uint8_t bits[] = BITS;
extern uint8_t _end;

void paint(void) __attribute__((naked, used, section(".init1")));
void paint(void)
{
    __asm__ volatile("ldi r30, lo8(_end)\n ldi r31, hi8(_end)\n ldi r24, 0xa5\n"
                     "ldi r25, hi8(0x08ff)\n1: st Z+, r24\n cpi r30, lo8(0x08ff)\n"
                     "cpc r31, r25\n brlo 1b\n");
}

static void put(uint8_t c)
{
    while (!(UCSR0A & (1 << UDRE0))) {
    }
    UDR0 = c;
}

static void number(uint8_t n)
{
    uint8_t high = n >> 4;
    uint8_t low = n & 15;

    put((uint8_t)(high + (high < 10 ? '0' : 'A' - 10)));
    put((uint8_t)(low + (low < 10 ? '0' : 'A' - 10)));
}

void player_set_lamp(uint16_t lamp, uint8_t level)
{
    (void)lamp;
    (void)level;
}

void player_send(uint8_t byte)
{
    put('M');
    number(byte);
    put('\n');
}

void player_message(const uint8_t *text, uint16_t length, uint8_t state)
{
    put('T');
    number(state);
    put(' ');
    while (length--) {
        put(*text++);
    }
    put('\n');
}

int main(void)
{
    uint32_t time = 0;
    uint32_t at = 0;
    uint16_t row;
    uint16_t p;
    const uint8_t *top = &_end;

    UBRR0 = 0;
    UCSR0A = 1 << U2X0;
    UCSR0B = 1 << TXEN0;
    player_start();
    for (row = 0; row < ROWS; row++) {
        for (p = 0; p < PLAYER_POSITIONS + (row + 1 < ROWS ? PLAYER_GAP : 0); p++) {
            UNTIL(time);
            if (p < PLAYER_POSITIONS) {
                player_position((uint8_t)(bits[at >> 3] >> (at & 7) & 1));
                at++;
            } else {
                player_position(PLAYER_NOT_READ);
            }
            time += PLAYER_POSITION_MS * 65536UL + PLAYER_POSITION_PART;
            if (p == PLAYER_POSITIONS - 1) {
                player_row_end();
            }
        }
    }
    UNTIL(time);
    player_disc_end();
    for (time = 0; time < MESSAGE_MS && player_busy(); time++) {
        player_millisecond();
    }
    while (*top == PATTERN) {
        top++;
    }
    put('S');
    p = (uint16_t)(0x08ff - (uint16_t)top);
    number((uint8_t)(p >> 8));
    number((uint8_t)p);
    put('\n');
    cli();
    sleep_mode();
    return 0;
}
