/* The sound module: a pulse on any pin, or bytes on the pin of Timer1's second compare output (FORMAT.md).
 *
 * Serial bits are written by the compare unit itself, so that neither the pulse interrupt nor anything else moves them:
 * it toggles its pin at times that main has worked out for a whole byte, and the interrupt only hands it the next one,
 * for which it has a bit's time (1667 cycles at 9600 baud). Bytes follow each other as the main loop gets to them; a
 * pause between two bytes is silence to a receiver. Between bytes the port holds the line high. A byte begins only
 * when it ends before the counter comes round, since the emulator moves a compare output then, which the chip does not.
 */
#include "board.h"

#include "qj_player.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#define TOGGLE _BV(COM1B0)
#define AHEAD 2000u /* cycles from the sum to the start bit */
#define CHANGES 10u /* start bit, at most eight more in the data, the stop bit */

static uint16_t at[CHANGES + 1u]; /* counter values of the changes, then of the stop bit's end */
static volatile uint8_t next, last; /* the next of them, and the number of changes; last 0 = no byte goes out */
static uint8_t pin = QJ_NONE;       /* QJ_NONE: no module */
static uint8_t head[QJ_SOUND_HEAD]; /* track, flags, time, the place of the track's number, length */
static uint8_t next_byte = 255;     /* of the message; 255: nothing to send */
static uint8_t track;
static uint8_t pulse_left;          /* frames */

#define SERIAL 1u
#define PULSE_LOW 2u

ISR(TIMER1_COMPB_vect) {
  uint8_t now = next, end = last;
  if (now == end) {
    TIMSK1 = _BV(OCIE1A);
    last = 0;
    return;
  }
  OCR1B = at[++now];
  next = now;
  if (now == end) TCCR1A = 0; /* the line is high and stays so; the last match only says that the stop bit is over */
}

void sound_start(const qj_player *p) {
  if (!qj_sound(p, head)) return;
  pin = head[0];
  if (!(head[1] & SERIAL)) {
    pin_output(pin, head[1] & PULSE_LOW);
    return;
  }
  TCCR1A = _BV(COM1B1) | _BV(COM1B0);
  OCR1B = TCNT1 + 50u;
  TIFR1 = _BV(OCF1B);
  while (!(TIFR1 & _BV(OCF1B))) {} /* the unit's own output is high from now on, as after every stop bit */
  TCCR1A = 0;
  pin_output(CHIP_OC1B, 1);
}

void sound_frame(const qj_player *p) {
  if (pin == QJ_NONE) return;
  if (pulse_left != 0 && --pulse_left == 0) pin_write(pin, head[1] & PULSE_LOW);
  if (qj_sound(p, head) != QJ_SOUND_NOW) return;
  if (head[1] & SERIAL) {
    track = head[0];
    next_byte = 0;
  } else {
    pulse_left = head[2];
    pin_write(pin, (uint8_t)!(head[1] & PULSE_LOW));
  }
}

uint8_t sound_busy(void) { return last; }

QJ_ONCE void sound_poll(void) {
  uint8_t byte, level = 1, n = 0, i;
  uint16_t time, word, bit_cycles;
  if (next_byte == 255 || last != 0) return;
  if (next_byte == head[5]) {
    next_byte = 255;
    return;
  }
  byte = next_byte == head[4] ? track : qj_sound_byte(next_byte);
  bit_cycles = (uint16_t)(head[2] | (uint16_t)((uint16_t)head[3] << 8));
  cli();
  time = TCNT1;
  sei();
  time += AHEAD;
  if (time > (uint16_t)(0u - 11u * bit_cycles)) return;
  word = (uint16_t)(0x200u | (uint16_t)((uint16_t)byte << 1)); /* start bit, eight, stop bit */
  for (i = 0; i < 10; i++) {
    uint8_t bit = (uint8_t)(word & 1u);
    if (bit != level) at[n++] = time;
    level = bit;
    word >>= 1;
    time += bit_cycles;
  }
  at[n] = time;
  cli();
  /* Otherwise interrupts came between, or the pulse interrupt is near (in the emulator, clearing one flag of the timer
   * clears them all): at the next turn. */
  if ((uint16_t)(at[0] - TCNT1 - 60u) < AHEAD && (uint16_t)(OCR1A - TCNT1 - 60u) < 60000u) {
    next = 0;
    last = n;
    next_byte++;
    OCR1B = at[0];
    TIFR1 = _BV(OCF1B);
    TCCR1A = TOGGLE;
    TIMSK1 = _BV(OCIE1A) | _BV(OCIE1B);
  }
  sei();
}
