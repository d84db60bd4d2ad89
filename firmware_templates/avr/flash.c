/* The image in flash, and the CRC of the player's own code below it. */
#include "board.h"
#include "memory.h"
#include "qj_inside.h"
#include "qj_link.h"
#include "twi.h"

#include <avr/pgmspace.h>

uint32_t qj_read_limit(void) { return (uint32_t)(IMAGE_LIMIT - IMAGE_BASE); }

static qj_offset outside; /* where the I2C memory goes on with the image; 0 = it does not */

void qj_outside(qj_offset from, uint8_t speed) {
  outside = from;
  twi_start(speed);
}

uint8_t qj_read(qj_offset offset) {
  if (outside != 0 && offset >= outside) return memory_read((qj_offset)(offset - outside));
  if (offset >= (qj_offset)(IMAGE_LIMIT - IMAGE_BASE)) return 0xFF;
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
uint8_t qj_board_id(void) { return qj_read(QJ_AT_BOARD) == CHIP_SISTER_ID ? CHIP_SISTER_ID : CHIP_BOARD_ID; }
#else
uint8_t qj_board_id(void) { return CHIP_BOARD_ID; }
#endif
