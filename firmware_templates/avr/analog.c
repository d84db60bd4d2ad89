/* Analog inputs: one conversion at a time, looked at once a turn of the main loop, without an interrupt.
 *
 * A conversion takes 13 ADC clocks of 128 cycles, 104 us; meanwhile the loop goes on. The inputs take turns.
 */
#include "board.h"

#include <avr/io.h>

static uint8_t turn;

/* A0 is channel 0 and pin 14, A6 and A7 (which are nothing but analog) 20 and 21. */
static void convert(uint8_t sensor) {
  ADMUX = (uint8_t)(_BV(REFS0) | ((qj_sensor_pin(sensor) - 14u) & 7u));
  ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
}

void analog_start(const qj_player *p) {
  if (p->sensors != 0) convert(0);
}

void analog_poll(qj_player *p) {
  if (p->sensors == 0 || (ADCSRA & _BV(ADSC)) != 0) return;
  qj_reading(p, turn, ADC);
  if (++turn == p->sensors) turn = 0;
  convert(turn);
}
