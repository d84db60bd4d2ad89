/* One span of a track: from four control points and a tick to the exact pulse (FORMAT.md, "Playing a track"). */
#include "qj_inside.h"

int16_t qj_saturate(int32_t value) {
  if (value > (int32_t)32767) {
    return (int16_t)32767;
  }
  if (value < (int32_t)-32767 - (int32_t)1) {
    return (int16_t)(-32767 - 1);
  }
  return (int16_t)value;
}

void qj_motion_of(const int16_t c[4], uint8_t n, uint8_t t, qj_motion *out) {
  const int32_t n1 = (int32_t)n;
  const int32_t n2 = n1 * n1;
  const int32_t t1 = (int32_t)t;
  const int32_t c0 = c[0];
  const int32_t c1 = c[1];
  const int32_t c2 = c[2];
  const int32_t c3 = c[3];
  const int32_t bend = c0 - (int32_t)2 * c1 + c2;
  const int32_t slope = c2 - c0;
  const int32_t jerk = c3 - (int32_t)3 * (c2 - c1) - c0;
  out->jerk = jerk;
  out->acceleration = (int32_t)3 * (n1 * bend + jerk * t1);
  out->velocity = (int32_t)3 * (n2 * slope + t1 * ((int32_t)2 * n1 * bend + jerk * t1));
  out->position = n1 * n2 * (c0 + (int32_t)4 * c1 + c2) +
                  t1 * ((int32_t)3 * n2 * slope + t1 * ((int32_t)3 * n1 * bend + jerk * t1));
}

uint16_t qj_pulse_of(int32_t position, uint8_t n, uint32_t record) {
  const uint8_t exponent = qj_read(record + (uint32_t)2);
  const uint16_t low = (uint16_t)(qj_u16(record + (uint32_t)20) << 4);
  const uint16_t high = (uint16_t)(qj_u16(record + (uint32_t)22) << 4);
  const uint32_t cube = (uint32_t)n * (uint32_t)n * (uint32_t)n;
  uint32_t scale = (uint32_t)6 * cube;
  uint32_t size = (uint32_t)(position < 0 ? -position : position);
  uint32_t sum;
  if (exponent > 4) {
    scale += scale; /* P / 2 is not whole: double everything else instead */
  } else {
    size <<= (uint8_t)(4 - exponent);
  }
  sum = (uint32_t)16 * (uint32_t)qj_u16(record + (uint32_t)4) * scale + (scale >> 1);
  if (position < 0) {
    if (size > sum) {
      return low;
    }
    sum -= size;
  } else {
    sum += size;
  }
  sum /= scale;
  return sum < (uint32_t)low ? low : sum > (uint32_t)high ? high : (uint16_t)sum;
}

void qj_motion_now(const qj_player *p, uint8_t track, qj_motion *out) {
  const uint8_t n = qj_read(qj_track_record(track) + (uint32_t)1);
  qj_motion_of(p->window[track], n, (uint8_t)(p->phase % n), out);
}
