/* Lamps on the four outputs of Timer0 and Timer2 (their pins stand in chip.h): 8 bits by the timer, four more by dither.
 *
 * Both timers run in step at clock/8: 256 steps of 0.5 us, 7812 periods a second. Sixteen periods make a
 * cycle of 488 Hz, in which `frac` of them are one step longer. The order of the sixteen is bit-reversed,
 * which spreads them evenly.
 *
 * The outputs are set at the match and cleared at the bottom ("inverted"), because only then is a compare
 * value of 255 really dark: the other way round the darkest pulse still has one step. A lamp lit when low
 * uses the opposite mode with the same numbers. The brightest is 255 of 256 steps.
 */
#include "board.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <util/delay.h>

#define PHASES 16u
#define CHANNELS 4u

static uint8_t compare[PHASES * CHANNELS]; /* by phase, then OCR0A, OCR0B, OCR2A, OCR2B */
static uint8_t phase;

ISR(TIMER0_OVF_vect) {
  uint8_t at = phase;
  const uint8_t *row = &compare[at];
  phase = (uint8_t)((at + CHANNELS) & (PHASES * CHANNELS - 1u));
  OCR0A = row[0];
  OCR0B = row[1];
  OCR2A = row[2];
  OCR2B = row[3];
}

void lamps_start(void) {
  uint8_t i;
  for (i = 0; i < PHASES * CHANNELS; i++) compare[i] = 255;
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
    case CHIP_LAMP_0A: return 0;
    case CHIP_LAMP_0B: return 1;
    case CHIP_LAMP_2A: return 2;
    case CHIP_LAMP_2B: return 3;
    default: return CHANNELS;
  }
}

uint8_t lamps_use_pin(uint8_t pin, uint8_t lit_when_low) {
  uint8_t mode = lit_when_low ? 2 : 3; /* COM bits: clear at match, or set at match */
  switch (pin) {
    case CHIP_LAMP_0A: TCCR0A |= (uint8_t)(mode << COM0A0); break;
    case CHIP_LAMP_0B: TCCR0A |= (uint8_t)(mode << COM0B0); break;
    case CHIP_LAMP_2A: TCCR2A |= (uint8_t)(mode << COM2A0); break;
    case CHIP_LAMP_2B: TCCR2A |= (uint8_t)(mode << COM2B0); break;
    default: return 0;
  }
  _delay_us(300); /* two periods: the output has the level of "dark" before the pin is driven */
  pin_output(pin, 0);
  TIMSK0 = _BV(TOIE0);
  return 1;
}

void lamps_free_pin(uint8_t pin) {
  lamps_set(pin, 0);
  switch (pin) {
    case CHIP_LAMP_0A: TCCR0A &= (uint8_t)~(3u << COM0A0); break;
    case CHIP_LAMP_0B: TCCR0A &= (uint8_t)~(3u << COM0B0); break;
    case CHIP_LAMP_2A: TCCR2A &= (uint8_t)~(3u << COM2A0); break;
    case CHIP_LAMP_2B: TCCR2A &= (uint8_t)~(3u << COM2B0); break;
    default: break;
  }
}

uint8_t lamps_has_pin(uint8_t pin) {
  switch (pin) {
    case CHIP_LAMP_0A: return TCCR0A & (3u << COM0A0);
    case CHIP_LAMP_0B: return TCCR0A & (3u << COM0B0);
    case CHIP_LAMP_2A: return TCCR2A & (3u << COM2A0);
    case CHIP_LAMP_2B: return TCCR2A & (3u << COM2B0);
    default: return 0;
  }
}

void lamps_set(uint8_t pin, uint16_t duty) {
  static const uint8_t order[PHASES] PROGMEM = {0, 8, 4, 12, 2, 10, 6, 14, 1, 9, 5, 13, 3, 11, 7, 15};
  uint8_t channel = channel_of(pin), i;
  uint8_t dark, frac;
  if (channel == CHANNELS) return;
  if (duty > 4080u) duty = 4080u;
  dark = (uint8_t)(255u - (duty >> 4));
  frac = (uint8_t)(duty & 15u);
  for (i = 0; i < PHASES; i++) compare[(uint8_t)(i * CHANNELS + channel)] = (uint8_t)(dark - (pgm_read_byte(&order[i]) < frac));
}
