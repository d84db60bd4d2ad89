/* Reading the show image, and checking it once before anything is believed. */
#include "qj_inside.h"

uint16_t qj_u16(qj_offset at) {
  const uint8_t low = qj_read(at);
  return (uint16_t)(low | (uint16_t)((uint16_t)qj_read((qj_offset)(at + 1)) << 8));
}

QJ_ONCE uint16_t qj_get16(const uint8_t *at) { return (uint16_t)(at[0] | (uint16_t)((uint16_t)at[1] << 8)); }

uint32_t qj_u32(qj_offset at) {
  const uint16_t low = qj_u16(at);
  return (uint32_t)low | ((uint32_t)qj_u16((qj_offset)(at + 2)) << 16);
}

qj_offset qj_at(qj_offset at) {
#ifdef QJ_SMALL_IMAGE
  return qj_u16(at); /* the image's length, checked, leaves the upper half zero */
#else
  return qj_u32(at);
#endif
}

/* Seven bits a byte, low ones first; at most four bytes are read, whatever they say. */
uint32_t qj_varint(qj_offset *at) {
  uint32_t value = 0;
  uint8_t shift = 0;
  uint8_t byte;
  do {
    byte = qj_read(*at);
    *at = (qj_offset)(*at + 1);
    value |= (uint32_t)(byte & 0x7F) << shift;
    shift = (uint8_t)(shift + 7);
  } while ((byte & 0x80) != 0 && shift < 28);
  return value;
}

void qj_copy(uint8_t *to, qj_offset at, uint8_t count) {
  for (; count != 0; count--) {
    *to++ = qj_read(at);
    at = (qj_offset)(at + 1);
  }
}

/* Record `index` of the table whose offset stands at `table` in the header. */
QJ_ONCE qj_offset qj_record(uint8_t table, uint8_t size, uint8_t index) {
  return (qj_offset)(qj_at(table) + (qj_offset)((uint16_t)size * (uint16_t)index));
}

/* Where the tracks' records begin: asked so often that a frame would take half as long again to look it up. */
static qj_offset track_records;

QJ_ONCE qj_offset qj_track_record(uint8_t track) { return (qj_offset)(track_records + (qj_offset)((uint16_t)24 * (uint16_t)track)); }

qj_offset qj_scene_record(uint8_t scene) { return qj_record(QJ_AT_SCENE_RECORDS, 12, scene); }

uint8_t qj_knot_frames(uint8_t track) { return qj_read((qj_offset)(qj_track_record(track) + 1)); }

int16_t qj_rest_point(uint8_t track) { return (int16_t)qj_u16((qj_offset)(qj_track_record(track) + 6)); }

uint8_t qj_is_loop(uint8_t scene) {
  return scene == QJ_NONE ? 0 : (uint8_t)(qj_read((qj_offset)(qj_scene_record(scene) + 8)) & 1);
}

qj_offset qj_stream(uint8_t scene, uint8_t channel) {
  return qj_at((qj_offset)(qj_at(qj_scene_record(scene)) + (qj_offset)((uint16_t)channel << 2)));
}

qj_offset qj_extra(uint8_t tag) {
  qj_offset at = qj_at(QJ_AT_EXTRAS);
  uint8_t found = qj_read(at);
  while ((uint8_t)(found + 1) > 1) { /* 0 ends the list; 255 is what lies behind an image that forgot to */
    const qj_offset content = (qj_offset)(at + 3);
    if (found == tag) {
      return content;
    }
    at = (qj_offset)(content + qj_u16((qj_offset)(at + 1)));
    if (at < content) { /* an offset of 16 bits went round: never in a compiled image, and never for ever */
      break;
    }
    found = qj_read(at);
  }
  return 0;
}

uint8_t qj_track_pin(uint8_t track) { return qj_read(qj_track_record(track)); }
uint8_t qj_lamp_pin(uint8_t lamp) { return qj_read(qj_record(QJ_AT_LAMP_RECORDS, 4, lamp)); }
uint8_t qj_lamp_flags(uint8_t lamp) { return qj_read((qj_offset)(qj_record(QJ_AT_LAMP_RECORDS, 4, lamp) + 1)); }
uint8_t qj_switch_pin(uint8_t sw) { return qj_read(qj_record(QJ_AT_SWITCH_RECORDS, 4, sw)); }
uint8_t qj_switch_flags(uint8_t sw) { return qj_read((qj_offset)(qj_record(QJ_AT_SWITCH_RECORDS, 4, sw) + 1)); }
uint8_t qj_input_pin(uint8_t input) { return qj_read(qj_record(QJ_AT_INPUT_RECORDS, 12, input)); }
uint8_t qj_input_flags(uint8_t input) { return qj_read((qj_offset)(qj_record(QJ_AT_INPUT_RECORDS, 12, input) + 2)); }

