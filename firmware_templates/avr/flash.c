/* The image in flash, and the CRC of the player's own code below it. */
#include "board.h"
#include "memory.h"
#include "qj_inside.h"
#include "qj_link.h"
#include "twi.h"

#include <avr/pgmspace.h>

uint32_t qj_read_limit(void) { return (uint32_t)(IMAGE_LIMIT - IMAGE_BASE); }

static qj_offset edge = (qj_offset)(IMAGE_LIMIT - IMAGE_BASE); /* of what is read from flash */
static uint8_t goes_on;                                         /* from there on in the I2C memory */

void qj_outside(qj_offset from, uint8_t speed) {
  edge = from;
  goes_on = from != 0;
  if (!goes_on) edge = (qj_offset)(IMAGE_LIMIT - IMAGE_BASE);
  twi_start(speed);
}

/* Apart, because qj_read() is called a thousand times a frame and should save no registers. */
static QJ_ONCE uint8_t beyond(qj_offset offset) {
  return goes_on ? memory_read((qj_offset)(offset - edge)) : 0xFF;
}

uint8_t qj_read(qj_offset offset) {
  if (offset >= edge) return beyond(offset);
  return CHIP_FLASH_BYTE(IMAGE_BASE + offset);
}

static uint32_t player_crc;

/* CRC-32 of flash 0..IMAGE_BASE-1, once, before anything runs. */
void flash_check_player(void) {
  uint32_t crc = 0xFFFFFFFF;
  uint16_t at;
  for (at = 0; at < IMAGE_BASE; at++) crc = qj_crc32(crc, pgm_read_byte(at));
  player_crc = ~crc;
}

uint32_t qj_player_crc(void) { return player_crc; }

#ifdef CHIP_SISTER_ID
/* One player for two boards: it is the one that its show was made for. */
QJ_ONCE uint8_t qj_board_id(void) { return qj_read(QJ_AT_BOARD) == CHIP_SISTER_ID ? CHIP_SISTER_ID : CHIP_BOARD_ID; }
#else
uint8_t qj_board_id(void) { return CHIP_BOARD_ID; }
#endif
