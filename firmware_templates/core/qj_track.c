/* One span of a track: from four control points and a tick to the exact pulse (FORMAT.md, "Playing a track"). */
#include "qj_inside.h"

/* Two points' share of P: `next` begins the span `t` ticks ago, `last` ends it. The weights are 4 n^3 - 6 n t^2 + 3 t^3
 * and t^3, at most 864 and 216. */
static QJ_ONCE int32_t half(int16_t next, int16_t last, uint8_t n, uint8_t t) {
  const uint8_t square = (uint8_t)(t * t);
  const uint8_t cube = (uint8_t)(square * t);
  /* modulo 2^16 the order of the additions does not matter */
  const uint16_t less = (uint16_t)((uint16_t)((uint16_t)6 * n) * square);
  const uint16_t weight = (uint16_t)((uint16_t)((uint16_t)((uint16_t)4 * n) * (uint8_t)(n * n)) + (uint16_t)((uint16_t)3 * cube) - less);
  return (int32_t)next * (int32_t)(int16_t)weight + (int32_t)last * (int32_t)(int16_t)cube;
}

/* P, as the sum of the points times their weights: a span is the same read from its other end. */
int32_t qj_position(const int16_t c[4], uint8_t n, uint8_t t) {
  return half(c[1], c[3], n, t) + half(c[2], c[0], n, (uint8_t)(n - t));
}

uint16_t qj_pulse_of(int32_t position, uint8_t n, qj_offset record) {
  uint8_t exponent = qj_read((qj_offset)(record + 2));
  const uint16_t low = (uint16_t)(qj_u16((qj_offset)(record + 20)) << 4);
  const uint16_t high = (uint16_t)(qj_u16((qj_offset)(record + 22)) << 4);
  uint16_t scale = (uint16_t)((uint16_t)((uint16_t)((uint16_t)n * (uint16_t)n) * (uint16_t)n) * (uint16_t)6);
  const uint8_t below = (uint8_t)(position < 0);
  uint32_t size = (uint32_t)(below ? -position : position);
  uint32_t sum;
  if (exponent > 4) {
    scale = (uint16_t)(scale << 1); /* P / 2 is not whole: double everything else instead */
  }
  for (; exponent < 4; exponent++) {
    size <<= 1;
  }
  sum = (uint32_t)(uint16_t)(qj_u16((qj_offset)(record + 4)) << 4) * (uint32_t)scale + (uint32_t)(scale >> 1);
  if (below) {
    if (size > sum) {
      return low;
    }
    sum -= size;
  } else {
    sum += size;
  }
  sum /= (uint32_t)scale;
  return sum < (uint32_t)low ? low : sum > (uint32_t)high ? high : (uint16_t)sum;
}
