/* Transitions: what every track's next control point is, and when a fade is over.
 *
 * A transition begins at a common knot with `since` = 0. The point fetched at frame `since` by a track of
 * n frames a knot is point m = since / n + 3 of FORMAT.md, so its fade argument f = (m - 2) n = since + n.
 */
#include "qj_inside.h"

/* Start the streams of lamps and switches: of a scene, or (QJ_NONE) none. */
static void streams(qj_player *p, uint8_t scene) {
  uint8_t channel = p->tracks;
  uint8_t i;
  for (i = 0; i < p->lamps; i++) {
    qj_lamp_stream(&p->lit[i], scene == QJ_NONE ? 0 : qj_stream(scene, channel));
    channel = (uint8_t)(channel + 1);
  }
  for (i = 0; i < p->switch_count; i++) {
    qj_switch_stream(&p->sw[i], scene == QJ_NONE ? 0 : qj_stream(scene, channel));
    channel = (uint8_t)(channel + 1);
  }
}

/* A new way of making points begins: lamps freeze and head for rest, switches go off. */
void qj_begin(qj_player *p, uint8_t mode, uint16_t fade) {
  uint8_t i;
  p->mode = mode;
  p->since = 0;
  p->fade = fade;
  p->delay = 0;
  p->enter = 0;
  for (i = 0; i < p->lamps; i++) {
    p->lit[i].frozen = p->lit[i].shown;
    qj_lamp_clear(&p->lit[i], qj_read((qj_offset)(qj_record(QJ_AT_LAMP_RECORDS, 4, i) + 2)));
  }
  streams(p, QJ_NONE);
  p->switches = 0;
}

/* From rest: a scene as it is, a loop by its fade; QJ_NONE stays at rest. */
void qj_from_rest(qj_player *p, uint8_t scene, uint16_t fade) {
  qj_begin(p, qj_is_loop(scene) ? QJ_ENTER : QJ_PLAIN, fade);
  qj_layer_begin(&p->layer[p->current], scene, p->tracks);
  streams(p, scene);
}

/* From the loop that plays into a scene, another loop, or rest (QJ_NONE). `enter`: a loop's own fade. */
void qj_leave(qj_player *p, uint8_t scene, uint16_t fade, uint16_t delay, uint16_t enter) {
  qj_layer *const other = &p->layer[p->current ^ 1];
  qj_begin(p, QJ_LEAVE, fade);
  qj_layer_begin(other, QJ_NONE, 0);
  other->scene = scene;
  if (scene != QJ_NONE) {
    p->delay = delay;
    p->enter = enter;
  }
}

/* From wherever the tracks stand still, by QJ_REST or QJ_PARK. */
QJ_ONCE void qj_rest_to_rest(qj_player *p, uint8_t mode, uint16_t frames) {
  uint8_t t;
  qj_begin(p, mode, frames);
  for (t = 0; t < p->tracks; t++) {
    p->layer[p->current].points[t].past[0] = p->window[t][3];
  }
}

/* While this is so nothing else may begin: some window still holds points that were faded. */
uint8_t qj_fading(const qj_player *p) {
  uint16_t end = (uint16_t)(p->delay + p->enter);
  if (p->mode == QJ_PLAIN || p->mode == QJ_STAND || p->mode == QJ_LIVE_POINTS) {
    return 0;
  }
  if (p->fade > end) {
    end = p->fade;
  }
  return (uint8_t)(p->since < (uint16_t)(end + QJ_CLEAN_FRAMES));
}

/* The scene entered begins after its delay. Returns 1 when it does so now. */
uint8_t qj_late_start(qj_player *p) {
  qj_layer *const other = &p->layer[p->current ^ 1];
  if (p->mode != QJ_LEAVE || other->begun != 0 || other->scene == QJ_NONE || p->since < p->delay) {
    return 0;
  }
  qj_layer_begin(other, other->scene, p->tracks);
  streams(p, other->scene);
  return 1;
}

