/* Control points out of their adaptive Rice code (FORMAT.md, "Track stream"). */
#include "qj_inside.h"

void qj_points_open(qj_points *r, qj_offset at, int16_t rest) {
  r->at = at;
  if (at != 0) {
    const uint8_t head = qj_read(at);
    uint8_t k = (uint8_t)((uint8_t)(head >> 2) & 15);
    if (k > 11) {
      k = 11; /* the format's largest */
    }
    r->at = (qj_offset)(at + 1);
    r->bit = (uint8_t)((uint8_t)(head & 3) << 3);
    r->mean = (uint16_t)((uint16_t)2 << k);
  }
  r->past[0] = rest;
  r->past[1] = rest;
  r->past[2] = rest;
}

int16_t qj_points_next(qj_points *r) {
  /* points wrap at 16 bits, so predictions may be made in unsigned 16 bits */
  const uint16_t p1 = (uint16_t)r->past[0];
  const uint16_t p2 = (uint16_t)r->past[1];
  const uint8_t order = (uint8_t)(r->bit >> 3);
  uint8_t used = (uint8_t)(r->bit & 7);
  uint16_t value = p1;
  uint16_t limit = 3; /* A halves at every point: it follows within two or three (FORMAT.md) */
  uint8_t byte;
  uint8_t k = 0;
  /* u without its lowest bit, that bit, and whether bits of u went beyond sixteen */
  uint16_t half = 0;
  uint8_t low = 0;
  uint8_t beyond = 0;
  uint8_t q = 0;
  uint8_t prefix = 1; /* the ones and their zero are being read */
  if (r->at == 0) {
    return r->past[0];
  }
  while (limit < r->mean) { /* the mean is at most 8190: 3 << 12 is above all of them */
    limit = (uint16_t)(limit << 1);
    k = (uint8_t)(k + 1);
  }
  byte = (uint8_t)(qj_read(r->at) << used);
  do {
    const uint8_t one = (uint8_t)(byte >> 7);
    byte = (uint8_t)(byte << 1);
    used = (uint8_t)(used + 1);
    if (used == 8) {
      used = 0;
      if (r->at < QJ_OFFSET_MAX) {
        r->at = (qj_offset)(r->at + 1);
      }
      byte = qj_read(r->at);
    }
    if (prefix == 0) {
      beyond = (uint8_t)(beyond | (uint8_t)(half >> 15));
      half = (uint16_t)((uint16_t)(half << 1) | low);
      low = one;
      k = (uint8_t)(k - 1);
    } else if (one == 0) {
      prefix = 0;
      half = (uint16_t)(q >> 1);
      low = (uint8_t)(q & 1);
    } else {
      q = (uint8_t)(q + 1);
      if (q == 20) {
        prefix = 0;
        k = 18;
      }
    }
  } while (prefix != 0 || k != 0);
  r->bit = (uint8_t)((uint8_t)(order << 3) | used);
  r->mean = (uint16_t)(r->mean - (uint16_t)(r->mean >> 1));
  r->mean = (uint16_t)(r->mean + (beyond != 0 || half > 2047 ? (uint16_t)4095 : (uint16_t)((uint16_t)(half << 1) | low)));
  if (order >= 2) {
    value = (uint16_t)(value + (uint16_t)(p1 - p2));
    if (order == 3) {
      value = (uint16_t)(value + (uint16_t)((uint16_t)(p1 - p2) - (uint16_t)(p2 - (uint16_t)r->past[2])));
    }
  }
  /* the sign is the lowest bit: -e - 1 is the complement of e */
  value = (uint16_t)(value + (low != 0 ? (uint16_t)~half : half));
  r->past[2] = (int16_t)p2;
  r->past[1] = (int16_t)p1;
  r->past[0] = (int16_t)value;
  return r->past[0];
}
