/* One span of a track: from four control points and a tick to the exact pulse (FORMAT.md, "Playing a track"). */
#include "qj_inside.h"

/* P, as the sum of the points times their weights; the weights are cubes and add up to 6 n^3 <= 1296. */
int32_t qj_position(const int16_t c[4], uint8_t n, uint8_t t) {
  const uint16_t square = (uint16_t)((uint16_t)t * (uint16_t)t);
  const uint16_t cube = (uint16_t)(square * (uint16_t)t);
  const uint8_t left = (uint8_t)(n - t);
  const uint16_t n3 = (uint16_t)((uint16_t)((uint16_t)n * (uint16_t)n) * (uint16_t)n);
  const int16_t w0 = (int16_t)(uint16_t)((uint16_t)((uint16_t)left * (uint16_t)left) * (uint16_t)left);
  const int16_t w3 = (int16_t)cube;
  /* 4 n^3 - 6 n t^2 + 3 t^3; modulo 2^16 the order of the additions does not matter */
  const int16_t w1 = (int16_t)(uint16_t)((uint16_t)((uint16_t)(n3 << 2) + (uint16_t)(cube * (uint16_t)3)) -
                                         (uint16_t)((uint16_t)((uint16_t)6 * (uint16_t)n) * square));
  const int16_t w2 = (int16_t)((int16_t)(uint16_t)(n3 * (uint16_t)6) - w0 - w1 - w3);
  return (int32_t)c[0] * (int32_t)w0 + (int32_t)c[1] * (int32_t)w1 + (int32_t)c[2] * (int32_t)w2 +
         (int32_t)c[3] * (int32_t)w3;
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
