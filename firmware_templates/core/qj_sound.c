/* When a sound module is told to play which track (FORMAT.md, "Sound module"). */
#include "qj_inside.h"

uint8_t qj_sound(const qj_player *p, uint8_t *track) {
  const qj_offset at = qj_extra(QJ_EXTRA_SOUND);
  const qj_layer *const layer = &p->layer[p->mode == QJ_LEAVE ? p->current ^ 1 : p->current];
  qj_offset row;
  uint16_t clock;
  if (at == 0 || layer->scene == QJ_NONE || !layer->begun || p->mode == QJ_STOP || p->mode == QJ_REST) {
    return 0;
  }
  row = (qj_offset)(at + (qj_offset)(QJ_SOUND_HEAD + 3 * (uint16_t)layer->scene));
  *track = qj_read(row);
  clock = qj_u16((qj_offset)(row + 1));
  return (uint8_t)(clock != 0 && clock == layer->frame);
}

static qj_offset field(uint8_t at) { return (qj_offset)(qj_extra(QJ_EXTRA_SOUND) + at); }

uint8_t qj_sound_flags(void) { return field(0) == 0 ? (uint8_t)QJ_NONE : qj_read(field(1)); }
uint8_t qj_sound_pin(void) { return qj_read(field(0)); }
uint16_t qj_sound_time(void) { return qj_u16(field(2)); }

uint8_t qj_sound_byte(uint8_t index, uint8_t track, uint8_t *byte) {
  if (index >= qj_read(field(5))) {
    return 0;
  }
  *byte = index == qj_read(field(4))
              ? track
              : qj_read((qj_offset)(field(QJ_SOUND_HEAD) + (qj_offset)(3 * (uint16_t)qj_read(QJ_AT_SCENES) + index)));
  return 1;
}
