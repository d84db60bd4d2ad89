/* Transitions: what every track's next control point is, and when a fade is over.
 *
 * A transition begins at a common knot with `since` = 0. The point fetched at frame `since` by a track of
 * n frames a knot is point m = since / n + 3 of FORMAT.md, so its fade argument f = (m - 2) n = since + n.
 */
#include "qj_inside.h"

static uint8_t rest_lightness(uint8_t lamp) {
  return qj_read(qj_u32(QJ_AT_LAMP_RECORDS) + (uint32_t)4 * (uint32_t)lamp + (uint32_t)2);
}

void qj_report(qj_player *p, uint8_t what, uint8_t scene, uint16_t cue, uint8_t input) {
  qj_happening *h;
  if (p->happenings == QJ_HAPPENINGS) { /* nobody listens: the oldest news goes */
    uint8_t i;
    for (i = 1; i < QJ_HAPPENINGS; i++) {
      p->happened[i - 1] = p->happened[i];
    }
    p->happenings = QJ_HAPPENINGS - 1;
  }
  h = &p->happened[p->happenings];
  p->happenings = (uint8_t)(p->happenings + 1);
  h->what = what;
  h->scene = scene;
  h->cue = cue;
  h->input = input;
}

/* Start the lamps' and switches' streams of a scene. */
void qj_streams(qj_player *p, uint8_t scene) {
  uint8_t i;
  for (i = 0; i < p->lamps; i++) {
    qj_lamp_stream(&p->lit[i], qj_stream(scene, (uint8_t)(p->tracks + i)));
  }
  for (i = 0; i < p->switch_count; i++) {
    qj_switch_stream(&p->sw[i], qj_stream(scene, (uint8_t)(p->tracks + p->lamps + i)));
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
    qj_lamp_clear(&p->lit[i], rest_lightness(i));
  }
  for (i = 0; i < p->switch_count; i++) {
    p->sw[i].at = 0;
  }
  p->switches = 0;
}

/* A scene from rest: nothing to fade. */
void qj_play(qj_player *p, uint8_t scene) {
  qj_begin(p, QJ_PLAIN, 0);
  qj_layer_begin(&p->layer[p->current], scene, p->tracks);
  qj_streams(p, scene);
}

/* A loop from rest. */
void qj_enter(qj_player *p, uint8_t loop, uint16_t fade) {
  qj_begin(p, QJ_ENTER, fade);
  qj_layer_begin(&p->layer[p->current], loop, p->tracks);
  qj_streams(p, loop);
}

/* From the loop that plays into a scene, another loop, or rest (QJ_NONE). `enter`: a loop's own fade. */
void qj_leave(qj_player *p, uint8_t scene, uint16_t fade, uint16_t delay, uint16_t enter) {
  qj_layer *const other = &p->layer[p->current ^ 1];
  qj_begin(p, QJ_LEAVE, fade);
  qj_layer_rest(other);
  other->scene = scene;
  if (scene != QJ_NONE) {
    p->delay = delay;
    p->enter = enter;
  }
}

/* From wherever the tracks stand still. */
void qj_rest_to_rest(qj_player *p, uint16_t frames) {
  uint8_t t;
  qj_begin(p, QJ_REST, frames);
  for (t = 0; t < p->tracks; t++) {
    p->layer[p->current].points[t].past[0] = p->window[t][3];
  }
}

/* While this is so nothing else may begin: some window still holds points that were faded. */
uint8_t qj_fading(const qj_player *p) {
  uint32_t end = (uint32_t)p->delay + (uint32_t)p->enter;
  if (p->mode == QJ_PLAIN || p->mode == QJ_STAND) {
    return 0;
  }
  if ((uint32_t)p->fade > end) {
    end = (uint32_t)p->fade;
  }
  return (uint8_t)(p->since < end + (uint32_t)QJ_CLEAN_FRAMES);
}

/* The scene entered begins after its delay. */
void qj_late_start(qj_player *p) {
  qj_layer *const other = &p->layer[p->current ^ 1];
  if (p->mode == QJ_LEAVE && other->begun == 0 && other->scene != QJ_NONE && p->since >= (uint32_t)p->delay) {
    qj_layer_begin(other, other->scene, p->tracks);
    qj_streams(p, other->scene);
    if (p->state == QJ_SCENE) {
      qj_report(p, QJ_STARTED, other->scene, p->cue, p->input);
    }
  }
}

