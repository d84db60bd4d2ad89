/* When a sound module is told to play which track (FORMAT.md, "Sound module"). */
#include "qj_inside.h"

uint8_t qj_sound(const qj_player *p, uint8_t head[QJ_SOUND_HEAD]) {
  const qj_offset at = qj_extra(QJ_EXTRA_SOUND);
  const qj_layer *const layer = qj_playing(p);
  uint8_t which = layer->scene;
  uint16_t clock = layer->frame;
  uint8_t row[3];
  if (at == 0) {
    return 0;
  }
  qj_copy(head, at, QJ_SOUND_HEAD);
  if (p->mode == QJ_STOP || p->mode == QJ_PARK) { /* a stop, or the end of the servo supply: the row behind the scenes' */
    which = qj_read(QJ_AT_SCENES);
    clock = p->since;
  } else if (which == QJ_NONE || !layer->begun || p->mode == QJ_REST) {
    return QJ_SOUND_THERE;
  }
  qj_copy(row, (qj_offset)(at + (qj_offset)(QJ_SOUND_HEAD + 3 * (uint16_t)which)), 3);
  if ((row[1] | row[2]) == 0 || (uint16_t)(row[1] | (uint16_t)((uint16_t)row[2] << 8)) != clock) {
    return QJ_SOUND_THERE;
  }
  head[0] = row[0];
  return QJ_SOUND_NOW;
}

uint8_t qj_sound_byte(uint8_t index) {
  return qj_read((qj_offset)(qj_extra(QJ_EXTRA_SOUND) +
                             (qj_offset)(QJ_SOUND_HEAD + 3 + 3 * (uint16_t)qj_read(QJ_AT_SCENES) + index)));
}