/* Called once the fade is over. */
void qj_finish_fade(qj_player *p) {
  if (p->mode == QJ_LEAVE) {
    p->current = (uint8_t)(p->current ^ 1);
  }
  if (p->mode == QJ_STOP || p->mode == QJ_PARK) {
    qj_layer_begin(&p->layer[p->current], QJ_NONE, 0);
    p->mode = QJ_STAND;
  } else if (p->mode != QJ_STAND && p->mode != QJ_LIVE_POINTS) {
    p->mode = QJ_PLAIN;
  }
}

static int16_t next_point(qj_player *p, uint8_t track, uint8_t n, int16_t rest) {
  qj_layer *layer = &p->layer[p->current];
  const uint8_t mode = p->mode;
  const uint16_t f = (uint16_t)(p->since + (uint16_t)n);
  uint16_t weight = qj_weight(f, p->fade);
  int16_t base = rest; /* next point = base + weight (to - from) */
  int16_t from = rest;
  int16_t to;
  if (mode == QJ_STAND) {
    return p->window[track][3];
  }
  if (mode == QJ_LIVE_POINTS) {
    return qj_live_point(p, track);
  }
  if (mode == QJ_PARK) {
    if ((p->off[track] & QJ_OFF_PARKING) == 0) {
      return p->window[track][3];
    }
    base = (int16_t)qj_u16((qj_offset)(qj_track_record(track) + 8));
    from = base;
  }
  if (mode >= QJ_REST) {
    return qj_blend(base, weight, layer->points[track].past[0], from);
  }
  if (mode == QJ_LEAVE) {
    if (weight != 0) {
      base = qj_blend(rest, weight, qj_layer_point(layer, track, n, rest), rest);
    }
    layer = &p->layer[p->current ^ 1];
    weight = (uint16_t)(QJ_FULL - (layer->loop ? qj_weight((uint16_t)(f - p->delay), p->enter) : (uint16_t)0));
  } else if (mode == QJ_ENTER) {
    weight = (uint16_t)(QJ_FULL - weight);
  } else if (mode == QJ_STOP) {
    base = p->window[track][3];
    from = layer->points[track].past[0];
  }
  to = qj_layer_point(layer, track, n, rest);
  return mode == QJ_PLAIN ? to : qj_blend(base, weight, to, from);
}

/* Every track that is at a knot moves its window on. Returns 0 when a point breaks the certificate, which a spoilt byte
 * of an outside memory may bring about: flash is read through its CRC again and again, that memory only at the start. */
uint8_t qj_knots(qj_player *p) {
  const uint8_t outside = (uint8_t)(qj_extra(QJ_EXTRA_MEMORY) != 0);
  uint8_t kept = 1;
  uint8_t t;
  for (t = 0; t < p->tracks; t++) {
    const uint8_t n = qj_knot_frames(t);
    if (p->phase % n == 0) {
      int16_t *const c = p->window[t];
      const int16_t point = next_point(p, t, n, qj_rest_point(t));
      if (outside) {
        const int16_t past[3] = {c[3], c[2], c[1]};
        kept = (uint8_t)(kept & qj_may_follow(qj_track_record(t), point, past));
      }
      c[0] = c[1];
      c[1] = c[2];
      c[2] = c[3];
      c[3] = point;
    }
  }
  return kept;
}

/* The frame is done: clocks go on, a loop's lamps and switches start again with it.
 * Returns 1 when the loop that plays (or is being entered) has come round. */
uint8_t qj_clocks(qj_player *p) {
  qj_layer *layer = &p->layer[p->current];
  const uint8_t mode = p->mode;
  if (mode == QJ_STAND || mode == QJ_LIVE_POINTS) {
    return 0;
  }
  if (mode != QJ_PLAIN) {
    p->since = (uint16_t)(p->since + 1);
  }
  if (mode == QJ_LEAVE) {
    (void)qj_layer_advance(layer);
    layer = &p->layer[p->current ^ 1];
  }
  if (!qj_layer_advance(layer) || mode == QJ_STOP || mode == QJ_PARK) {
    return 0;
  }
  streams(p, layer->scene);
  return 1;
}
