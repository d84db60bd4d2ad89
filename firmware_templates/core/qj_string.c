/* What a string of addressable lamps shows: the light of the lamps that it follows (FORMAT.md, "Strings"). */
#include "qj_inside.h"

enum { RECORD = 9 };

uint8_t qj_strings(void) {
  const qj_offset at = qj_extra(QJ_EXTRA_STRINGS);
  return at == 0 ? (uint8_t)0 : qj_read(at);
}

uint8_t qj_string_light(const qj_player *p, uint8_t string, uint8_t light[3], uint8_t *pin) {
  uint8_t r[RECORD];
  uint8_t i;
  qj_copy(r, (qj_offset)(qj_extra(QJ_EXTRA_STRINGS) + (qj_offset)(1 + RECORD * (uint16_t)string)), RECORD);
  for (i = 0; i < 3; i++) {
    const uint16_t duty = r[2 + i] < p->lamps && p->state != QJ_FAULT ? p->lamp[r[2 + i]] : (uint16_t)0;
    /* 4095 and 255 give 255 */
    light[i] = (uint8_t)((uint32_t)((uint32_t)duty * (uint32_t)r[5 + i] + (uint32_t)4094) >> 12);
  }
  *pin = r[0];
  return r[1];
}
