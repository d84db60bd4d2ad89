#include "qj_prove.h"

/* Frames until a window that began somewhere else holds only what plays now. */
#define TAIL 24

static void no_worst(qj_worst *w) {
  w->d1 = 0;
  w->d2 = 0;
  w->d3 = 0;
  w->low = INT32_MAX;
  w->high = INT32_MIN;
}

static void nothing_yet(const qj_player *opened, qj_proof *out, uint8_t stop_early) {
  uint8_t t;
  for (t = 0; t < out->faces; t++) {
    no_worst(&out->line[t]);
    out->line_bound[t] = stop_early ? out->face[t].inner : INT32_MAX;
  }
  for (t = 0; t < QJ_MAX_TRACKS; t++) {
    qj_worst *const w = &out->track[t];
    qj_worst *const bound = &out->bound[t];
    w->d1 = 0;
    w->d2 = 0;
    w->d3 = 0;
    w->low = 32767;
    w->high = -32768;
    if (stop_early && opened->fault == QJ_OK && t < opened->tracks) {
      const qj_offset record = qj_track_record(t);
      bound->low = (int16_t)qj_u16(record + 10);
      bound->high = (int16_t)qj_u16(record + 12);
      bound->d1 = (int16_t)qj_u16(record + 14);
      bound->d2 = (int16_t)qj_u16(record + 16);
      bound->d3 = (int16_t)qj_u16(record + 18);
    } else { /* never reached */
      bound->low = INT32_MIN;
      bound->high = INT32_MAX;
      bound->d1 = INT32_MAX;
      bound->d2 = INT32_MAX;
      bound->d3 = INT32_MAX;
    }
  }
}

static void keep_larger(int32_t *worst, int32_t value) {
  const int32_t size = value < 0 ? -value : value;
  if (size > *worst) {
    *worst = size;
  }
}

static void watch_point(qj_worst *w, int32_t c) {
  if (c < w->low) {
    w->low = c;
  }
  if (c > w->high) {
    w->high = c;
  }
}

static void watch_pair(qj_worst *w, const qj_face *face, int32_t one, int32_t other) {
  watch_point(w, face->a * one + face->b * other);
}

/* Differences that end at c3. */
static void watch_window(qj_worst *w, int32_t c0, int32_t c1, int32_t c2, int32_t c3) {
  keep_larger(&w->d1, c3 - c2);
  keep_larger(&w->d2, c3 - 2 * c2 + c1);
  keep_larger(&w->d3, c3 - 3 * c2 + 3 * c1 - c0);
  watch_point(w, c3);
}

/* The three points in each window when a transition begins. */
static void watch_start(const qj_player *p, qj_proof *out) {
  uint8_t t;
  for (t = 0; t < p->tracks; t++) {
    const int16_t *const c = p->window[t];
    qj_worst *const w = &out->track[t];
    watch_point(w, c[1]);
    watch_point(w, c[2]);
    watch_point(w, c[3]);
    keep_larger(&w->d1, c[2] - c[1]);
    keep_larger(&w->d1, c[3] - c[2]);
    keep_larger(&w->d2, c[3] - 2 * c[2] + c[1]);
  }
  for (t = 0; t < out->faces; t++) {
    const qj_face *const face = &out->face[t];
    uint8_t i;
    for (i = 1; i < 4; i++) {
      watch_pair(&out->line[t], face, p->window[face->one][i], p->window[face->other][i]);
    }
  }
}

/* Whether it is worth going on: nothing watched is beyond its bound. */
static uint8_t within(const qj_player *p, const qj_proof *out) {
  uint8_t t;
  for (t = 0; t < p->tracks; t++) {
    const qj_worst *const w = &out->track[t];
    const qj_worst *const bound = &out->bound[t];
    if (w->low < bound->low || w->high > bound->high || w->d1 > bound->d1 || w->d2 > bound->d2 || w->d3 > bound->d3) {
      return 0;
    }
  }
  for (t = 0; t < out->faces; t++) {
    if (out->line[t].high > out->line_bound[t]) {
      return 0;
    }
  }
  return 1;
}

/* One frame, as qj_tick() makes it, of the tracks alone. A track is watched while `left`, the frames until
 * the fade's end, is at least -2 n: up to the first third difference that holds nothing faded. */
static void step(qj_player *p, qj_proof *out, int32_t left) {
  uint8_t t;
  p->phase = p->phase == QJ_COMMON_FRAMES - 1 ? 0 : (uint8_t)(p->phase + 1);
  if (p->phase == 0) {
    (void)qj_late_start(p);
  }
  (void)qj_knots(p); /* bounds are watched below */
  for (t = 0; out != 0 && t < p->tracks; t++) {
    const int16_t *const c = p->window[t];
    const uint8_t n = qj_knot_frames(t);
    if (p->phase % n == 0 && left >= -2 * (int32_t)n) {
      watch_window(&out->track[t], c[0], c[1], c[2], c[3]);
    }
  }
  for (t = 0; out != 0 && t < out->faces; t++) {
    const qj_face *const face = &out->face[t];
    const uint8_t n = qj_knot_frames((uint8_t)face->one);
    if (p->phase % n == 0 && left >= -2 * (int32_t)n) {
      watch_pair(&out->line[t], face, p->window[face->one][3], p->window[face->other][3]);
    }
  }
  (void)qj_clocks(p);
}

