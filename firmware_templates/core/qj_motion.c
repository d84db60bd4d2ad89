/* A track's whole state, for those who check it; boards need only the position. */
#include "qj_inside.h"

void qj_motion_now(const qj_player *p, uint8_t track, qj_motion *out) {
  const uint8_t n = qj_knot_frames(track);
  const int16_t *const c = p->window[track];
  const int32_t t = (int32_t)(p->phase % n);
  const int32_t n1 = (int32_t)n;
  const int32_t bend = (int32_t)c[0] - (int32_t)2 * (int32_t)c[1] + (int32_t)c[2];
  const int32_t slope = (int32_t)c[2] - (int32_t)c[0];
  const int32_t jerk = (int32_t)c[3] - (int32_t)3 * ((int32_t)c[2] - (int32_t)c[1]) - (int32_t)c[0];
  out->jerk = jerk;
  out->acceleration = (int32_t)3 * (n1 * bend + jerk * t);
  out->velocity = (int32_t)3 * (n1 * n1 * slope + t * ((int32_t)2 * n1 * bend + jerk * t));
  out->position = qj_position(c, n, (uint8_t)(p->phase % n));
}
