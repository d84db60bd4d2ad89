/* Control points out of their adaptive Rice code (FORMAT.md, "Track stream"). */
#include "qj_inside.h"

/* The next bit, most significant first. The byte is read anew each time: a cheap read on every board. */
static uint8_t next_bit(qj_points *r) {
  const uint8_t used = (uint8_t)(r->bit & 7);
  const uint8_t byte = (uint8_t)(qj_read(r->at) << used);
  if (used == 7) {
    r->bit = (uint8_t)(r->bit & 0xF8);
    if (r->at < QJ_OFFSET_MAX) {
      r->at = (qj_offset)(r->at + 1);
    }
  } else {
    r->bit = (uint8_t)(r->bit + 1);
  }
  return (uint8_t)(byte >> 7);
}

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
  uint16_t value = p1;
  uint16_t limit = 3; /* A halves at every point: it follows within two or three (FORMAT.md) */
  uint8_t k = 0;
  uint8_t q = 0;
  uint32_t u = 0;
  if (r->at == 0) {
    return r->past[0];
  }
  while (k < 12 && limit < r->mean) { /* the mean is at most 8190: 3 << 12 is above all of them */
    limit = (uint16_t)(limit << 1);
    k = (uint8_t)(k + 1);
  }
  while (q < 20 && next_bit(r) != 0) {
    q = (uint8_t)(q + 1);
  }
  if (q < 20) {
    u = (uint32_t)q;
  } else {
    k = 18;
  }
  for (; k != 0; k--) {
    u = (u << 1) | (uint32_t)next_bit(r);
  }
  r->mean = (uint16_t)(r->mean - (uint16_t)(r->mean >> 1));
  r->mean = (uint16_t)(r->mean + (u > (uint32_t)4095 ? (uint16_t)4095 : (uint16_t)u));
  if (order >= 2) {
    value = (uint16_t)(value + (uint16_t)(p1 - p2));
    if (order == 3) {
      value = (uint16_t)(value + (uint16_t)((uint16_t)(p1 - p2) - (uint16_t)(p2 - (uint16_t)r->past[2])));
    }
  }
  /* the sign is the lowest bit: -e - 1 is the complement of e */
  value = (uint16_t)(value + ((u & (uint32_t)1) != 0 ? (uint16_t)~(uint16_t)(u >> 1) : (uint16_t)(u >> 1)));
  r->past[2] = (int16_t)p2;
  r->past[1] = (int16_t)p1;
  r->past[0] = (int16_t)value;
  return r->past[0];
}