static void unwatched(qj_player *p, uint32_t frames) {
  for (; frames > 0; frames--) {
    step(p, 0, 0);
  }
}

/* A transition that has just been begun and whose last faded frame is `end`. Returns 0 when it stopped early. */
static uint8_t watched(qj_player *p, qj_proof *out, uint32_t end) {
  int32_t left = (int32_t)end;
  watch_start(p, out);
  for (; within(p, out) && left >= -QJ_CLEAN_FRAMES; left--) {
    step(p, out, left);
  }
  return within(p, out);
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
  unwatched(p, TAIL);
}

static uint8_t known(const qj_player *opened, uint8_t scene) {
  return (uint8_t)(opened->fault == QJ_OK && scene < qj_read(QJ_AT_SCENES));
}

uint8_t qj_prove_faces(const qj_player *opened, qj_proof *out, const qj_face *face, uint8_t count) {
  uint8_t i;
  out->faces = 0;
  if (opened->fault != QJ_OK || count > QJ_MAX_FACES) {
    return 0;
  }
  for (i = 0; i < count; i++) {
    const qj_face f = face[i];
    if (f.one < 0 || f.one >= (int32_t)opened->tracks || f.other < 0 || f.other >= (int32_t)opened->tracks ||
        f.one == f.other || qj_knot_frames((uint8_t)f.one) != qj_knot_frames((uint8_t)f.other) ||
        f.a < -QJ_MAX_NORMAL || f.a > QJ_MAX_NORMAL || f.b < -QJ_MAX_NORMAL || f.b > QJ_MAX_NORMAL ||
        f.inner > f.limit || f.inner < -QJ_MAX_LIMIT || f.limit > QJ_MAX_LIMIT) {
      return 0;
    }
    out->face[i] = f;
  }
  out->faces = count;
  return 1;
}

uint8_t qj_prove_leave(const qj_player *opened, qj_proof *out, uint8_t left, uint8_t entered, uint16_t fade,
                       uint16_t delay, uint16_t enter, uint8_t stop_early) {
  qj_player base;
  uint32_t end;
  uint16_t knots;
  nothing_yet(opened, out, stop_early);
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
    if (!watched(&p, out, end)) {
      break;
    }
    unwatched(&base, QJ_COMMON_FRAMES);
  }
  return 1;
}

uint8_t qj_prove_enter(const qj_player *opened, qj_proof *out, uint8_t loop, uint16_t fade, uint8_t stop_early) {
  qj_player p;
  nothing_yet(opened, out, stop_early);
  if (!known(opened, loop) || !qj_is_loop(loop)) {
    return 0;
  }
  at_rest(&p, opened);
  qj_from_rest(&p, loop, fade);
  (void)watched(&p, out, fade);
  return 1;
}

uint8_t qj_prove_stop(const qj_player *opened, qj_proof *out, uint8_t scene, uint16_t frames, uint8_t stop_early) {
  qj_player base;
  uint16_t knots;
  nothing_yet(opened, out, stop_early);
  if (!known(opened, scene)) {
    return 0;
  }
  if (qj_is_loop(scene)) {
    in_loop(&base, opened, scene);
  } else {
    at_rest(&base, opened);
    qj_layer_begin(&base.layer[base.current], scene, base.tracks);
  }
  for (knots = (uint16_t)(base.layer[base.current].frames / QJ_COMMON_FRAMES + 1); knots > 0; knots--) {
    qj_player p = base;
    qj_begin(&p, QJ_STOP, frames);
    if (!watched(&p, out, frames)) {
      break;
    }
    unwatched(&base, QJ_COMMON_FRAMES);
  }
  return 1;
}

static void rest_from(qj_worst *w, int16_t from, int16_t rest, uint8_t n, uint16_t frames) {
  int16_t c0 = from;
  int16_t c1 = from;
  int16_t c2 = from;
  uint32_t f;
  watch_point(w, from);
  for (f = n; f < (uint32_t)frames + (uint32_t)4 * n; f += n) {
    const int16_t c3 = qj_blend(rest, qj_weight((uint16_t)f, frames), from, rest);
    watch_window(w, c0, c1, c2, c3);
    c0 = c1;
    c1 = c2;
    c2 = c3;
  }
}

static int32_t floor_over(int32_t a, int32_t b) { /* b > 0 */
  return a >= 0 ? a / b : -((-a + b - 1) / b);
}

