/* EEPROM: written a byte at a time and never waited for. A write takes 3.4 ms by itself; interrupts are off for the
 * few cycles of its timed start (EEMPE, then EEPE within four), and the processor stands still for two. */
#include "qj_keep.h"

#include <avr/eeprom.h>
#include <avr/io.h>

uint8_t qj_memory(uint16_t at) { return eeprom_read_byte((const uint8_t *)at); }

uint8_t qj_memory_put(uint16_t at, uint8_t value) {
  if (at > E2END) return QJ_BAD_ARGUMENT;
  if (!eeprom_is_ready()) return QJ_BUSY;
  eeprom_update_byte((uint8_t *)at, value); /* what is there already is not worn again */
  return QJ_DONE;
}
