/* Benchmark only: servos as plain interrupt programs do them, written by us for comparison. One compare interrupt
 * ends each pulse and begins the next on entry, whenever that is; everything else is the shipped code.
 */
#include "board.h"

#include <avr/interrupt.h>

#define SERVOS 8u
static const uint8_t pins[SERVOS] = {2, 4, 7, 8, 9, 10, 14, 15};
static uint8_t servo;
static uint16_t begun;

ISR(TIMER1_COMPA_vect) {
  if (servo < SERVOS) pin_write(pins[servo], 0);
  servo = (uint8_t)((servo + 1u) % (SERVOS + 1u));
  if (servo == 0) begun = OCR1A;
  if (servo < SERVOS) {
    pin_write(pins[servo], 1);
    OCR1A = (uint16_t)(OCR1A + 20000u + 1000u * servo);
  } else {
    OCR1A = (uint16_t)(begun + 40000u); /* the frame's rest, modulo 65536 */
  }
}

int main(void) {
  static const uint8_t lamps[] = {3, 5, 6, 11};
  uint8_t i;
  lamps_start();
  for (i = 0; i < SERVOS; i++) pin_output(pins[i], 0);
  for (i = 0; i < sizeof lamps; i++) {
    lamps_use_pin(lamps[i], 0);
    lamps_set(lamps[i], (uint16_t)(500u + 777u * i));
  }
  uart_start();
  TCCR1A = 0;
  TCCR1B = _BV(CS10);
  OCR1A = 4000;
  TIMSK1 = _BV(OCIE1A);
  sei();
  for (;;) {
    uint8_t byte;
    if (uart_room() && uart_get(&byte)) uart_put(byte);
  }
}
