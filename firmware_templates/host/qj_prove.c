#include "qj_prove.h"

/* Frames played on after a transition is over: four common knots. */
#define TAIL 24

static void nothing_yet(qj_proof *out) {
  uint8_t t;
  for (t = 0; t < QJ_MAX_TRACKS; t++) {
    qj_worst *const w = &out->track[t];
    w->d1 = 0;
    w->d2 = 0;
    w->d3 = 0;
    w->low = 32767;
    w->high = -32768;
  }
}

static void keep_larger(int32_t *worst, int32_t value) {
  const int32_t size = value < 0 ? -value : value;
  if (size > *worst) {
    *worst = size;
  }
}

/* Differences that end at c3; the earlier ones were seen when their points were new. */
static void watch_window(qj_worst *w, int32_t c0, int32_t c1, int32_t c2, int32_t c3) {
  keep_larger(&w->d1, c3 - c2);
  keep_larger(&w->d2, c3 - 2 * c2 + c1);
  keep_larger(&w->d3, c3 - 3 * c2 + 3 * c1 - c0);
  if (c3 < w->low) {
    w->low = c3;
  }
  if (c3 > w->high) {
    w->high = c3;
  }
}

/* One frame, as qj_tick() makes it, of the tracks alone. Nothing is watched without a proof. */
static void step(qj_player *p, qj_proof *out) {
  uint8_t t;
  p->phase = p->phase == QJ_COMMON_FRAMES - 1 ? 0 : (uint8_t)(p->phase + 1);
  if (p->phase == 0) {
    (void)qj_late_start(p);
  }
  qj_knots(p);
  for (t = 0; out != 0 && t < p->tracks; t++) {
    const int16_t *const c = p->window[t];
    if (p->phase % qj_knot_frames(t) == 0) {
      watch_window(&out->track[t], c[0], c[1], c[2], c[3]);
    }
  }
  (void)qj_clocks(p);
}

static void steps(qj_player *p, qj_proof *out, uint32_t frames) {
  for (; frames > 0; frames--) {
    step(p, out);
  }
}

/* Every track at rest, about to begin a common knot. */
static void at_rest(qj_player *p, const qj_player *opened) {
  uint8_t t;
  uint8_t i;
  *p = *opened;
  p->state = QJ_IDLE;
  p->mode = QJ_PLAIN;
  p->phase = QJ_COMMON_FRAMES - 1;
  qj_layer_begin(&p->layer[0], QJ_NONE, 0);
  qj_layer_begin(&p->layer[1], QJ_NONE, 0);
  for (t = 0; t < p->tracks; t++) {
    for (i = 0; i < 4; i++) {
      p->window[t][i] = qj_rest_point(t);
    }
  }
}

/* A loop in full swing: its windows hold nothing but its own points. */
static void in_loop(qj_player *p, const qj_player *opened, uint8_t loop) {
  at_rest(p, opened);
  qj_layer_begin(&p->layer[p->current], loop, p->tracks);
  steps(p, 0, TAIL);
}

static uint8_t known(const qj_player *opened, uint8_t scene) {
  return (uint8_t)(opened->fault == QJ_OK && scene < qj_read(QJ_AT_SCENES));
}

uint8_t qj_prove_leave(const qj_player *opened, qj_proof *out, uint8_t left, uint8_t entered, uint16_t fade,
                       uint16_t delay, uint16_t enter) {
  qj_player base;
  uint32_t end;
  uint16_t knots;
  nothing_yet(out);
  if (!known(opened, left) || !qj_is_loop(left) || (entered != QJ_NONE && !known(opened, entered)) ||
      delay % QJ_COMMON_FRAMES != 0) {
    return 0;
  }
  if (entered == QJ_NONE) {
    delay = 0;
  }
  if (entered == QJ_NONE || !qj_is_loop(entered)) {
    enter = 0;
  }
  end = (uint32_t)delay + (uint32_t)enter;
  if ((uint32_t)fade > end) {
    end = (uint32_t)fade;
  }
  in_loop(&base, opened, left);
  for (knots = (uint16_t)(base.layer[base.current].frames / QJ_COMMON_FRAMES); knots > 0; knots--) {
    qj_player p = base;
    qj_leave(&p, entered, fade, delay, enter);
    steps(&p, out, end + (uint32_t)(QJ_CLEAN_FRAMES + TAIL));
    steps(&base, 0, QJ_COMMON_FRAMES);
  }
  return 1;
}

