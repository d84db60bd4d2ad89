/* The I2C bus as its only master: polled, with no interrupt of its own. */
#ifndef QJ_TWI_H
#define QJ_TWI_H

#include <stdint.h>

enum {
  TWI_DONE = 0,
  TWI_MISSING = 1, /* nobody answers to the address, or the device refused a byte */
  TWI_STUCK = 2    /* a line is held low, or a byte never ended */
};

/* The speed: 4 = 400 kHz, anything else 100 kHz. */
void twi_start(uint8_t speed);
/* START (a repeated one inside a transfer) and the address; `read` 1 or 0. */
void twi_begin(uint8_t address, uint8_t read);
void twi_put(uint8_t byte);
/* The next byte; `more` 0 tells the device that it is the last one. */
uint8_t twi_get(uint8_t more);
/* STOP. Returns what went wrong first since twi_begin; after that nothing was sent. */
uint8_t twi_end(void);
/* Both pins are ordinary inputs again, without pull-ups, until twi_begin. */
void twi_release(void);

#endif
