/* Where the tracks stand when the player starts: parked, or where they were before a reset. */
#include "qj_inside.h"

void qj_start_from(qj_player *p, const uint16_t *pulse) {
  uint8_t i;
  for (i = 0; i < p->tracks; i++) {
    const qj_offset record = qj_track_record(i);
    int16_t *const c = p->window[i];
    uint16_t point = qj_u16((qj_offset)(record + 8));
    if (pulse[i] != 0) {
      /* sixteenths of a us from the origin, then LSB; 0x8000 stands for none, so that nothing is negative */
      uint8_t exponent = qj_read((qj_offset)(record + 2));
      point = (uint16_t)(pulse[i] - (uint16_t)(qj_u16((qj_offset)(record + 4)) << 4) + (uint16_t)0x8000);
      for (; exponent < 4; exponent++) {
        point = (uint16_t)((uint16_t)(point >> 1) + (uint16_t)0x4000);
      }
      if (exponent > 4) {
        point = (uint16_t)((uint16_t)(point << 1) + (uint16_t)0x8000);
      }
      point ^= (uint16_t)0x8000;
    }
    c[0] = (int16_t)point;
    c[1] = (int16_t)point;
    c[2] = (int16_t)point;
    c[3] = (int16_t)point;
  }
}
