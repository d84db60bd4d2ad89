/* Single pins by number. The pulse interrupt writes whole ports, so each change here is made with interrupts off. */
#include "board.h"

#include <avr/interrupt.h>
#include <avr/io.h>

typedef struct {
  volatile uint8_t *port; /* DDRx is one below, PINx two below */
  uint8_t mask;
} place;

static place place_of(uint8_t pin) {
  place p;
  if (pin < 8) {
    p.port = &PORTD;
  } else if (pin < 14) {
    p.port = &PORTB;
    pin = (uint8_t)(pin - 8u);
  } else {
    p.port = &PORTC;
    pin = (uint8_t)(pin - 14u);
  }
  p.mask = (uint8_t)(1u << (pin & 7u));
  return p;
}

static void change(volatile uint8_t *reg, uint8_t mask, uint8_t set) {
  uint8_t sreg = SREG;
  uint8_t clear = (uint8_t)~mask;
  if (!set) mask = 0;
  cli();
  *reg = (uint8_t)((*reg & clear) | mask);
  SREG = sreg;
}

/* D0 and D1 are the link's, D13 is the boot loader's to blink. */
uint8_t pin_is_ours(uint8_t pin) { return (pin >= FIRST_PIN && pin <= LAST_PIN) || (pin >= 14 && pin <= 19); }

void pin_write(uint8_t pin, uint8_t level) {
  place p;
  if (!pin_is_ours(pin)) return;
  p = place_of(pin);
  change(p.port, p.mask, level);
}

void pin_output(uint8_t pin, uint8_t level) {
  place p = place_of(pin);
  if (!pin_is_ours(pin)) return;
  change(p.port, p.mask, level);
  change(p.port - 1, p.mask, 1);
}

void pin_input(uint8_t pin, uint8_t pull_up) {
  place p = place_of(pin);
  if (!pin_is_ours(pin)) return;
  change(p.port - 1, p.mask, 0);
  change(p.port, p.mask, pull_up);
}
