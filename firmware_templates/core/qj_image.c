/* Reading the show image, and checking it once before anything is believed. */
#include "qj_inside.h"

uint16_t qj_u16(uint32_t at) {
  return (uint16_t)((uint16_t)qj_read(at) | (uint16_t)((uint16_t)qj_read(at + (uint32_t)1) << 8));
}

int16_t qj_i16(uint32_t at) { return (int16_t)qj_u16(at); }

uint32_t qj_u32(uint32_t at) {
  return (uint32_t)qj_u16(at) | ((uint32_t)qj_u16(at + (uint32_t)2) << 16);
}

/* Seven bits a byte, low ones first; at most four bytes are read, whatever they say. */
uint32_t qj_varint(uint32_t *at) {
  uint32_t value = 0;
  uint8_t shift;
  for (shift = 0; shift < 28; shift = (uint8_t)(shift + 7)) {
    const uint8_t byte = qj_read(*at);
    *at += (uint32_t)1;
    value |= (uint32_t)(byte & 0x7F) << shift;
    if ((byte & 0x80) == 0) {
      break;
    }
  }
  return value;
}

uint32_t qj_track_record(uint8_t track) {
  return qj_u32(QJ_AT_TRACK_RECORDS) + (uint32_t)24 * (uint32_t)track;
}

uint32_t qj_scene_record(uint8_t scene) {
  return qj_u32(QJ_AT_SCENE_RECORDS) + (uint32_t)12 * (uint32_t)scene;
}

uint32_t qj_input_record(uint8_t input) {
  return qj_u32(QJ_AT_INPUT_RECORDS) + (uint32_t)12 * (uint32_t)input;
}

/* `entered` QJ_NONE = the last column, to rest. */
uint32_t qj_transition_record(uint8_t left, uint8_t entered) {
  const uint8_t scenes = qj_read(QJ_AT_SCENES);
  const uint8_t row = qj_read(qj_scene_record(left) + (uint32_t)9);
  const uint8_t column = entered == QJ_NONE ? scenes : entered;
  return qj_u32(QJ_AT_TRANSITIONS) +
         (uint32_t)4 * ((uint32_t)row * ((uint32_t)scenes + (uint32_t)1) + (uint32_t)column);
}

uint8_t qj_is_loop(uint8_t scene) {
  return scene == QJ_NONE ? 0 : (uint8_t)(qj_read(qj_scene_record(scene) + (uint32_t)8) & 1);
}

uint16_t qj_fade_in(uint8_t loop) { return qj_u16(qj_scene_record(loop) + (uint32_t)10); }

uint32_t qj_stream(uint8_t scene, uint8_t channel) {
  return qj_u32(qj_u32(qj_scene_record(scene)) + (uint32_t)4 * (uint32_t)channel);
}

uint8_t qj_track_pin(uint8_t track) { return qj_read(qj_track_record(track)); }

static uint32_t lamp_record(uint8_t lamp) { return qj_u32(QJ_AT_LAMP_RECORDS) + (uint32_t)4 * (uint32_t)lamp; }

uint8_t qj_lamp_pin(uint8_t lamp) { return qj_read(lamp_record(lamp)); }
uint8_t qj_lamp_flags(uint8_t lamp) { return qj_read(lamp_record(lamp) + (uint32_t)1); }

static uint32_t switch_record(uint8_t sw) { return qj_u32(QJ_AT_SWITCH_RECORDS) + (uint32_t)4 * (uint32_t)sw; }

uint8_t qj_switch_pin(uint8_t sw) { return qj_read(switch_record(sw)); }
uint8_t qj_switch_flags(uint8_t sw) { return qj_read(switch_record(sw) + (uint32_t)1); }

uint8_t qj_input_pin(uint8_t input) { return qj_read(qj_input_record(input)); }
uint8_t qj_input_flags(uint8_t input) { return qj_read(qj_input_record(input) + (uint32_t)2); }

/* CRC-32 (ISO-HDLC), bit by bit: it runs once, and a table would cost more flash than it is worth. */
static uint32_t crc32(uint32_t from, uint32_t to) {
  uint32_t crc = (uint32_t)0xFFFFFFFF;
  uint32_t at;
  for (at = from; at < to; at++) {
    uint8_t bit;
    crc ^= (uint32_t)qj_read(at);
    for (bit = 0; bit < 8; bit++) {
      crc = (crc & (uint32_t)1) != 0 ? (crc >> 1) ^ (uint32_t)0xEDB88320 : crc >> 1;
    }
  }
  return crc ^ (uint32_t)0xFFFFFFFF;
}

/* `count` records of `size` bytes at the offset that stands at `field` lie inside the image. */
static uint8_t inside(uint32_t at, uint32_t count, uint32_t size, uint32_t length) {
  return (uint8_t)(at >= (uint32_t)QJ_HEADER && at <= length && count * size <= length - at);
}

static uint8_t whole_knots(uint16_t frames) { return (uint8_t)(frames % (uint16_t)QJ_COMMON_FRAMES == 0); }

