/* Run counters over power cuts. The older slot stays whole until the newer one's last byte, its CRC, is there. */
#include "qj_keep.h"

#include "qj_link.h"

#define QUARTER ((uint16_t)45000) /* frames in a quarter of an hour */

/* One more, in a number of `size` bytes; then the record is to be written, from its beginning. */
static QJ_ONCE void count(qj_keep *k, uint8_t at, uint8_t size) {
  uint16_t crc = 0xFFFF;
  if (k->at == QJ_KEEP_LENGTH) { /* otherwise the slot that is being written is not whole yet */
    k->bytes[QJ_KEEP_NUMBER] = (uint8_t)(k->bytes[QJ_KEEP_NUMBER] + 1);
  }
  k->at = 0;
  do {
    k->bytes[at] = (uint8_t)(k->bytes[at] + 1);
  } while (k->bytes[at++] == 0 && --size != 0);
  for (at = 0; at < QJ_KEEP_CRC; at++) {
    crc = qj_crc16(crc, k->bytes[at]);
  }
  k->bytes[QJ_KEEP_CRC] = (uint8_t)(crc >> 8);
  k->bytes[QJ_KEEP_CRC + 1] = (uint8_t)(crc & 0xFF);
}

void qj_keep_open(qj_keep *k) {
  uint8_t slot;
  uint8_t i;
  for (i = 0; i < QJ_KEEP_LENGTH; i++) {
    k->bytes[i] = 0;
  }
  k->slot = 0;
  k->at = QJ_KEEP_LENGTH;
  k->plays = 0;
  k->frames = 0;
  for (slot = 0; slot <= QJ_KEEP_SLOT; slot = (uint8_t)(slot + QJ_KEEP_SLOT)) {
    uint16_t crc = 0xFFFF; /* over a record and its CRC it comes to nothing */
    const uint8_t newer = (uint8_t)(qj_memory(slot) - k->bytes[QJ_KEEP_NUMBER]);
    for (i = 0; i < QJ_KEEP_LENGTH; i++) {
      crc = qj_crc16(crc, qj_memory((uint16_t)(slot + i)));
    }
    if (crc == 0 && (k->slot == 0 || newer < 128)) { /* what is found in the first slot makes the second one due */
      for (i = 0; i < QJ_KEEP_LENGTH; i++) {
        k->bytes[i] = qj_memory((uint16_t)(slot + i));
      }
      k->slot = (uint8_t)(slot ^ QJ_KEEP_SLOT);
    }
  }
  count(k, QJ_KEEP_BOOTS, 2);
}

void qj_keep_frame(qj_keep *k, const qj_player *p) {
  while (k->plays != p->plays) {
    k->plays = (uint16_t)(k->plays + 1);
    count(k, QJ_KEEP_PLAYS, 3);
  }
  k->frames = (uint16_t)(k->frames + 1);
  if (k->frames == QUARTER) {
    k->frames = 0;
    count(k, QJ_KEEP_QUARTERS, 2);
  }
  /* Settling takes twelve frames at least, so the number of a boot is kept before its first scene begins. */
  if (k->at == QJ_KEEP_LENGTH || p->state == QJ_SCENE) {
    return;
  }
  if (qj_memory_put((uint16_t)(k->slot + k->at), k->bytes[k->at]) == QJ_DONE) {
    k->at = (uint8_t)(k->at + 1);
    if (k->at == QJ_KEEP_LENGTH) {
      k->slot = (uint8_t)(k->slot ^ QJ_KEEP_SLOT);
    }
  }
}

uint16_t qj_keep_boots(const qj_keep *k) {
  return (uint16_t)(k->bytes[QJ_KEEP_BOOTS] | (uint16_t)((uint16_t)k->bytes[QJ_KEEP_BOOTS + 1] << 8));
}
