/* The fade's weight and the one multiply that makes every transition (FORMAT.md, "Fades"). */
#include "qj_inside.h"

/* floor(a b / 2^15) for a product below 2^31; written so that an 8-bit machine moves bytes instead of shifting */
static QJ_ONCE uint16_t times(uint16_t a, uint16_t b) { return (uint16_t)((((uint32_t)a * (uint32_t)b) << 1) >> 16); }

/* 32768 at the start, 0 from `frames` on, falling by the 3-4-5 polynomial in between. */
uint16_t qj_weight(uint16_t f, uint16_t frames) {
  uint16_t x;
  uint16_t a;
  uint16_t b;
  uint32_t bracket;
  uint8_t whole;
  if (f == 0) {
    return QJ_FULL;
  }
  if (f >= frames) {
    return 0;
  }
  x = (uint16_t)(((uint32_t)f << 15) / (uint32_t)frames);
  a = times(x, x);
  b = times(a, x);
  bracket = (uint32_t)327680 + (uint32_t)6 * (uint32_t)a - (uint32_t)15 * (uint32_t)x;
  /* b * bracket needs 34 bits: its upper part is a whole multiple of 2^15, so it is divided apart */
  whole = (uint8_t)((bracket << 1) >> 16);
  return (uint16_t)(QJ_FULL - (uint16_t)((uint16_t)(b * (uint16_t)whole) +
                                         times(b, (uint16_t)((uint16_t)bracket & (uint16_t)32767))));
}

/* base + mul(weight, to - from), kept within 16 bits */
int16_t qj_blend(int16_t base, uint16_t weight, int16_t to, int16_t from) {
  const uint8_t down = (uint8_t)(to < from);
  const uint16_t size = down ? (uint16_t)((uint16_t)from - (uint16_t)to) : (uint16_t)((uint16_t)to - (uint16_t)from);
  /* at most 2^31 - 2^15 + 2^14 before it is doubled */
  const uint16_t part = (uint16_t)((((uint32_t)weight * (uint32_t)size + (uint32_t)16384) << 1) >> 16);
  /* in offset binary both ends of the range are plain carries */
  const uint16_t start = (uint16_t)((uint16_t)base ^ (uint16_t)0x8000);
  uint16_t sum;
  if (down) {
    sum = part > start ? (uint16_t)0 : (uint16_t)(start - part);
  } else {
    sum = (uint16_t)(start + part);
    if (sum < start) {
      sum = (uint16_t)0xFFFF;
    }
  }
  return (int16_t)(uint16_t)(sum ^ (uint16_t)0x8000);
}