static uint8_t check_tracks(uint8_t tracks) {
  uint8_t t;
  for (t = 0; t < tracks; t++) {
    const uint32_t at = qj_track_record(t);
    const uint8_t n = qj_read(at + (uint32_t)1);
    const uint8_t exponent = qj_read(at + (uint32_t)2);
    if ((n != 1 && n != 2 && n != 3 && n != 6) || exponent < 2 || exponent > 5) {
      return 0;
    }
    /* 4095 us is what sixteen bits of sixteenths hold, and twice what a servo knows */
    if (qj_u16(at + (uint32_t)4) > 4095 || qj_u16(at + (uint32_t)22) > 4095 ||
        qj_u16(at + (uint32_t)20) > qj_u16(at + (uint32_t)22)) {
      return 0;
    }
  }
  return 1;
}

static uint8_t check_scenes(uint8_t scenes, uint8_t channels, uint32_t loops, uint32_t length) {
  uint8_t s;
  for (s = 0; s < scenes; s++) {
    const uint32_t at = qj_scene_record(s);
    const uint32_t frames = qj_u32(at + (uint32_t)4);
    uint8_t channel;
    if (!inside(qj_u32(at), (uint32_t)channels, 4, length) || frames < (uint32_t)QJ_COMMON_FRAMES ||
        frames > (uint32_t)0xFFFFFF || frames % (uint32_t)QJ_COMMON_FRAMES != 0 || !whole_knots(qj_fade_in(s))) {
      return 0;
    }
    if (qj_is_loop(s) && (uint32_t)qj_read(at + (uint32_t)9) >= loops) {
      return 0;
    }
    for (channel = 0; channel < channels; channel++) {
      const uint32_t stream = qj_stream(s, channel);
      if (stream != 0 && !inside(stream, 1, 1, length)) {
        return 0;
      }
    }
  }
  return 1;
}

static uint8_t check_inputs(uint8_t inputs, uint8_t scenes) {
  uint8_t i;
  for (i = 0; i < inputs; i++) {
    const uint32_t at = qj_input_record(i);
    const uint8_t scene = qj_read(at + (uint32_t)6);
    const uint8_t nth = qj_read(at + (uint32_t)8);
    if ((scene != QJ_NONE && scene >= scenes) || (nth != QJ_NONE && nth >= scenes)) {
      return 0;
    }
  }
  return 1;
}

static uint8_t check_transitions(uint8_t scenes, uint32_t loops, uint32_t length) {
  const uint32_t at = qj_u32(QJ_AT_TRANSITIONS);
  const uint32_t count = loops * ((uint32_t)scenes + (uint32_t)1);
  uint32_t i;
  if (loops > (uint32_t)255 || !inside(at, count, 4, length)) {
    return 0;
  }
  for (i = 0; i < count * (uint32_t)2; i++) {
    if (!whole_knots(qj_u16(at + (uint32_t)2 * i))) {
      return 0;
    }
  }
  return 1;
}

uint8_t qj_check_image(uint8_t board) {
  const uint32_t length = qj_u32(QJ_AT_LENGTH);
  const uint8_t tracks = qj_read(QJ_AT_TRACKS);
  const uint8_t lamps = qj_read(QJ_AT_LAMPS);
  const uint8_t switches = qj_read(QJ_AT_SWITCHES);
  const uint8_t inputs = qj_read(QJ_AT_INPUTS);
  const uint8_t scenes = qj_read(QJ_AT_SCENES);
  const uint8_t idle = qj_read(QJ_AT_IDLE);
  const uint32_t loops = qj_u32(QJ_AT_LOOPS);
  if (qj_read(0) != 'Q' || qj_read(1) != 'J' || qj_read(2) != 'K' || qj_read(3) != '1') {
    return QJ_NO_IMAGE;
  }
  if (qj_read(QJ_AT_VERSION) != 1) {
    return QJ_BAD_VERSION;
  }
  if (length < (uint32_t)QJ_HEADER || length > qj_read_limit() || length > QJ_OFFSET_MAX ||
      crc32(QJ_AT_VERSION, length) != qj_u32(QJ_AT_CRC)) {
    return QJ_BAD_CRC;
  }
  if (board != QJ_ANY_BOARD && qj_read(QJ_AT_BOARD) != board) {
    return QJ_WRONG_BOARD;
  }
  if (tracks > QJ_MAX_TRACKS || lamps > QJ_MAX_LAMPS || switches > QJ_MAX_SWITCHES || inputs > QJ_MAX_INPUTS ||
      scenes == QJ_NONE || !inside(qj_u32(QJ_AT_TRACK_RECORDS), tracks, 24, length) ||
      !inside(qj_u32(QJ_AT_LAMP_RECORDS), lamps, 4, length) ||
      !inside(qj_u32(QJ_AT_SWITCH_RECORDS), switches, 4, length) ||
      !inside(qj_u32(QJ_AT_INPUT_RECORDS), inputs, 12, length) ||
      !inside(qj_u32(QJ_AT_SCENE_RECORDS), scenes, 12, length) ||
      !inside(qj_u32(QJ_AT_NAMES), 0, 1, length) || !check_transitions(scenes, loops, length) ||
      !whole_knots(qj_u16(QJ_AT_SETTLE)) || !whole_knots(qj_u16(QJ_AT_STOP)) || !check_tracks(tracks) ||
      !check_scenes(scenes, (uint8_t)(tracks + lamps + switches), loops, length) || !check_inputs(inputs, scenes) ||
      (idle != QJ_NONE && (idle >= scenes || !qj_is_loop(idle)))) {
    return QJ_BAD_CONTENT;
  }
  return QJ_OK;
}