/* The values of `other` that all faces of these two tracks leave beside `one`; empty when low > high. */
static void left_beside(const qj_proof *out, const qj_face *like, int32_t one, int32_t *low, int32_t *high) {
  uint8_t i;
  for (i = 0; i < out->faces; i++) {
    const qj_face *const f = &out->face[i];
    const int32_t room = f->inner - f->a * one;
    if (f->one != like->one || f->other != like->other) {
      continue;
    }
    if (f->b > 0) {
      const int32_t most = floor_over(room, f->b);
      *high = most < *high ? most : *high;
    } else if (f->b < 0) {
      const int32_t least = -floor_over(room, -f->b);
      *low = least > *low ? least : *low;
    } else if (room < 0) {
      *high = *low - 1;
    }
  }
}

/* Rest-to-rest of two tracks from every pair of points within their faces. A blend never falls when what it begins
 * from rises, so beside each value of one track the two ends of what is left for the other are the worst. */
static void pair_from(const qj_player *opened, qj_proof *out, uint8_t first, uint16_t frames, uint8_t to) {
  const qj_face *const like = &out->face[first];
  const qj_offset record = qj_track_record((uint8_t)like->one);
  const qj_offset beside = qj_track_record((uint8_t)like->other);
  const int16_t rest = (int16_t)qj_u16(record + (qj_offset)to);
  const int16_t other_rest = (int16_t)qj_u16(beside + (qj_offset)to);
  const uint8_t n = qj_knot_frames((uint8_t)like->one);
  const int32_t most = (int16_t)qj_u16(record + 12);
  int32_t one;
  for (one = (int16_t)qj_u16(record + 10); one <= most; one++) {
    int32_t low = (int16_t)qj_u16(beside + 10);
    int32_t high = (int16_t)qj_u16(beside + 12);
    uint32_t f;
    left_beside(out, like, one, &low, &high);
    for (f = 0; low <= high && f < (uint32_t)frames + (uint32_t)n; f += n) {
      const uint16_t weight = qj_weight((uint16_t)f, frames);
      const int16_t c1 = qj_blend(rest, weight, (int16_t)one, rest);
      const int16_t c2 = qj_blend(other_rest, weight, (int16_t)low, other_rest);
      const int16_t c3 = qj_blend(other_rest, weight, (int16_t)high, other_rest);
      uint8_t i;
      for (i = first; i < out->faces; i++) {
        if (out->face[i].one == like->one && out->face[i].other == like->other) {
          watch_pair(&out->line[i], &out->face[i], c1, c2);
          watch_pair(&out->line[i], &out->face[i], c1, c3);
        }
      }
    }
    if (!within(opened, out)) {
      return;
    }
  }
}

/* Whether no face before this one is of the same two tracks. */
static uint8_t is_first(const qj_proof *out, uint8_t at) {
  uint8_t i;
  for (i = 0; i < at; i++) {
    if (out->face[i].one == out->face[at].one && out->face[i].other == out->face[at].other) {
      return 0;
    }
  }
  return 1;
}

enum { TO_REST = 6, TO_PARKED = 8 }; /* where it stands in a track's record */

/* From wherever a stop may end to one of both; to rest from the parked pose, too. */
static uint8_t prove_to(const qj_player *opened, qj_proof *out, uint16_t frames, uint8_t stop_early, uint8_t to) {
  uint8_t t;
  nothing_yet(opened, out, stop_early);
  if (opened->fault != QJ_OK) {
    return 0;
  }
  for (t = 0; t < opened->tracks; t++) {
    const qj_offset record = qj_track_record(t);
    const int16_t rest = (int16_t)qj_u16(record + (qj_offset)to);
    const uint8_t n = qj_knot_frames(t);
    const int32_t high = (int16_t)qj_u16(record + 12);
    int32_t from = (int16_t)qj_u16(record + 10);
    rest_from(&out->track[t], (int16_t)qj_u16(record + 8), rest, n, frames);
    rest_from(&out->track[t], (int16_t)high, rest, n, frames); /* the far ends first: they ask for most */
    for (; within(opened, out) && from <= high; from++) {
      rest_from(&out->track[t], (int16_t)from, rest, n, frames);
    }
  }
  for (t = 0; t < out->faces; t++) {
    out->line_bound[t] = stop_early ? out->face[t].limit : INT32_MAX;
  }
  for (t = 0; t < out->faces && within(opened, out); t++) {
    if (is_first(out, t)) {
      pair_from(opened, out, t, frames, to);
    }
  }
  return 1;
}

uint8_t qj_prove_rest(const qj_player *opened, qj_proof *out, uint16_t frames, uint8_t stop_early) {
  return prove_to(opened, out, frames, stop_early, TO_REST);
}

uint8_t qj_prove_park(const qj_player *opened, qj_proof *out, uint16_t frames, uint8_t stop_early) {
  return prove_to(opened, out, frames, stop_early, TO_PARKED);
}
