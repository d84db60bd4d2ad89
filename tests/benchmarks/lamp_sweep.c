/* Benchmark only: the shipped lamps through their whole range, the duty they were given in GPIOR1 and GPIOR2. */
#include "board.h"

#include <avr/interrupt.h>
#include <util/delay.h>

int main(void) {
  uint16_t duty;
  uint8_t pin;
  lamps_start();
  for (pin = 0; pin < CHIP_PINS; pin++) lamps_use_pin(pin, 0);
  sei();
  for (duty = 0; duty < 4096u; duty = (uint16_t)(duty + STEP)) {
    for (pin = 0; pin < CHIP_PINS; pin++) lamps_set(pin, duty);
    GPIOR2 = (uint8_t)(duty >> 8);
    GPIOR1 = (uint8_t)duty;
    GPIOR0++;
    _delay_ms(14);
  }
  for (;;) {
  }
}
