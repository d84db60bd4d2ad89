/* Control points out of their adaptive Rice code (FORMAT.md, "Track stream"). */
#include "qj_inside.h"

/* A bit stream, most significant bit first. */
typedef struct {
  uint32_t at;
  uint8_t byte;
  uint8_t used;
} bits;

static uint8_t next_bit(bits *b) {
  const uint8_t bit = (uint8_t)((uint8_t)(b->byte >> (uint8_t)(7 - b->used)) & 1);
  b->used = (uint8_t)(b->used + 1);
  if (b->used == 8) {
    b->used = 0;
    if (b->at < QJ_OFFSET_MAX) {
      b->at += (uint32_t)1;
    }
    b->byte = qj_read(b->at);
  }
  return bit;
}

static uint32_t next_bits(bits *b, uint8_t count) {
  uint32_t value = 0;
  for (; count > 0; count--) {
    value = (value << 1) | (uint32_t)next_bit(b);
  }
  return value;
}

void qj_points_open(qj_points *r, uint32_t at, int16_t rest) {
  r->at = 0;
  r->bit = 0;
  r->mean = 0;
  if (at != 0) {
    const uint8_t head = qj_read(at);
    uint8_t k = (uint8_t)((uint8_t)(head >> 2) & 15);
    if (k > 11) {
      k = 11; /* the format's largest */
    }
    r->at = (qj_offset)(at + (uint32_t)1);
    r->bit = (uint8_t)((uint8_t)(head & 3) << 3);
    r->mean = (uint16_t)((uint16_t)2 << k);
  }
  r->past[0] = rest;
  r->past[1] = rest;
  r->past[2] = rest;
}

int16_t qj_points_next(qj_points *r) {
  const uint8_t order = (uint8_t)(r->bit >> 3);
  const int32_t p1 = r->past[0];
  const int32_t p2 = r->past[1];
  const int32_t p3 = r->past[2];
  bits b;
  uint8_t k = 0;
  uint8_t q = 0;
  uint32_t u;
  int32_t value;
  if (r->at == 0) {
    return r->past[0];
  }
  b.at = r->at;
  b.byte = qj_read(b.at);
  b.used = (uint8_t)(r->bit & 7);
  while (k < 15 && ((uint32_t)3 << k) < (uint32_t)r->mean) {
    k = (uint8_t)(k + 1);
  }
  while (q < 20 && next_bit(&b) != 0) {
    q = (uint8_t)(q + 1);
  }
  u = q < 20 ? ((uint32_t)q << k) | next_bits(&b, k) : next_bits(&b, 18);
  value = order == 3 ? (int32_t)3 * (p1 - p2) + p3 : order == 2 ? (int32_t)2 * p1 - p2 : p1;
  value += (u & (uint32_t)1) != 0 ? -(int32_t)(u >> 1) - (int32_t)1 : (int32_t)(u >> 1);
  r->mean = (uint16_t)((uint16_t)(r->mean - (uint16_t)(r->mean >> 1)) +
                       (uint16_t)(u > (uint32_t)4095 ? (uint32_t)4095 : u));
  r->at = (qj_offset)b.at;
  r->bit = (uint8_t)((uint8_t)(order << 3) | b.used);
  r->past[2] = r->past[1];
  r->past[1] = r->past[0];
  r->past[0] = (int16_t)(uint16_t)((uint32_t)value & (uint32_t)0xFFFF);
  return r->past[0];
}
