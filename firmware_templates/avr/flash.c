/* The image in flash, and the CRC of the player's own code below it. */
#include "board.h"
#include "qj_inside.h"
#include "qj_link.h"

#include <avr/pgmspace.h>

uint32_t qj_read_limit(void) { return (uint32_t)(IMAGE_LIMIT - IMAGE_BASE); }

uint8_t qj_read(qj_offset offset) {
  if (offset >= (qj_offset)(IMAGE_LIMIT - IMAGE_BASE)) return 0xFF;
  return CHIP_FLASH_BYTE(IMAGE_BASE + offset);
}

static uint32_t player_crc;

/* CRC-32 (ISO-HDLC) of flash 0..IMAGE_BASE-1, four bits at a time: 0.1 s, once, before anything runs. */
void flash_check_player(void) {
  static const uint32_t nibble[16] PROGMEM = {
      0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
      0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C};
  uint32_t crc = 0xFFFFFFFF;
  uint16_t at;
  for (at = 0; at < IMAGE_BASE; at++) {
    uint8_t byte = pgm_read_byte(at), half;
    for (half = 0; half < 2; half++) {
      uint8_t index = (uint8_t)(((uint8_t)crc ^ byte) & 15u);
      crc = (crc >> 4) ^ pgm_read_dword(&nibble[index]);
      byte >>= 4;
    }
  }
  player_crc = crc ^ 0xFFFFFFFF;
}

uint32_t qj_player_crc(void) { return player_crc; }

#ifdef CHIP_SISTER_ID
/* One player for two boards: it is the one that its show was made for. */
uint8_t qj_board_id(void) { return qj_read(QJ_AT_BOARD) == CHIP_SISTER_ID ? CHIP_SISTER_ID : CHIP_BOARD_ID; }
#else
uint8_t qj_board_id(void) { return CHIP_BOARD_ID; }
#endif
