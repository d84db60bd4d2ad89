/* What a string of addressable lamps shows: the light of the lamps that it follows (FORMAT.md, "Strings"). */
#include "qj_inside.h"

enum { RECORD = 9 };

static qj_offset record_of(uint8_t string) {
  return (qj_offset)(qj_extra(QJ_EXTRA_STRINGS) + (qj_offset)(1 + RECORD * (uint16_t)string));
}

uint8_t qj_strings(void) {
  const qj_offset at = qj_extra(QJ_EXTRA_STRINGS);
  return at == 0 ? (uint8_t)0 : qj_read(at);
}

uint8_t qj_string_pin(uint8_t string) { return qj_read(record_of(string)); }

/* Three lamps, three shares of 255, in the order in which they go over the wire. */
uint8_t qj_string_light(const qj_player *p, uint8_t string, uint8_t light[3]) {
  const qj_offset record = record_of(string);
  uint8_t i;
  for (i = 0; i < 3; i++) {
    const uint8_t lamp = qj_read((qj_offset)(record + 2 + i));
    const uint8_t share = qj_read((qj_offset)(record + 5 + i));
    const uint16_t duty = lamp < p->lamps && p->state != QJ_FAULT ? p->lamp[lamp] : (uint16_t)0;
    /* 4095 and 255 give 255 */
    light[i] = (uint8_t)((uint32_t)((uint32_t)duty * (uint32_t)share + (uint32_t)4094) >> 12);
  }
  return qj_read((qj_offset)(record + 1));
}