uint8_t qj_prove_enter(const qj_player *opened, qj_proof *out, uint8_t loop, uint16_t fade) {
  qj_player p;
  nothing_yet(out);
  if (!known(opened, loop) || !qj_is_loop(loop)) {
    return 0;
  }
  at_rest(&p, opened);
  qj_from_rest(&p, loop, fade);
  steps(&p, out, (uint32_t)fade + (uint32_t)(QJ_CLEAN_FRAMES + TAIL));
  return 1;
}

uint8_t qj_prove_stop(const qj_player *opened, qj_proof *out, uint8_t scene, uint16_t frames) {
  qj_player base;
  uint16_t knots;
  nothing_yet(out);
  if (!known(opened, scene)) {
    return 0;
  }
  if (qj_is_loop(scene)) {
    in_loop(&base, opened, scene);
  } else {
    at_rest(&base, opened);
    qj_layer_begin(&base.layer[base.current], scene, base.tracks);
  }
  for (knots = (uint16_t)(base.layer[base.current].frames / QJ_COMMON_FRAMES); knots > 0; knots--) {
    qj_player p = base;
    qj_begin(&p, QJ_STOP, frames);
    steps(&p, out, (uint32_t)frames + (uint32_t)(QJ_CLEAN_FRAMES + TAIL));
    steps(&base, 0, QJ_COMMON_FRAMES);
  }
  return 1;
}

static void rest_from(qj_worst *w, int16_t from, int16_t rest, uint8_t n, uint16_t frames) {
  int16_t c0 = from;
  int16_t c1 = from;
  int16_t c2 = from;
  uint32_t f;
  for (f = n; f < (uint32_t)frames + (uint32_t)4 * n; f += n) {
    const int16_t c3 = qj_blend(rest, qj_weight((uint16_t)f, frames), from, rest);
    watch_window(w, c0, c1, c2, c3);
    c0 = c1;
    c1 = c2;
    c2 = c3;
  }
}

uint8_t qj_prove_rest(const qj_player *opened, qj_proof *out, uint16_t frames) {
  uint8_t t;
  nothing_yet(out);
  if (opened->fault != QJ_OK) {
    return 0;
  }
  for (t = 0; t < opened->tracks; t++) {
    const qj_offset record = qj_track_record(t);
    const int16_t rest = qj_rest_point(t);
    const uint8_t n = qj_knot_frames(t);
    const int32_t high = (int16_t)qj_u16(record + 12);
    int32_t from;
    for (from = (int16_t)qj_u16(record + 10); from <= high; from++) {
      rest_from(&out->track[t], (int16_t)from, rest, n, frames);
    }
    rest_from(&out->track[t], (int16_t)qj_u16(record + 8), rest, n, frames);
  }
  return 1;
}

uint8_t qj_prove_plain(const qj_player *opened, qj_proof *out, uint8_t scene) {
  qj_player p;
  nothing_yet(out);
  if (!known(opened, scene)) {
    return 0;
  }
  if (qj_is_loop(scene)) {
    in_loop(&p, opened, scene);
    steps(&p, out, (uint32_t)2 * p.layer[p.current].frames);
  } else {
    at_rest(&p, opened);
    qj_layer_begin(&p.layer[p.current], scene, p.tracks);
    steps(&p, out, (uint32_t)p.layer[p.current].frames + (uint32_t)TAIL);
  }
  return 1;
}