/* Called once the fade is over. */
void qj_finish_fade(qj_player *p) {
  switch (p->mode) {
    case QJ_LEAVE:
      p->current = (uint8_t)(p->current ^ 1);
      p->mode = QJ_PLAIN;
      break;
    case QJ_STOP:
      qj_layer_rest(&p->layer[p->current]);
      p->mode = QJ_STAND;
      break;
    case QJ_ENTER:
    case QJ_REST:
      p->mode = QJ_PLAIN;
      break;
    default:
      break;
  }
}

static int16_t next_point(qj_player *p, uint8_t track, uint8_t n, int16_t rest16) {
  qj_layer *layer = &p->layer[p->current];
  const uint32_t f = p->since + (uint32_t)n;
  const int32_t rest = rest16;
  int32_t before;
  int32_t sum;
  switch (p->mode) {
    case QJ_STAND:
      return p->window[track][3];
    case QJ_ENTER:
      sum = (int32_t)qj_layer_point(layer, track, n, rest16) - rest;
      return qj_saturate(rest + qj_mul((uint16_t)((uint16_t)32768 - qj_weight(f, p->fade)), sum));
    case QJ_LEAVE:
      sum = rest;
      if (f < (uint32_t)p->fade) {
        before = (int32_t)qj_layer_point(layer, track, n, rest16) - rest;
        sum += qj_mul(qj_weight(f, p->fade), before);
      }
      layer = &p->layer[p->current ^ 1];
      if (layer->begun) {
        const int32_t added = (int32_t)qj_layer_point(layer, track, n, rest16) - rest;
        const uint32_t own = f - (uint32_t)p->delay;
        sum += layer->loop ? qj_mul((uint16_t)((uint16_t)32768 - qj_weight(own, p->enter)), added) : added;
      }
      return qj_saturate(sum);
    case QJ_STOP:
      before = layer->points[track].past[0];
      sum = (int32_t)qj_layer_point(layer, track, n, rest16) - before;
      return qj_saturate((int32_t)p->window[track][3] + qj_mul(qj_weight(f, p->fade), sum));
    case QJ_REST:
      return qj_saturate(rest + qj_mul(qj_weight(f, p->fade), (int32_t)layer->points[track].past[0] - rest));
    default:
      return qj_layer_point(layer, track, n, rest16);
  }
}

/* Every track that is at a knot moves its window on. */
void qj_knots(qj_player *p) {
  uint8_t t;
  for (t = 0; t < p->tracks; t++) {
    const uint32_t record = qj_track_record(t);
    const uint8_t n = qj_read(record + (uint32_t)1);
    if (p->phase % n == 0) {
      int16_t *const c = p->window[t];
      const int16_t point = next_point(p, t, n, qj_i16(record + (uint32_t)6));
      c[0] = c[1];
      c[1] = c[2];
      c[2] = c[3];
      c[3] = point;
    }
  }
}

/* A loop's turn is over: its lamps and switches start again, and a counted turn is done. */
static void came_round(qj_player *p, uint8_t loop) {
  qj_streams(p, loop);
  if (p->state == QJ_SCENE && p->repeats != 0) {
    p->repeats = (uint8_t)(p->repeats - 1);
    if (p->repeats == 0) {
      p->wants = (uint8_t)(p->wants | QJ_TURNS_DONE);
    }
  }
}

/* The frame is done: clocks go on. */
void qj_clocks(qj_player *p) {
  qj_layer *const layer = &p->layer[p->current];
  qj_layer *const other = &p->layer[p->current ^ 1];
  if (p->mode == QJ_STAND) {
    return;
  }
  if (p->mode != QJ_PLAIN) {
    p->since += (uint32_t)1;
  }
  if (p->mode == QJ_LEAVE) {
    (void)qj_layer_advance(layer);
    if (qj_layer_advance(other)) {
      came_round(p, other->scene);
    }
  } else if (p->mode != QJ_REST && qj_layer_advance(layer) && p->mode != QJ_STOP) {
    came_round(p, layer->scene);
  }
}
