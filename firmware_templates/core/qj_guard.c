/* The stall guard: currents held against what each scene was seen to draw (FORMAT.md, "Stall guard").
 *
 * The image carries limits, not what was learned: the compiler has added the margins, so that a board only compares.
 * A scene is cut into slices of 2^shift frames; each sensor has one byte a slice.
 */
#include "qj_inside.h"

enum { RECORD = 10, ROW = 4, HOLD = 1, TELL = 2 };

static qj_offset record_of(uint8_t sensor) {
  return (qj_offset)(qj_extra(QJ_EXTRA_GUARD) + (qj_offset)(1 + RECORD * (uint16_t)sensor));
}

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

uint8_t qj_sensor_pin(uint8_t sensor) { return qj_read(record_of(sensor)); }

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
static uint16_t away(const qj_player *p, uint8_t sensor, qj_offset record) {
  const uint16_t mean = p->sensor[sensor].mean;
  const uint16_t offset = qj_u16((qj_offset)(record + 4));
  return mean > offset ? (uint16_t)(mean - offset) : (uint16_t)(offset - mean);
}

uint16_t qj_measured(const qj_player *p, uint8_t sensor) {
  const qj_offset record = record_of(sensor);
  if (p->sensor[sensor].mean == 0xFFFF) {
    return 0xFFFF;
  }
  return (uint16_t)((uint32_t)away(p, sensor, record) * (uint32_t)qj_u16((qj_offset)(record + 2)) >> 15);
}

uint16_t qj_supply(const qj_player *p, uint8_t watches) {
  uint8_t i;
  for (i = 0; i < p->sensors; i++) {
    if (qj_read((qj_offset)(record_of(i) + 1)) == watches) {
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
    const qj_offset row = (qj_offset)(content + (qj_offset)(1 + RECORD * (uint16_t)p->sensors + ROW * (uint16_t)scene));
    const uint16_t at = qj_u16((qj_offset)(row + 2));
    slice = (uint8_t)(frame >> (qj_read(row) & 15)); /* a small board checks no content */
    slices = qj_read((qj_offset)(row + 1));
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
    const qj_offset record = record_of(i);
    const uint16_t scaled = (uint16_t)(away(p, i, record) >> (qj_read((qj_offset)(record + 6)) & 15));
    const uint8_t value = (uint8_t)(s->mean == 0xFFFF ? 0 : scaled > 255 ? 255 : scaled);
    uint8_t limit = qj_read((qj_offset)(record + 7));
    if (limits != 0) {
      const uint8_t learned = qj_read(limits);
      limits = (qj_offset)(limits + slices);
      if (learned < limit) {
        limit = learned;
      }
    }
    if (value > s->peak) {
      s->peak = value;
    }
    if (value <= limit) {
      s->over = 0;
    } else if (s->over < qj_read((qj_offset)(record + 8))) {
      s->over = (uint8_t)(s->over + 1);
      if (s->over == qj_read((qj_offset)(record + 8))) { /* told once, until it falls below */
        const uint8_t flags = qj_read((qj_offset)(record + 9));
        qj_report(p, QJ_TRIPPED, scene, frame, i);
        if ((flags & TELL) == 0) {
          qj_trip(p, qj_read((qj_offset)(record + 1)));
        }
        if ((flags & HOLD) != 0) {
          (void)qj_hold(p);
        }
      }
    }
  }
}
