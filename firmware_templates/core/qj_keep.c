/* Run counters over power cuts. The older slot stays whole until the newer one's last byte, its CRC, is there. */
#include "qj_keep.h"

#include "qj_link.h"

#define QUARTER ((uint16_t)45000) /* frames in a quarter of an hour */

static void changed(qj_keep *k) {
  if (k->at == QJ_KEEP_LENGTH) { /* otherwise the record that is being written begins anew */
    k->words[QJ_KEEP_NUMBER] = (uint16_t)(k->words[QJ_KEEP_NUMBER] + 1);
  }
  k->at = 0;
}

void qj_keep_open(qj_keep *k) {
  uint8_t found = 0;
  uint8_t slot;
  uint8_t i;
  for (i = 0; i < QJ_KEEP_WORDS; i++) {
    k->words[i] = 0;
  }
  k->slot = 0;
  for (slot = 0; slot <= QJ_KEEP_SLOT; slot = (uint8_t)(slot + QJ_KEEP_SLOT)) {
    uint16_t word[QJ_KEEP_WORDS + 1];
    uint16_t crc = 0xFFFF; /* over a record and its CRC it comes to nothing */
    for (i = 0; i < QJ_KEEP_LENGTH; i++) {
      const uint8_t byte = qj_memory((uint16_t)(slot + i));
      crc = qj_crc16(crc, byte);
      if ((i & 1) == 0) {
        word[i >> 1] = (uint16_t)((uint16_t)byte << 8);
      } else {
        word[i >> 1] = (uint16_t)(word[i >> 1] | byte);
      }
    }
    if (crc == 0 && (found == 0 || (uint16_t)(word[QJ_KEEP_NUMBER] - k->words[QJ_KEEP_NUMBER]) < (uint16_t)0x8000)) {
      for (i = 0; i < QJ_KEEP_WORDS; i++) {
        k->words[i] = word[i];
      }
      k->slot = (uint8_t)(slot ^ QJ_KEEP_SLOT);
      found = 1;
    }
  }
  k->plays = 0;
  k->frames = 0;
  k->at = QJ_KEEP_LENGTH;
  k->words[QJ_KEEP_BOOTS] = (uint16_t)(k->words[QJ_KEEP_BOOTS] + 1);
  changed(k);
}

static uint8_t due(const qj_keep *k) {
  uint16_t word = 0xFFFF;
  uint8_t i;
  if (k->at >= 2 * QJ_KEEP_WORDS) {
    for (i = 0; i < QJ_KEEP_WORDS; i++) {
      word = qj_crc16(qj_crc16(word, (uint8_t)(k->words[i] >> 8)), (uint8_t)(k->words[i] & 0xFF));
    }
  } else {
    word = k->words[k->at >> 1];
  }
  return (uint8_t)((k->at & 1) != 0 ? word & 0xFF : word >> 8);
}

void qj_keep_frame(qj_keep *k, const qj_player *p) {
  const uint16_t more = (uint16_t)(p->plays - k->plays);
  if (more != 0) {
    k->plays = p->plays;
    k->words[QJ_KEEP_PLAYS] = (uint16_t)(k->words[QJ_KEEP_PLAYS] + more);
    if (k->words[QJ_KEEP_PLAYS] < more) {
      k->words[QJ_KEEP_PLAYS_HIGH] = (uint16_t)(k->words[QJ_KEEP_PLAYS_HIGH] + 1);
    }
    changed(k);
  }
  k->frames = (uint16_t)(k->frames + 1);
  if (k->frames == QUARTER) {
    k->frames = 0;
    k->words[QJ_KEEP_QUARTERS] = (uint16_t)(k->words[QJ_KEEP_QUARTERS] + 1);
    changed(k);
  }
  if (k->at == QJ_KEEP_LENGTH || p->state == QJ_SETTLE || p->state == QJ_SCENE) {
    return;
  }
  if (qj_memory_put((uint16_t)(k->slot + k->at), due(k)) == QJ_DONE) {
    k->at = (uint8_t)(k->at + 1);
    if (k->at == QJ_KEEP_LENGTH) {
      k->slot = (uint8_t)(k->slot ^ QJ_KEEP_SLOT);
    }
  }
}
