/* When a sound module is told to play which track (FORMAT.md, "Sound module"). */
#include "qj_inside.h"

uint8_t qj_sound(const qj_player *p, uint8_t head[QJ_SOUND_HEAD]) {
  const qj_offset at = qj_extra(QJ_EXTRA_SOUND);
  const qj_layer *const layer = &p->layer[p->mode == QJ_LEAVE ? p->current ^ 1 : p->current];
  uint8_t row[3];
  if (at == 0) {
    return 0;
  }
  qj_copy(head, at, QJ_SOUND_HEAD);
  if (layer->scene == QJ_NONE || !layer->begun || p->mode == QJ_STOP || p->mode == QJ_REST) {
    return QJ_SOUND_THERE;
  }
  qj_copy(row, (qj_offset)(at + (qj_offset)(QJ_SOUND_HEAD + 3 * (uint16_t)layer->scene)), 3);
  if ((row[1] | row[2]) == 0 || (uint16_t)(row[1] | (uint16_t)((uint16_t)row[2] << 8)) != layer->frame) {
    return QJ_SOUND_THERE;
  }
  head[0] = row[0];
  return QJ_SOUND_NOW;
}

uint8_t qj_sound_byte(uint8_t index) {
  return qj_read((qj_offset)(qj_extra(QJ_EXTRA_SOUND) +
                             (qj_offset)(QJ_SOUND_HEAD + 3 * (uint16_t)qj_read(QJ_AT_SCENES) + index)));
}
