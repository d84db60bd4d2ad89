/* Tracks without pulses: tripped by the stall guard, or let go until something moves. */
#include "qj_inside.h"

static uint8_t bit_of(uint8_t track) { return (uint8_t)(1 << (track & 7)); }

uint8_t qj_has_no_pulse(const qj_player *p, uint8_t track) {
  return (uint8_t)((uint8_t)(p->tripped[track >> 3] | p->released[track >> 3]) & bit_of(track));
}

void qj_let_go(qj_player *p, uint8_t track) {
  p->released[track >> 3] = (uint8_t)(p->released[track >> 3] | bit_of(track));
}

uint8_t qj_any_released(const qj_player *p) {
  uint8_t all = 0;
  uint8_t i;
  for (i = 0; i < QJ_TRACK_BYTES; i++) {
    all = (uint8_t)(all | p->released[i]);
  }
  return all;
}

/* The pulses of one track come back, the lowest number's first. */
void qj_take_back(qj_player *p) {
  uint8_t i;
  for (i = 0; i < QJ_TRACK_BYTES; i++) {
    const uint8_t byte = p->released[i];
    if (byte != 0) {
      p->released[i] = (uint8_t)(byte & (uint8_t)(byte - 1));
      return;
    }
  }
}

/* In hold: whether the track goes to its parked pose and is let go there. */
uint8_t qj_parks(const qj_player *p, uint8_t track) {
  if ((p->parking & QJ_PARK_ALL) != 0) {
    return 1;
  }
  return (uint8_t)(p->parking != 0 && (qj_manner(track) & QJ_PARKS) != 0);
}
