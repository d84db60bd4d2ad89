/* Single pins by number. The pulse interrupt writes whole ports, so each change here is made with interrupts off. */
#include "board.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>

uint8_t pin_place(uint8_t pin) {
  static const uint8_t places[CHIP_PINS] PROGMEM = {CHIP_PLACES};
  return pin < CHIP_PINS ? pgm_read_byte(&places[pin]) : NO_PLACE;
}

uint8_t pin_is_ours(uint8_t pin) { return pin_place(pin) != NO_PLACE; }

QJ_ONCE uint8_t pin_mask(uint8_t place) { return (uint8_t)(1u << (place & 7u)); }

/* `below` the port's own register: 0 = PORTx, 1 = DDRx. */
static void change(uint8_t pin, uint8_t below, uint8_t set) {
  uint8_t sreg = SREG, place = pin_place(pin), mask = pin_mask(place), clear = (uint8_t)~mask;
  volatile uint8_t *reg = CHIP_PORT(place) - below;
  if (place == NO_PLACE) return;
  if (!set) mask = 0;
  cli();
  *reg = (uint8_t)((*reg & clear) | mask);
  SREG = sreg;
}

void pin_write(uint8_t pin, uint8_t level) { change(pin, 0, level); }

void pin_output(uint8_t pin, uint8_t level) {
  change(pin, 0, level);
  change(pin, 1, 1);
}

void pin_input(uint8_t pin, uint8_t pull_up) {
  change(pin, 1, 0);
  change(pin, 0, pull_up);
}
