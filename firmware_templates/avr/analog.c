/* Analog inputs: one conversion at a time, looked at once a turn of the main loop, without an interrupt.
 *
 * A conversion takes 13 ADC clocks of 128 cycles, 104 us; meanwhile the loop goes on. The inputs take turns.
 */
#include "board.h"

#include <avr/io.h>

static uint8_t turn;

static void convert(uint8_t sensor) {
  uint8_t channel = (uint8_t)(qj_sensor_pin(sensor) - CHIP_A0);
#ifdef MUX5
  ADCSRB = (channel & 8u) ? _BV(MUX5) : 0;
#endif
  ADMUX = (uint8_t)(_BV(REFS0) | (channel & 7u));
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