/* Bit by bit: a table would cost more flash than the time is worth. */
QJ_ONCE uint32_t qj_crc32(uint32_t crc, uint8_t byte) {
  uint8_t bit;
  crc ^= (uint32_t)byte;
  for (bit = 0; bit < 8; bit++) {
    const uint8_t out = (uint8_t)((uint8_t)crc & 1);
    crc >>= 1;
    if (out) {
      crc ^= (uint32_t)0xEDB88320;
    }
  }
  return crc;
}

uint8_t qj_walk_image(qj_image_walk *w, uint8_t count) {
  const qj_offset end = qj_at(QJ_AT_LENGTH);
  if (w->at == 0) {
    w->at = QJ_AT_VERSION;
    w->crc = (uint32_t)0xFFFFFFFF;
  }
  for (; w->at < end; w->at++) {
    if (count-- == 0) {
      return 1;
    }
    w->crc = qj_crc32(w->crc, qj_read(w->at));
  }
  w->at = 0;
  return (uint8_t)(~w->crc == qj_u32(QJ_AT_CRC));
}

static uint8_t intact(void) {
  qj_image_walk w = {0, 0};
  while (qj_walk_image(&w, 255)) {
    if (w.at == 0) { /* the end, and no complaint */
      return 1;
    }
  }
  return 0;
}

/* Where a show ends that goes on outside: eight chips on a bus, and an offset must reach all of it. */
#ifndef QJ_OUTSIDE_END
#ifdef QJ_SMALL_IMAGE
#define QJ_OUTSIDE_END ((uint32_t)QJ_OFFSET_MAX)
#else
#define QJ_OUTSIDE_END ((uint32_t)0x80000)
#endif
#endif

/* What lies outside (FORMAT.md, "Memory") has its own CRC, which the image's CRC vouches for. */
static uint8_t outside_intact(qj_offset at) {
  const qj_offset extra = qj_extra(QJ_EXTRA_MEMORY);
  uint32_t crc = (uint32_t)0xFFFFFFFF;
  uint32_t size;
  qj_offset left;
  if (extra == 0) {
    return 1;
  }
  qj_outside(at, qj_read(extra));
  size = qj_u32((qj_offset)(extra + 2));
  if (size > QJ_OUTSIDE_END || (uint32_t)at > QJ_OUTSIDE_END - size) {
    return 0;
  }
  for (left = (qj_offset)size; left != 0; left--) {
    crc = qj_crc32(crc, qj_read(at));
    at = (qj_offset)(at + 1);
  }
  return (uint8_t)(~crc == qj_u32((qj_offset)(extra + 6)));
}

/* What the player's own memory and divisions depend on. The CRC vouches for the rest. */
static uint8_t playable(void) {
  uint8_t i;
  if (qj_read(QJ_AT_TRACKS) > QJ_MAX_TRACKS || qj_read(QJ_AT_LAMPS) > QJ_MAX_LAMPS ||
      qj_read(QJ_AT_SWITCHES) > QJ_MAX_SWITCHES || qj_read(QJ_AT_INPUTS) > QJ_MAX_INPUTS) {
    return 0;
  }
  for (i = qj_read(QJ_AT_TRACKS); i-- != 0;) {
    const uint8_t n = qj_knot_frames(i);
    if (n == 0 || QJ_COMMON_FRAMES % n != 0) {
      return 0;
    }
  }
  for (i = qj_read(QJ_AT_SCENES); i-- != 0;) {
    const qj_offset at = qj_scene_record(i);
    const uint16_t frames = qj_u16((qj_offset)(at + 4));
    if (frames == 0 || frames % (uint16_t)QJ_COMMON_FRAMES != 0 || qj_u16((qj_offset)(at + 6)) != 0) {
      return 0;
    }
  }
  return 1;
}

uint8_t qj_check_image(uint8_t board) {
  const uint32_t length = qj_u32(QJ_AT_LENGTH);
  track_records = qj_at(QJ_AT_TRACK_RECORDS);
  if (qj_u32(0) != (uint32_t)0x314B4A51) { /* "QJK1" */
    return QJ_NO_IMAGE;
  }
  if (qj_read(QJ_AT_VERSION) != QJ_FORMAT) {
    return QJ_BAD_VERSION;
  }
  if (length < (uint32_t)QJ_HEADER || length > qj_read_limit() || !intact() || !outside_intact((qj_offset)length)) {
    return QJ_BAD_CRC;
  }
  if (board != QJ_ANY_BOARD && qj_read(QJ_AT_BOARD) != board) {
    return QJ_WRONG_BOARD;
  }
#ifndef QJ_SMALL_IMAGE
  if (!qj_check_content()) {
    return QJ_BAD_CONTENT;
  }
#endif
  return playable() ? QJ_OK : QJ_BAD_CONTENT;
}
