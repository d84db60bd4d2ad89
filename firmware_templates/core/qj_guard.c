/* The stall guard: currents held against what each scene was seen to draw (FORMAT.md, "Stall guard").
 *
 * The image carries limits, not what was learned: the compiler has added the margins, so that a board only compares.
 * A scene is cut into slices of 2^shift frames; each sensor has one byte a slice.
 */
#include "qj_inside.h"

enum { RECORD = 10, ROW = 4, HOLD = 1, TELL = 2 };

static void record_of(uint8_t sensor, uint8_t r[RECORD]) {
  qj_copy(r, (qj_offset)(qj_extra(QJ_EXTRA_GUARD) + (qj_offset)(1 + RECORD * (uint16_t)sensor)), RECORD);
}

static uint16_t word_of(const uint8_t *at) { return (uint16_t)(at[0] | (uint16_t)((uint16_t)at[1] << 8)); }

void qj_guard_open(qj_player *p) {
  const qj_offset at = qj_extra(QJ_EXTRA_GUARD);
  uint8_t i;
  p->watched = QJ_NONE;
  p->was_watched = QJ_NONE;
  if (at != 0) {
    p->sensors = qj_read(at);
    if (p->sensors > QJ_MAX_SENSORS) {
      p->sensors = QJ_MAX_SENSORS;
    }
  }
  for (i = 0; i < p->sensors; i++) {
    p->sensor[i].mean = 0xFFFF;
  }
}

uint8_t qj_sensor_pin(uint8_t sensor) {
  uint8_t r[RECORD];
  record_of(sensor, r);
  return r[0];
}

/* A mean over 64 readings. It never gets to 0xFFFF: 64 * 1023 is less, and stays. */
void qj_reading(qj_player *p, uint8_t sensor, uint16_t counts) {
  uint16_t *const mean = &p->sensor[sensor].mean;
  if (*mean == 0xFFFF) {
    *mean = (uint16_t)(counts << 6);
  } else {
    *mean = (uint16_t)(*mean - (*mean >> 6) + counts);
  }
}

/* How far the mean lies from where nothing flows, 1/64 of a count. */
static uint16_t away(uint16_t mean, const uint8_t r[RECORD]) {
  const uint16_t offset = word_of(r + 4);
  return mean > offset ? (uint16_t)(mean - offset) : (uint16_t)(offset - mean);
}

uint16_t qj_measured(const qj_player *p, uint8_t sensor) {
  const uint16_t mean = p->sensor[sensor].mean;
  uint8_t r[RECORD];
  if (mean == 0xFFFF) {
    return 0xFFFF;
  }
  record_of(sensor, r);
  return (uint16_t)((uint32_t)away(mean, r) * (uint32_t)word_of(r + 2) >> 15);
}

uint16_t qj_supply(const qj_player *p, uint8_t watches) {
  uint8_t r[RECORD];
  uint8_t i;
  for (i = 0; i < p->sensors; i++) {
    record_of(i, r);
    if (r[1] == watches) {
      return qj_measured(p, i);
    }
  }
  return 0xFFFF;
}

void qj_trip(qj_player *p, uint8_t track) {
  uint8_t i;
  for (i = 0; i < QJ_MAX_TRACKS; i++) {
    if (track == i || track == QJ_NONE) {
      p->off[i] = (uint8_t)(p->off[i] | QJ_OFF_TRIPPED);
    }
  }
}

/* What the scene's motion alone is in: a fade's current was never learned. */
static uint8_t scene_now(const qj_player *p) { return p->mode == QJ_PLAIN ? p->layer[p->current].scene : QJ_NONE; }

void qj_guard_frame(qj_player *p) {
  const uint16_t frame = p->layer[p->current].frame;
  const uint8_t scene = scene_now(p);
  uint8_t slice = 0, slices = 0;
  qj_offset limits = 0;
  uint8_t i;
  if (p->sensors == 0) {
    return;
  }
  if (scene != QJ_NONE) {
    const qj_offset content = qj_extra(QJ_EXTRA_GUARD);
    uint8_t row[ROW];
    uint16_t at;
    qj_copy(row, (qj_offset)(content + (qj_offset)(1 + RECORD * (uint16_t)p->sensors + ROW * (uint16_t)scene)), ROW);
    at = word_of(row + 2);
    slice = (uint8_t)(frame >> (row[0] & 15));
    slices = row[1];
    if (at != 0 && slice < slices && p->learning == 0) {
      limits = (qj_offset)(content + at + slice);
    }
  }
  if (scene != p->watched || slice != p->slice) {
    p->was_watched = p->watched;
    p->was_slice = p->slice;
    p->watched = scene;
    p->slice = slice;
    for (i = 0; i < p->sensors; i++) {
      p->sensor[i].ended = p->sensor[i].peak;
      p->sensor[i].peak = 0;
    }
  }
  for (i = 0; i < p->sensors; i++) {
    qj_sensor *const s = &p->sensor[i];
    uint8_t r[RECORD];
    uint16_t value;
    uint8_t limit;
    if (s->mean == 0xFFFF) {
      continue;
    }
    record_of(i, r);
    value = (uint16_t)(away(s->mean, r) >> (r[6] & 15)); /* a small board checks no content */
    if (value > 255) {
      value = 255;
    }
    limit = r[7];
    if (limits != 0) {
      const uint8_t learned = qj_read((qj_offset)(limits + (qj_offset)((uint16_t)slices * i)));
      if (learned < limit) {
        limit = learned;
      }
    }
    if (value > s->peak) {
      s->peak = (uint8_t)value;
    }
    if (value <= limit) {
      s->over = 0;
    } else if (s->over < r[8]) {
      s->over = (uint8_t)(s->over + 1);
      if (s->over == r[8]) { /* told once, until it falls below */
        qj_report(p, QJ_TRIPPED, scene, frame, i);
        if ((r[9] & TELL) == 0) {
          qj_trip(p, r[1]);
        }
        if ((r[9] & HOLD) != 0) {
          (void)qj_hold(p);
        }
      }
    }
  }
}
