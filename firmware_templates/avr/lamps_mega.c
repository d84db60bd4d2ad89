/* Lamps of the Mega on D2, D3, D5 to D8 and D44 to D46: 12 bits by Timers 3, 4 and 5, with no interrupt.
 *
 * The timers count to 4095 at clock/8: 488 periods a second, as on the Uno. The outputs are set at the match and
 * cleared at the bottom ("inverted"), because only then is a compare value of 4095 really dark; a lamp lit when
 * low uses the opposite mode with the same numbers.
 */
#include "board.h"

#if defined(__AVR_ATmega2560__)

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <util/delay.h>

#define TOP 4095u
#define DARK TOP

/* A timer's registers, from the address of its TCCRnA. */
#define CONTROL_B 1u
#define COUNTER 4u
#define HIGHEST 6u
#define COMPARE_A 8u /* B and C follow, two bytes each */

typedef struct {
  uint8_t pin;
  uint16_t timer; /* the address of TCCRnA */
  uint8_t output; /* 0 = A, 1 = B, 2 = C */
} channel;

static const channel channels[] PROGMEM = {
    {5, _SFR_MEM_ADDR(TCCR3A), 0},  {2, _SFR_MEM_ADDR(TCCR3A), 1},  {3, _SFR_MEM_ADDR(TCCR3A), 2},
    {6, _SFR_MEM_ADDR(TCCR4A), 0},  {7, _SFR_MEM_ADDR(TCCR4A), 1},  {8, _SFR_MEM_ADDR(TCCR4A), 2},
    {46, _SFR_MEM_ADDR(TCCR5A), 0}, {45, _SFR_MEM_ADDR(TCCR5A), 1}, {44, _SFR_MEM_ADDR(TCCR5A), 2},
};

/* Writes a 16-bit register of a timer: all of them share one byte of memory for the upper half. */
static void put(uint8_t *at, uint16_t value) {
  uint8_t sreg = SREG;
  cli();
  *(volatile uint16_t *)(void *)at = value;
  SREG = sreg;
}

void lamps_start(void) {
  static const uint16_t timers[] PROGMEM = {_SFR_MEM_ADDR(TCCR3A), _SFR_MEM_ADDR(TCCR4A), _SFR_MEM_ADDR(TCCR5A)};
  uint8_t i;
  for (i = 0; i < 3; i++) {
    uint8_t *timer = (uint8_t *)pgm_read_word(&timers[i]), output;
    *(volatile uint8_t *)timer = 0; /* so that the compare values take effect at once */
    ((volatile uint8_t *)timer)[CONTROL_B] = 0;
    put(timer + COUNTER, 0);
    put(timer + HIGHEST, TOP);
    for (output = 0; output < 3; output++) put(timer + COMPARE_A + 2u * output, DARK);
    *(volatile uint8_t *)timer = _BV(WGM31);
    ((volatile uint8_t *)timer)[CONTROL_B] = _BV(WGM33) | _BV(WGM32) | _BV(CS31);
  }
}

/* The channel of a pin; its timer is 0 when the pin cannot dim. */
static channel channel_of(uint8_t pin) {
  channel found = {0, 0, 0};
  uint8_t i;
  for (i = 0; i < sizeof channels / sizeof *channels; i++) {
    if (pgm_read_byte(&channels[i].pin) == pin) memcpy_P(&found, &channels[i], sizeof found);
  }
  return found;
}

/* COMnx of an output: 3 = set at the match, 2 = cleared, 0 = an ordinary pin. */
static void mode(const channel *c, uint8_t bits) {
  volatile uint8_t *control = (volatile uint8_t *)c->timer;
  uint8_t shift = (uint8_t)(6u - 2u * c->output);
  *control = (uint8_t)((*control & (uint8_t)~(3u << shift)) | (uint8_t)(bits << shift));
}

uint8_t lamps_use_pin(uint8_t pin, uint8_t lit_when_low) {
  channel c = channel_of(pin);
  if (c.timer == 0) return 0;
  mode(&c, lit_when_low ? 2 : 3);
  _delay_ms(4.2); /* two periods: the output has the level of "dark" before the pin is driven */
  pin_output(pin, 0);
  return 1;
}

void lamps_free_pin(uint8_t pin) {
  channel c = channel_of(pin);
  lamps_set(pin, 0);
  if (c.timer) mode(&c, 0);
}

uint8_t lamps_has_pin(uint8_t pin) {
  channel c = channel_of(pin);
  return c.timer ? (uint8_t)(*(volatile uint8_t *)c.timer & (uint8_t)(0xC0u >> (2u * c.output))) : 0;
}

void lamps_set(uint8_t pin, uint16_t duty) {
  channel c = channel_of(pin);
  if (c.timer) put((uint8_t *)c.timer + COMPARE_A + 2u * c.output, (uint16_t)(TOP - duty));
}

#endif
