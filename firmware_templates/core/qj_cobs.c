/* Framing: COBS (Cheshire and Baker 1999) for short frames, and CRC-16 CCITT-FALSE. */
#include "qj_link.h"

/* Eight steps of the shift register at once: x^16 = x^12 + x^5 + 1, and the upper byte meets itself again. */
uint16_t qj_crc16(uint16_t crc, uint8_t byte) {
  uint8_t x = (uint8_t)((uint8_t)(crc >> 8) ^ byte);
  x = (uint8_t)(x ^ (uint8_t)(x >> 4));
  crc = (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)x);
  return (uint16_t)(crc ^ (uint16_t)((uint16_t)x << 12) ^ (uint16_t)((uint16_t)x << 5));
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
