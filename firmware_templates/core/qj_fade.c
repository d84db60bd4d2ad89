/* The fade's weight and the one multiply that makes every transition (FORMAT.md, "Fades"). */
#include "qj_inside.h"

/* 32768 at the start, 0 from `frames` on, falling by the 3-4-5 polynomial in between. */
uint16_t qj_weight(uint32_t f, uint16_t frames) {
  uint32_t x;
  uint32_t a;
  uint32_t b;
  uint32_t bracket;
  if (f == 0) {
    return (uint16_t)32768;
  }
  if (f >= (uint32_t)frames) {
    return 0;
  }
  x = (f << 15) / (uint32_t)frames;
  a = (x * x) >> 15;
  b = (a * x) >> 15;
  bracket = (uint32_t)327680 + (uint32_t)6 * a - (uint32_t)15 * x;
  /* b * bracket needs 34 bits: its upper part is a whole multiple of 2^15, so it is divided apart */
  return (uint16_t)((uint32_t)32768 - (b * (bracket >> 15) + ((b * (bracket & (uint32_t)32767)) >> 15)));
}

int32_t qj_mul(uint16_t weight, int32_t d) {
  const uint32_t size = (uint32_t)(d < 0 ? -d : d);
  const int32_t part = (int32_t)(((uint32_t)weight * size + (uint32_t)16384) >> 15);
  return d < 0 ? -part : part;
}
