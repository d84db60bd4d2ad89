/* The I2C bus as its only master: polled, byte by byte.
 *
 * A byte takes 9 clocks: 22.5 us at 400 kHz, 90 us at 100 kHz, and interrupts go on meanwhile; none of this
 * is in a cli section (sbi and cbi change one port bit at once). A line that is held low is seen before
 * START is asked for, because the hardware would wait for it without end. A device that was interrupted
 * within a byte lets go of SDA after at most nine clocks; when it does not, the bus is stuck.
 */
#include "twi.h"

#include "chip.h"

#include <util/delay.h>

#define LINES CHIP_TWI(PIN)
#define PULLS CHIP_TWI(PORT)
#define DRIVES CHIP_TWI(DDR)
#define SDA CHIP_SDA
#define SCL CHIP_SCL
#define PATIENCE 1000u /* looks at the hardware, 0.6 ms or more: six times the slowest byte */

static uint8_t trouble;
static uint8_t open; /* 1: between START and STOP */

/* Let the hardware take one step and wait for it. Returns its status code, 0 after trouble. */
static uint8_t step(uint8_t control) {
  uint16_t patience = PATIENCE;
  if (trouble) return 0;
  TWCR = (uint8_t)(control | _BV(TWINT) | _BV(TWEN));
  while (!(TWCR & _BV(TWINT))) {
    if (--patience == 0) {
      trouble = TWI_STUCK;
      return 0;
    }
  }
  return TWSR & 0xF8u;
}

/* Both lines high? SDA may be let go by nine clocks, given by hand. */
static uint8_t lines_free(void) {
  uint8_t clocks = 10;
  while ((LINES & (SDA | SCL)) != (SDA | SCL)) {
    if (--clocks == 0) return 0;
    TWCR = 0; /* the port drives the pins now */
    PULLS &= (uint8_t)~SCL;
    DRIVES |= SCL;
    _delay_us(5);
    DRIVES &= (uint8_t)~SCL;
    PULLS |= SCL;
    _delay_us(5);
  }
  return 1;
}

void twi_start(uint8_t speed) {
  TWSR = 0;
  TWBR = speed == 4 ? 12 : 72; /* 16 MHz / (16 + 2 TWBR) */
}

/* One byte out. 0x18, 0x28 and 0x40 are the acknowledged address, byte, and address to read from
 * (the emulator tells 0x28 for an address too). */
void twi_put(uint8_t byte) {
  uint8_t status;
  if (!trouble) TWDR = byte;
  status = step(0);
  if (!trouble && status != 0x18 && status != 0x28 && status != 0x40) trouble = TWI_MISSING;
}

void twi_begin(uint8_t address, uint8_t read) {
  uint8_t status;
  if (!open) {
    PULLS |= SDA; /* here, because a fault makes every pin float */
    PULLS |= SCL;
    trouble = lines_free() ? TWI_DONE : TWI_STUCK;
    open = 1;
  }
  status = step(_BV(TWSTA));
  if (!trouble && status != 0x08 && status != 0x10) trouble = TWI_STUCK; /* neither START nor a repeated one */
  twi_put((uint8_t)(address << 1 | read));
}

uint8_t twi_get(uint8_t more) {
  (void)step(more ? _BV(TWEA) : 0);
  return TWDR;
}

uint8_t twi_end(void) {
  open = 0;
  if (trouble == TWI_STUCK) {
    TWCR = 0; /* lets go of both lines */
  } else {
    uint8_t patience = 255;
    TWCR = _BV(TWINT) | _BV(TWEN) | _BV(TWSTO);
    while ((TWCR & _BV(TWSTO)) && --patience) {
    }
  }
  return trouble;
}

void twi_release(void) {
  TWCR = 0;
  PULLS &= (uint8_t)~SDA;
  PULLS &= (uint8_t)~SCL;
}
