/* A closer look at an image than a small board has room for: every record and offset makes sense.
 * Python opens each image with this build before it goes anywhere.
 */
#include "qj_inside.h"

#ifndef QJ_SMALL_IMAGE

static uint32_t length(void) { return qj_u32(QJ_AT_LENGTH); }

/* The image's length and what lies outside of it. */
static uint32_t whole(void) {
  const uint32_t extra = qj_extra(QJ_EXTRA_MEMORY);
  return length() + (extra == 0 ? (uint32_t)0 : qj_u32(extra + (uint32_t)2));
}

/* `count` items of `size` bytes at `at` lie inside the image, behind the header. */
static uint8_t inside(uint32_t at, uint32_t count, uint32_t size) {
  return (uint8_t)(at >= (uint32_t)QJ_HEADER && at <= length() && count * size <= length() - at);
}

/* A fade's length: whole common knots, and short enough for 16-bit clocks. */
static uint8_t fade(uint32_t at) {
  const uint16_t frames = qj_u16(at);
  return (uint8_t)(frames % (uint16_t)QJ_COMMON_FRAMES == 0 && frames <= (uint16_t)16380);
}

static uint8_t check_tracks(uint8_t tracks) {
  uint8_t t;
  for (t = 0; t < tracks; t++) {
    const uint32_t at = qj_track_record(t);
    const uint8_t exponent = qj_read(at + (uint32_t)2);
    /* 4095 us is what sixteen bits of sixteenths hold, and twice what a servo knows */
    if (exponent < 2 || exponent > 5 || qj_u16(at + (uint32_t)4) > 4095 || qj_u16(at + (uint32_t)22) > 4095 ||
        qj_u16(at + (uint32_t)20) > qj_u16(at + (uint32_t)22)) {
      return 0;
    }
  }
  return 1;
}

static uint8_t check_scenes(uint8_t scenes, uint8_t channels, uint32_t loops) {
  uint8_t s;
  for (s = 0; s < scenes; s++) {
    const uint32_t at = qj_scene_record(s);
    uint8_t channel;
    if (!inside(qj_u32(at), (uint32_t)channels, 4) || !fade(at + (uint32_t)10) ||
        (qj_is_loop(s) && (uint32_t)qj_read(at + (uint32_t)9) >= loops)) {
      return 0;
    }
    for (channel = 0; channel < channels; channel++) {
      const uint32_t stream = qj_stream(s, channel);
      if (stream != 0 && (stream < (uint32_t)QJ_HEADER || stream >= whole())) {
        return 0;
      }
    }
  }
  return 1;
}

/* Every extra lies inside, and no number comes twice. */
static uint8_t check_extras(void) {
  uint32_t at = qj_u32(QJ_AT_EXTRAS);
  uint32_t seen[8] = {0, 0, 0, 0, 0, 0, 0, 0};
  while (inside(at, 1, 1)) {
    const uint8_t tag = qj_read(at);
    const uint32_t bit = (uint32_t)1 << (tag & 31);
    if (tag == 0) {
      return 1;
    }
    if (!inside(at, 1, 3) || !inside(at + (uint32_t)3, 1, qj_u16(at + (uint32_t)1)) || (seen[tag >> 5] & bit) != 0) {
      return 0;
    }
    seen[tag >> 5] |= bit;
    at += (uint32_t)3 + (uint32_t)qj_u16(at + (uint32_t)1);
  }
  return 0;
}

