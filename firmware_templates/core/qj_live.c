/* Live control: points that the host streams, checked before they are believed.
 *
 * With every point comes the whole way to a stop behind it. A way is taken only when all of it, joined to what the
 * track plays by then, keeps the certificate's inequalities (FORMAT.md, "Live control") and ends in three equal
 * points. So the board has a legal way to a stop at every moment, and the host may fall silent whenever it likes.
 */
#include "qj_inside.h"

static QJ_ONCE qj_way *way_of(qj_player *p, uint8_t track) {
  uint8_t i;
  for (i = 0; i < QJ_MAX_WAYS; i++) {
    if (p->way[i].track == track) {
      return &p->way[i];
    }
  }
  return 0;
}

void qj_live_begin(qj_player *p) {
  uint8_t i;
  qj_begin(p, QJ_LIVE_POINTS, 0);
  for (i = 0; i < QJ_MAX_WAYS; i++) {
    p->way[i].track = QJ_NONE;
    p->way[i].count = 0;
  }
  p->silent = 0;
  p->live_from = p->clock;
}

QJ_ONCE int16_t qj_live_point(qj_player *p, uint8_t track) {
  qj_way *const way = way_of(p, track);
  int16_t point = p->window[track][3];
  if (way != 0) {
    way->next = (uint16_t)(way->next + 1);
    if (way->count != 0) {
      uint8_t i;
      point = way->points[0];
      way->count = (uint8_t)(way->count - 1);
      for (i = 0; i < way->count; i++) {
        way->points[i] = way->points[i + 1];
      }
    }
  }
  return point;
}

/* A way ends in three equal points. So the last three need not be played by what stands where they are: else a
 * figure that stands would wait for them, three knots, when its host has fallen silent. */
uint8_t qj_live_stands(const qj_player *p) {
  uint8_t i;
  for (i = 0; i < QJ_MAX_WAYS; i++) {
    const qj_way *const way = &p->way[i];
    if (way->count > 3 || (way->count != 0 && way->points[0] != p->window[way->track][3])) {
      return 0;
    }
  }
  for (i = 0; i < p->tracks; i++) {
    const int16_t *const c = p->window[i];
    if (c[0] != c[3] || c[1] != c[3] || c[2] != c[3]) {
      return 0;
    }
  }
  return 1;
}

/* *to - from into *to; 0 when that is beyond +-bound, which is below 2^15 like all that went before. */
static QJ_ONCE uint8_t differ(int16_t *to, int16_t from, const uint8_t *bound) {
  const uint8_t down = (uint8_t)(*to < from);
  const uint16_t size = (uint16_t)(down ? (uint16_t)from - (uint16_t)*to : (uint16_t)*to - (uint16_t)from);
  *to = (int16_t)(uint16_t)((uint16_t)*to - (uint16_t)from);
  return (uint8_t)(size <= qj_get16(bound));
}

QJ_ONCE uint8_t qj_may_follow(qj_offset record, int16_t next, const int16_t past[3]) {
  const int16_t v = (int16_t)(past[0] - past[1]);
  const int16_t a = (int16_t)(v - (int16_t)(past[1] - past[2]));
  uint8_t bounds[6];
  qj_copy(bounds, (qj_offset)(record + 14), 6);
  return (uint8_t)(differ(&next, past[0], bounds) && differ(&next, v, bounds + 2) && differ(&next, a, bounds + 4));
}

static void follow(int16_t past[3], int16_t next) {
  past[2] = past[1];
  past[1] = past[0];
  past[0] = next;
}

QJ_ONCE uint8_t qj_live(qj_player *p, uint8_t track, uint16_t at, const uint8_t *points, uint8_t count) {
  qj_way *way;
  const qj_offset record = qj_track_record(track);
  int16_t past[3];
  uint16_t kept;
  uint8_t i;
  if (p->mode != QJ_LIVE_POINTS || (p->wants & QJ_WANTS_HOLD) != 0) {
    return QJ_REFUSED;
  }
  if (count == 0) { /* the host is there and wants nothing new */
    p->silent = 0;
    return QJ_DONE;
  }
  if (track >= p->tracks || count < 3) {
    return QJ_BAD_ARGUMENT;
  }
  way = way_of(p, track);
  if (way == 0) {
    const uint8_t n = qj_knot_frames(track);
    way = way_of(p, QJ_NONE);
    if (way == 0) {
      return QJ_BUSY;
    }
    way->track = track;
    way->next = (uint16_t)((p->clock - p->live_from) / (uint32_t)n + (uint32_t)1); /* point i: at frame i n */
  }
  kept = (uint16_t)(at - way->next); /* points of the old way that are played before the new one begins */
  if (kept >= 0x8000) {
    return QJ_LATE;
  }
  if (kept + count > QJ_LIVE_POINTS_MOST) {
    return QJ_BAD_ARGUMENT;
  }
  past[0] = p->window[track][3];
  past[1] = p->window[track][2];
  past[2] = p->window[track][1];
  for (i = 0; i < (uint8_t)kept; i++) {
    if (i >= way->count) {
      way->points[i] = past[0]; /* at its end the old way stands: so it may as well be longer */
    }
    follow(past, way->points[i]);
  }
  for (i = 0; i < count; i++) {
    const int16_t next = (int16_t)qj_get16(points + 2 * i);
    if (next < (int16_t)qj_u16((qj_offset)(record + 10)) || next > (int16_t)qj_u16((qj_offset)(record + 12)) ||
        !qj_may_follow(record, next, past)) {
      return QJ_REFUSED;
    }
    follow(past, next);
  }
  if (past[0] != past[1] || past[1] != past[2]) {
    return QJ_BAD_ARGUMENT;
  }
  for (i = 0; i < count; i++) {
    way->points[(uint8_t)kept + i] = (int16_t)qj_get16(points + 2 * i);
  }
  way->count = (uint8_t)(kept + count);
  p->silent = 0;
  return QJ_DONE;
}
