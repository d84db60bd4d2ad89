/* Framing: COBS (Cheshire and Baker 1999) for short frames, and CRC-16 CCITT-FALSE. */
#include "qj_link.h"

uint16_t qj_crc16(uint16_t crc, uint8_t byte) {
  uint8_t bit;
  crc = (uint16_t)(crc ^ (uint16_t)((uint16_t)byte << 8));
  for (bit = 0; bit < 8; bit++) {
    const uint8_t out = (uint8_t)(crc >> 15);
    crc = (uint16_t)(crc << 1);
    if (out) {
      crc = (uint16_t)(crc ^ (uint16_t)0x1021);
    }
  }
  return crc;
}

uint8_t qj_cobs_encode(const uint8_t *in, uint8_t length, uint8_t *out) {
  uint8_t code = 0; /* where the running block's length goes */
  uint8_t at = 1;
  uint8_t i;
  for (i = 0; i < length; i++) {
    if (in[i] == 0) {
      out[code] = (uint8_t)(at - code);
      code = at;
    } else {
      out[at] = in[i];
    }
    at = (uint8_t)(at + 1);
  }
  out[code] = (uint8_t)(at - code);
  return at;
}

uint8_t qj_cobs_decode(const uint8_t *in, uint8_t length, uint8_t *out) {
  uint8_t read = 0;
  uint8_t written = 0;
  while (read < length) {
    const uint8_t block = in[read];
    uint8_t i;
    if (block == 0 || (uint8_t)(length - read) < block) {
      return QJ_NONE;
    }
    for (i = 1; i < block; i++) {
      if (in[(uint8_t)(read + i)] == 0) {
        return QJ_NONE;
      }
      out[written] = in[(uint8_t)(read + i)];
      written = (uint8_t)(written + 1);
    }
    read = (uint8_t)(read + block);
    if (read < length) {
      out[written] = 0;
      written = (uint8_t)(written + 1);
    }
  }
  return written;
}