/* Pins beyond 127 belong to an expander that is there and serves their kind; its numbers suit the chip. */
static uint8_t check_expanders(uint8_t tracks, uint8_t lamps) {
  const uint8_t count = qj_expanders();
  uint32_t at = qj_extra(QJ_EXTRA_EXPANDERS);
  uint8_t i;
  if (at != 0 && (count == 0 || count > 4 || qj_u16(at - (uint32_t)2) != (uint16_t)(2 + 8 * count))) {
    return 0;
  }
  for (i = 0; i < count; i++) {
    at = qj_expander(i);
    if ((uint8_t)(qj_read(at + (uint32_t)1) - 1) > 1 || qj_read(at + (uint32_t)2) < 3) {
      return 0;
    }
  }
  for (i = 0; i < (uint8_t)(tracks + lamps); i++) {
    const uint8_t pin = i < tracks ? qj_track_pin(i) : qj_lamp_pin((uint8_t)(i - tracks));
    if (pin == QJ_NONE && i >= tracks) { /* a lamp for strings alone */
      continue;
    }
    if (pin >= 128 && (((pin >> 4) & 7) >= count ||
                       qj_read(qj_expander((pin >> 4) & 7) + (uint32_t)1) != (i < tracks ? 1 : 2))) {
      return 0;
    }
  }
  return 1;
}

/* The stall guard's extra: everything that it points to lies in it. */
static uint8_t check_guard(uint8_t scenes) {
  const uint32_t at = qj_extra(QJ_EXTRA_GUARD);
  const uint32_t size = at == 0 ? (uint32_t)0 : (uint32_t)qj_u16(at - (uint32_t)2);
  const uint32_t sensors = size == 0 ? (uint32_t)0 : (uint32_t)qj_read(at);
  const uint32_t rows = (uint32_t)1 + (uint32_t)10 * sensors;
  uint32_t i;
  if (at == 0) {
    return 1;
  }
  if (sensors == 0 || sensors > QJ_MAX_SENSORS || rows + (uint32_t)4 * scenes > size) {
    return 0;
  }
  for (i = 0; i < sensors; i++) {
    const uint8_t shift = qj_read(at + (uint32_t)1 + (uint32_t)10 * i + (uint32_t)6);
    if (shift == 0 || shift > 8 || qj_read(at + (uint32_t)1 + (uint32_t)10 * i + (uint32_t)8) == 0) {
      return 0;
    }
  }
  for (i = 0; i < scenes; i++) {
    const uint32_t row = at + rows + (uint32_t)4 * i;
    const uint32_t limits = qj_u16(row + (uint32_t)2);
    if (qj_read(row) > 15 || limits + sensors * (uint32_t)qj_read(row + (uint32_t)1) > (limits == 0 ? 0xFFFFu : size)) {
      return 0;
    }
  }
  return 1;
}

/* Strings follow lamps that there are; the sound module's bytes are there. */
static uint8_t check_outputs(uint8_t lamps, uint8_t scenes) {
  const uint32_t strings = qj_extra(QJ_EXTRA_STRINGS);
  const uint32_t sound = qj_extra(QJ_EXTRA_SOUND);
  uint32_t i;
  if (strings != 0) {
    if ((uint32_t)qj_u16(strings - (uint32_t)2) != (uint32_t)1 + (uint32_t)9 * qj_strings()) {
      return 0;
    }
    for (i = 0; i < (uint32_t)9 * qj_strings(); i += (uint32_t)9) {
      if (qj_read(strings + i + (uint32_t)2) == 0 || qj_read(strings + i + (uint32_t)3) >= lamps ||
          qj_read(strings + i + (uint32_t)4) >= lamps || qj_read(strings + i + (uint32_t)5) >= lamps) {
        return 0;
      }
    }
  }
  if (sound != 0) {
    const uint32_t rows = (uint32_t)QJ_SOUND_HEAD + (uint32_t)3 * ((uint32_t)scenes + (uint32_t)1);
    const uint32_t size = qj_u16(sound - (uint32_t)2);
    return (uint8_t)(rows <= size && size == rows + (uint32_t)qj_read(sound + (uint32_t)5));
  }
  return 1;
}

static uint8_t check_inputs(uint8_t inputs, uint8_t scenes) {
  uint8_t i;
  for (i = 0; i < inputs; i++) {
    const uint32_t at = qj_record(QJ_AT_INPUT_RECORDS, 12, i);
    const uint8_t scene = qj_read(at + (uint32_t)6);
    if (qj_read(at + (uint32_t)1) < QJ_INPUT_TRIGGER || qj_read(at + (uint32_t)1) > QJ_INPUT_RAIL ||
        (scene != QJ_NONE && scene >= scenes) ||
        (qj_read(at + (uint32_t)7) != 0 && qj_read(at + (uint32_t)8) >= scenes)) {
      return 0;
    }
  }
  return 1;
}

