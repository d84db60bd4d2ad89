/* Lamps of the Uno and Nano on D3, D5, D6 and D11: 8 bits by Timer0 and Timer2, four more by dither.
 *
 * Both timers run in step at clock/8: 256 steps of 0.5 us, 7812 periods a second. Sixteen periods make a
 * cycle of 488 Hz, in which `fraction` of them are one step longer. The order of the sixteen is bit-reversed,
 * which spreads them evenly.
 *
 * The outputs are set at the match and cleared at the bottom ("inverted"), because only then is a compare
 * value of 255 really dark: the other way round the darkest pulse still has one step. A lamp lit when low
 * uses the opposite mode with the same numbers. The brightest is 255 of 256 steps.
 */
#include "board.h"

#if defined(__AVR_ATmega328P__)

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <util/delay.h>

#define PHASES 16u
#define CHANNELS 4u

typedef struct {
  uint8_t dark;     /* steps of 256 before the match */
  uint8_t fraction; /* of the sixteen periods, so many have one less */
} light;

static light lights[CHANNELS]; /* OC0A, OC0B, OC2A, OC2B */
static uint8_t phase;

/* dark - (turn < fraction), in two instructions that C has no words for */
static inline __attribute__((always_inline)) uint8_t steps(const light *of, uint8_t turn) {
  uint8_t n = of->dark;
  __asm__("cp %1, %2\n\tsbc %0, __zero_reg__" : "+r"(n) : "r"(turn), "r"(of->fraction));
  return n;
}

ISR(TIMER0_OVF_vect) {
  static const uint8_t order[PHASES] PROGMEM = {0, 8, 4, 12, 2, 10, 6, 14, 1, 9, 5, 13, 3, 11, 7, 15};
  uint8_t turn = pgm_read_byte(&order[phase]);
  phase = (uint8_t)((phase + 1u) & (PHASES - 1u));
  OCR0A = steps(&lights[0], turn);
  OCR0B = steps(&lights[1], turn);
  OCR2A = steps(&lights[2], turn);
  OCR2B = steps(&lights[3], turn);
}

void lamps_start(void) {
  uint8_t i;
  for (i = 0; i < CHANNELS; i++) lights[i].dark = 255;
  GTCCR = _BV(TSM) | _BV(PSRASY) | _BV(PSRSYNC); /* both prescalers wait */
  TCCR0A = TCCR2A = 0;                           /* so that the compare values take effect at once */
  TCNT0 = TCNT2 = 0;
  OCR0A = OCR0B = OCR2A = OCR2B = 255;
  ASSR = 0;
  TCCR0A = _BV(WGM01) | _BV(WGM00);
  TCCR2A = _BV(WGM21) | _BV(WGM20);
  TCCR0B = _BV(CS01);
  TCCR2B = _BV(CS21);
  GTCCR = 0;
}

static uint8_t channel_of(uint8_t pin) {
  switch (pin) {
    case 6: return 0;
    case 5: return 1;
    case 11: return 2;
    case 3: return 3;
    default: return CHANNELS;
  }
}

/* The two bits of a channel's output mode (COMnx), and where they stand. */
static volatile uint8_t *control(uint8_t channel) { return channel & 2u ? &TCCR2A : &TCCR0A; }
static uint8_t bits(uint8_t channel) { return channel & 1u ? 0x30 : 0xC0; }

uint8_t lamps_use_pin(uint8_t pin, uint8_t lit_when_low) {
  uint8_t channel = channel_of(pin);
  if (channel == CHANNELS) return 0;
  /* clear at match, or set at match */
  *control(channel) |= (uint8_t)(bits(channel) & (lit_when_low ? 0xA0 : 0xF0));
  _delay_us(300); /* two periods: the output has the level of "dark" before the pin is driven */
  pin_output(pin, 0);
  TIMSK0 = _BV(TOIE0);
  return 1;
}

void lamps_free_pin(uint8_t pin) {
  uint8_t channel = channel_of(pin);
  lamps_set(pin, 0);
  if (channel != CHANNELS) *control(channel) &= (uint8_t)~bits(channel);
}

uint8_t lamps_has_pin(uint8_t pin) {
  uint8_t channel = channel_of(pin);
  return channel == CHANNELS ? 0 : (uint8_t)(*control(channel) & bits(channel));
}

void lamps_set(uint8_t pin, uint16_t duty) {
  uint8_t channel = channel_of(pin);
  uint8_t sreg = SREG;
  if (channel == CHANNELS) return;
  if (duty > 4080u) duty = 4080u;
  cli();
  lights[channel].dark = (uint8_t)(255u - (duty >> 4));
  lights[channel].fraction = (uint8_t)(duty & 15u);
  IN_ORDER();
  SREG = sreg;
}

#endif