/* The policy's lists are whole and name scenes that are there; an idle list holds loops. */
static uint8_t check_policy(uint8_t inputs, uint8_t scenes) {
  uint32_t at = qj_extra(QJ_EXTRA_POLICY);
  const uint32_t end = at == 0 ? (uint32_t)0 : at + (uint32_t)qj_u16(at - (uint32_t)2);
  uint8_t list;
  if (at == 0) {
    return 1;
  }
  at += (uint32_t)7;
  for (list = 0; list <= inputs; list++) {
    const uint8_t count = qj_read(at + (uint32_t)1);
    uint8_t i;
    if (at + (uint32_t)2 + (uint32_t)2 * count > end || count > 8 || qj_read(at) > 3) {
      return 0;
    }
    at += (uint32_t)2;
    for (i = 0; i < count; i++, at += (uint32_t)2) {
      if (qj_read(at) >= scenes || qj_read(at + (uint32_t)1) == 0 || (list == 0 && !qj_is_loop(qj_read(at)))) {
        return 0;
      }
    }
  }
  return (uint8_t)(at == end);
}

/* One byte a track. */
static uint8_t check_stopping(uint8_t tracks) {
  const uint32_t at = qj_extra(QJ_EXTRA_STOPPING);
  return (uint8_t)(at == 0 || (qj_u16(at - (uint32_t)2) == (uint16_t)(4 + tracks) && fade(at)));
}

uint8_t qj_check_content(void) {
  const uint8_t tracks = qj_read(QJ_AT_TRACKS);
  const uint8_t lamps = qj_read(QJ_AT_LAMPS);
  const uint8_t switches = qj_read(QJ_AT_SWITCHES);
  const uint8_t inputs = qj_read(QJ_AT_INPUTS);
  const uint8_t scenes = qj_read(QJ_AT_SCENES);
  const uint8_t idle = qj_read(QJ_AT_IDLE);
  const uint32_t loops = qj_u32(QJ_AT_LOOPS);
  const uint32_t transitions = qj_u32(QJ_AT_TRANSITIONS);
  uint32_t i;
  if (tracks > QJ_MAX_TRACKS || lamps > QJ_MAX_LAMPS || switches > QJ_MAX_SWITCHES || inputs > QJ_MAX_INPUTS ||
      scenes == QJ_NONE || loops > (uint32_t)255 || !inside(qj_u32(QJ_AT_TRACK_RECORDS), tracks, 24) ||
      !inside(qj_u32(QJ_AT_LAMP_RECORDS), lamps, 4) || !inside(qj_u32(QJ_AT_SWITCH_RECORDS), switches, 4) ||
      !inside(qj_u32(QJ_AT_INPUT_RECORDS), inputs, 12) || !inside(qj_u32(QJ_AT_SCENE_RECORDS), scenes, 12) ||
      !check_extras() || !check_guard(scenes) || !check_policy(inputs, scenes) || !check_stopping(tracks) ||
      !check_outputs(lamps, scenes) || !check_expanders(tracks, lamps) ||
      !inside(qj_u32(QJ_AT_NAMES), 0, 1) || !inside(transitions, loops * ((uint32_t)scenes + (uint32_t)1), 4) ||
      !fade(QJ_AT_SETTLE) || !fade(QJ_AT_STOP) || !check_tracks(tracks) ||
      !check_scenes(scenes, (uint8_t)(tracks + lamps + switches), loops) || !check_inputs(inputs, scenes) ||
      (idle != QJ_NONE && (idle >= scenes || !qj_is_loop(idle)))) {
    return 0;
  }
  for (i = 0; i < loops * ((uint32_t)scenes + (uint32_t)1) * (uint32_t)2; i++) {
    if (!fade(transitions + (uint32_t)2 * i)) {
      return 0;
    }
  }
  return 1;
}

#endif

/* A file with nothing in it is not C. */
typedef int qj_content_is_checked_elsewhere;
