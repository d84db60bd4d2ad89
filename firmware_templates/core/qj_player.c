/* The player's states. Which follows which is a table (states.toml); here is what makes its events come, and what
 * its actions do. Decisions fall at common knots; only losing the servo supply, and a fault, do not wait. */
#include "qj_inside.h"
#include "qj_states.h"

#include <stddef.h>

static void zero(void *at, uint16_t size) {
  uint8_t *byte = (uint8_t *)at;
  for (; size > 0; size--) {
    *byte++ = 0;
  }
}

/* Nothing has pulses, and everything is taken to be where it falls. */
static void fall(qj_player *p) {
  uint8_t t;
  for (t = 0; t < p->tracks; t++) {
    p->pulse[t] = 0;
    p->off[t] = (uint8_t)((p->off[t] & QJ_OFF_TRIPPED) | QJ_OFF_RELEASED);
  }
  qj_start_from(p, p->pulse);
}

uint8_t qj_open(qj_player *p, uint8_t board) {
  zero(p, (uint16_t)sizeof *p);
  p->layer[0].scene = QJ_NONE;
  p->layer[1].scene = QJ_NONE;
  p->next_scene = QJ_NONE;
  p->input = QJ_NONE;
  p->fault = qj_check_image(board);
  if (p->fault != QJ_OK) {
    qj_fail(p, p->fault);
    return p->fault;
  }
  p->tracks = qj_read(QJ_AT_TRACKS);
  p->lamps = qj_read(QJ_AT_LAMPS);
  p->switch_count = qj_read(QJ_AT_SWITCHES);
  p->input_count = qj_read(QJ_AT_INPUTS);
  p->countdown = qj_read(QJ_AT_BOOT);
  qj_guard_open(p);
  p->phase = QJ_COMMON_FRAMES - 1;
  qj_begin(p, QJ_STAND, qj_u16(QJ_AT_SETTLE));
  fall(p);
  qj_seed(p, 0);
  return QJ_OK;
}

/* ---- inputs ---------------------------------------------------------------------------------- */

void qj_sample(qj_player *p, uint8_t levels) {
  uint8_t bit = 1;
  uint8_t i;
  for (i = 0; i < p->input_count; i++) {
    const qj_offset record = qj_record(QJ_AT_INPUT_RECORDS, 12, i);
    if ((qj_read((qj_offset)(record + 2)) & 1) != 0) {
      levels = (uint8_t)(levels ^ bit); /* active when low */
    }
    if (p->sampled == 0) { /* what is active from the first moment triggers nothing */
      p->levels = (uint8_t)(p->levels | (uint8_t)(levels & bit));
    } else if (((uint8_t)(levels ^ p->levels) & bit) == 0) {
      p->in[i].run = 0;
    } else {
      p->in[i].run = (uint8_t)(p->in[i].run + 1);
      if (p->in[i].run >= qj_read((qj_offset)(record + 3))) {
        p->in[i].run = 0;
        p->levels = (uint8_t)(p->levels ^ bit);
        p->edges = (uint8_t)(p->edges | (uint8_t)(levels & bit));
      }
    }
    bit = (uint8_t)(bit << 1);
  }
  p->sampled = 1;
}

/* News for the host. When nobody listens, the newest takes the last place. */
void qj_report(qj_player *p, uint8_t what, uint8_t scene, uint16_t cue, uint8_t input) {
  qj_happening *h;
  if (p->happenings != QJ_HAPPENINGS) {
    p->happenings = (uint8_t)(p->happenings + 1);
  }
  h = &p->happened[p->happenings - 1];
  h->what = what;
  h->scene = scene;
  h->cue = cue;
  h->input = input;
}

/* What played before (in `state`) is over, or begins. */
static void report_playing(qj_player *p, uint8_t state, uint8_t what, uint8_t scene) {
  if (state == QJ_SCENE) {
    p->plays = (uint16_t)(p->plays + (what == QJ_STARTED));
    qj_report(p, what, scene, p->cue, p->input);
  }
}

/* ---- what the table's actions do -------------------------------------------------------------- */

static void started(qj_player *p, uint8_t scene) {
  if (p->state == QJ_SCENE) {
    qj_count_run(p, scene);
  }
  report_playing(p, p->state, QJ_STARTED, scene);
}

static void late_start(qj_player *p) {
  if (qj_late_start(p)) {
    started(p, p->layer[p->current ^ 1].scene);
  }
}

/* From the loop that plays, or from rest, to a scene, a loop or (QJ_NONE) rest. */
static void go_to(qj_player *p, uint8_t scene) {
  const qj_layer *const now = &p->layer[p->current];
  const qj_offset record = qj_scene_record(scene);
  const uint16_t fade_in = qj_is_loop(scene) ? qj_u16((qj_offset)(record + 10)) : (uint16_t)0;
  if (!now->loop) {
    qj_from_rest(p, scene, fade_in);
  } else if (scene != now->scene) { /* the loop that plays already just goes on */
    const uint8_t scenes = qj_read(QJ_AT_SCENES);
    const uint8_t row = qj_read((qj_offset)(qj_scene_record(now->scene) + 9));
    const uint8_t column = scene == QJ_NONE ? scenes : scene;
    const qj_offset cell =
        (qj_offset)(qj_at(QJ_AT_TRANSITIONS) +
                    (qj_offset)((uint16_t)((uint16_t)((uint16_t)row * (uint16_t)(scenes + 1)) + column) << 2));
    qj_leave(p, scene, qj_u16(cell), qj_u16((qj_offset)(cell + 2)), fade_in);
    late_start(p);
    return;
  }
  if (p->live == 0) {
    started(p, scene);
  }
}

/* On to the waiting cue (QJ_DO_BEGIN), or to idle. */
static void go_on(qj_player *p, uint8_t action) {
  uint8_t scene = p->next_scene;
  p->wants = (uint8_t)(p->wants & (uint8_t)~QJ_TURNS_DONE);
  p->input = p->next_input;
  if (action == QJ_DO_BEGIN) {
    p->cue = p->next_cue;
    p->repeats = p->next_repeats;
    p->next_scene = QJ_NONE;
    if (scene == QJ_LIVE) { /* live control begins at rest */
      p->live = 1;
      scene = QJ_NONE;
    }
  } else {
    p->repeats = 0;
    scene = qj_read(QJ_AT_IDLE);
    if (scene != QJ_NONE) {
      const uint8_t chosen = qj_choose(p, 0, &p->repeats);
      if (chosen != QJ_NONE) {
        scene = chosen;
      }
    }
  }
  go_to(p, scene);
}

/* What played, in `state`, or waits will not be played to its end. */
static void give_up(qj_player *p, uint8_t state) {
  report_playing(p, state, QJ_STOPPED, qj_scene_now(p));
  if (p->next_scene != QJ_NONE) {
    qj_report(p, QJ_STOPPED, p->next_scene, p->next_cue, p->next_input);
    p->next_scene = QJ_NONE;
  }
  p->wants = (uint8_t)(p->wants & QJ_WANTS_PARK);
  p->repeats = 0;
  p->live = 0;
}

/* A track's flags in the image: bit 0 parks when stopped, bit 1 may be released at rest, bit 2 is so by itself. */
enum { PARKS = 1, BALANCED = 2, FALLS_SILENT = 4 };

static uint8_t stopping_flags(uint8_t track) {
  const qj_offset at = qj_extra(QJ_EXTRA_STOPPING);
  return at == 0 ? (uint8_t)0 : qj_read((qj_offset)(at + (qj_offset)(4 + track)));
}

/* Marks the tracks that are to park and still have pulses. */
static uint8_t to_park(qj_player *p) {
  uint8_t any = 0;
  uint8_t t;
  for (t = 0; t < p->tracks; t++) {
    if (p->off[t] == 0 && ((p->wants & QJ_WANTS_PARK) != 0 || (stopping_flags(t) & PARKS) != 0)) {
      p->off[t] = QJ_OFF_PARKING;
      any = 1;
    }
  }
  return any;
}

/* Changes the marks of every track that has `mark`. Returns 1 when there was one. */
static uint8_t all_off(qj_player *p, uint8_t mark, uint8_t change) {
  uint8_t any = 0;
  uint8_t t;
  for (t = 0; t < p->tracks; t++) {
    if ((p->off[t] & mark) != 0) {
      p->off[t] = (uint8_t)(p->off[t] ^ change);
      any = 1;
    }
  }
  return any;
}

/* Tracks with this flag that rest, and will as long as what plays now does. Returns how many it released. */
static uint8_t release(qj_player *p, uint8_t flag) {
  const qj_layer *const layer = &p->layer[p->current];
  uint8_t count = 0;
  uint8_t t;
  if (p->mode != QJ_PLAIN && p->mode != QJ_STAND) {
    return 0;
  }
  for (t = 0; t < p->tracks; t++) {
    const int16_t rest = qj_rest_point(t);
    const int16_t *const c = p->window[t];
    if (p->off[t] == 0 && (stopping_flags(t) & flag) != 0 && (layer->begun == 0 || layer->points[t].at == 0) &&
        c[0] == rest && c[1] == rest && c[2] == rest && c[3] == rest) {
      p->off[t] = QJ_OFF_RELEASED;
      count = (uint8_t)(count + 1);
    }
  }
  return count;
}

static void act(qj_player *p, uint8_t action, uint8_t before) {
  uint8_t i;
  switch (action) {
    case QJ_DO_SETTLE:
      qj_rest_to_rest(p, QJ_REST, qj_u16(QJ_AT_SETTLE));
      break;
    case QJ_DO_BEGIN:
    case QJ_DO_IDLE:
      report_playing(p, before, QJ_ENDED, p->layer[p->current].scene);
      go_on(p, action);
      break;
    case QJ_DO_REPEAT:
      go_to(p, p->layer[p->current].scene);
      break;
    case QJ_DO_STOP:
      give_up(p, before);
      /* What stands already goes on standing, while the lamps go to rest. At the end of settling it does, and no
       * point was fetched yet whose velocity a stop could fade: past[0] is where settling began. */
      qj_begin(p, before <= QJ_SETTLE || p->mode == QJ_STAND || p->mode == QJ_LIVE_POINTS ? QJ_PARK : QJ_STOP,
               qj_u16(QJ_AT_STOP));
      break;
    case QJ_DO_PARK:
      qj_rest_to_rest(p, QJ_PARK, qj_u16(qj_extra(QJ_EXTRA_STOPPING)));
      break;
    case QJ_DO_DROP:
      (void)all_off(p, QJ_OFF_PARKING, QJ_OFF_PARKING | QJ_OFF_RELEASED);
      break;
    case QJ_DO_RELEASE:
      (void)release(p, FALLS_SILENT);
      break;
    case QJ_DO_CUT:
      i = (uint8_t)(p->wants & (QJ_WANTS_HOLD | QJ_WANTS_PARK | QJ_PARKED)); /* only a resume takes these back */
      give_up(p, before);
      p->wants = i;
      fall(p);
      qj_layer_begin(&p->layer[p->current], QJ_NONE, 0);
      qj_begin(p, QJ_PARK, qj_u16(QJ_AT_SETTLE));
      break;
    case QJ_DO_WAIT:
      p->countdown = qj_read(QJ_AT_BOOT);
      break;
    case QJ_DO_DEAD:
      zero((uint8_t *)p + offsetof(qj_player, pulse),
           (uint16_t)(offsetof(qj_player, window) - offsetof(qj_player, pulse)));
      p->switches = 0;
      p->next_scene = QJ_NONE;
      p->countdown = 1;
      break;
    default:
      break;
  }
}

/* One step of the table. 0: the event means nothing in this state. */
static QJ_ONCE uint8_t step(qj_player *p, uint8_t event) {
  const uint8_t before = p->state;
  const uint8_t wanted = (uint8_t)((uint8_t)(before << 4) | event);
  uint8_t i;
  for (i = 0; i < 2 * QJ_TRANSITIONS; i = (uint8_t)(i + 2)) {
    if (qj_table(&qj_transitions[i]) == wanted) {
      const uint8_t then = qj_table(&qj_transitions[i + 1]);
      p->state = then >> 4;
#ifdef QJ_TRACE
      if (p->steps < QJ_TRACE) {
        p->step[p->steps++] = i / 2;
      }
#endif
      act(p, then & 15, before);
      return 1;
    }
  }
  return 0;
}

/* ---- inputs ---------------------------------------------------------------------------------- */

static void wait_for(qj_player *p, uint16_t cue, uint8_t scene, uint8_t repeats, uint8_t input) {
  p->next_scene = scene;
  p->next_repeats = repeats;
  p->next_cue = cue;
  p->next_input = input;
}

/* A trigger counts only in idle, with nothing waiting, its cooldown and the rest after a duty limit over. */
static void trigger(qj_player *p, uint8_t input, qj_offset record) {
  qj_input *const in = &p->in[input];
  const uint8_t nth = qj_read((qj_offset)(record + 7));
  uint8_t scene = QJ_NONE;
  uint8_t beside;
  if (p->state != QJ_IDLE || p->next_scene != QJ_NONE || (p->wants & (uint8_t)~QJ_TURNS_DONE) != 0 ||
      in->cooldown != 0 || p->resting != 0) {
    return;
  }
  in->cooldown = qj_u16((qj_offset)(record + 4));
  if (nth != 0) {
    in->count = (uint8_t)(in->count + 1);
    if (in->count == nth) {
      in->count = 0;
      scene = qj_read((qj_offset)(record + 8));
    }
  }
  if (scene == QJ_NONE) {
    scene = qj_choose(p, (uint8_t)(input + 1), &beside);
  }
  if (scene == QJ_NONE) {
    scene = qj_read((qj_offset)(record + 6));
  }
  if (scene != QJ_NONE) {
    qj_report(p, QJ_TRIGGERED, scene, 0, input);
    wait_for(p, 0, scene, 1, input);
  }
}

static void inputs(qj_player *p) {
  const uint8_t was = p->barred;
  uint8_t edges = p->edges;
  uint8_t levels = p->levels;
  uint8_t rail = QJ_NONE;
  uint8_t i;
  p->edges = 0;
  p->barred = 0;
  for (i = 0; i < p->input_count; i++) {
    const qj_offset record = qj_record(QJ_AT_INPUT_RECORDS, 12, i);
    const uint8_t kind = qj_read((qj_offset)(record + 1));
    const uint8_t active = (uint8_t)(levels & 1);
    if (p->in[i].cooldown != 0) {
      p->in[i].cooldown = (uint16_t)(p->in[i].cooldown - 1);
    }
    if (kind == QJ_INPUT_TRIGGER) {
      if ((edges & 1) != 0) {
        trigger(p, i, record);
      }
    } else if (kind == QJ_INPUT_STOP) {
      p->barred = (uint8_t)(p->barred | active);
    } else if (kind == QJ_INPUT_RAIL) {
      rail = i;
      if (active == 0 && p->sampled != 0) {
        p->barred = (uint8_t)(p->barred | QJ_BARRED_RAIL);
      }
    }
    edges = (uint8_t)(edges >> 1);
    levels = (uint8_t)(levels >> 1);
  }
  if (((uint8_t)(p->barred ^ was) & QJ_BARRED_RAIL) != 0) {
    const uint8_t lost = (uint8_t)(p->barred & QJ_BARRED_RAIL);
    qj_report(p, lost ? QJ_RAIL_LOST : QJ_RAIL_BACK, QJ_NONE, 0, rail);
    (void)step(p, lost ? QJ_ON_RAIL_LOST : QJ_ON_RAIL_BACK);
  }
  if ((p->barred & QJ_BARRED_STOP) != 0) {
    (void)qj_hold(p);
  }
}

/* ---- requests -------------------------------------------------------------------------------- */

uint8_t qj_cue(qj_player *p, uint16_t cue, uint8_t scene, uint8_t repeats) {
  if (p->state >= QJ_HOLD || (p->wants & QJ_WANTS_HOLD) != 0 || p->barred != 0) {
    return QJ_REFUSED;
  }
  if (scene >= qj_read(QJ_AT_SCENES) && scene != QJ_LIVE) {
    return QJ_BAD_ARGUMENT;
  }
  if (p->next_scene != QJ_NONE || p->resting != 0) {
    return QJ_BUSY;
  }
  wait_for(p, cue, scene, repeats, QJ_NONE);
  return QJ_DONE;
}

uint8_t qj_hold(qj_player *p) {
  if (p->state == QJ_FAULT) {
    return QJ_REFUSED;
  }
  if (p->state == QJ_HOLD) {
    p->wants = (uint8_t)(p->wants & (QJ_WANTS_PARK | QJ_PARKED)); /* takes back a resume that has not begun */
  } else {
    p->wants = (uint8_t)(p->wants | QJ_WANTS_HOLD);
  }
  return QJ_DONE;
}

uint8_t qj_park(qj_player *p) {
  if (qj_extra(QJ_EXTRA_STOPPING) == 0 || qj_hold(p) != QJ_DONE) {
    return QJ_REFUSED;
  }
  p->wants = (uint8_t)(p->wants | QJ_WANTS_PARK);
  return QJ_DONE;
}

uint8_t qj_release(qj_player *p) {
  if (p->next_scene != QJ_NONE || (p->wants & (uint8_t)~QJ_WANTS_PARK) != 0 || (p->state != QJ_IDLE && p->state != QJ_HOLD) ||
      release(p, BALANCED) == 0) {
    return QJ_REFUSED;
  }
  (void)step(p, QJ_ON_QUIET);
  return QJ_DONE;
}

uint8_t qj_resume(qj_player *p) {
  if (p->barred != 0) {
    return QJ_REFUSED;
  }
  if (p->state == QJ_HOLD) {
    p->wants = QJ_WANTS_RESUME;
  } else if ((p->wants & QJ_WANTS_HOLD) != 0) { /* the hold has not begun: it is taken back */
    p->wants = (uint8_t)(p->wants & (uint8_t) ~(QJ_WANTS_HOLD | QJ_WANTS_PARK));
  } else {
    return QJ_REFUSED;
  }
  return QJ_DONE;
}

const qj_layer *qj_playing(const qj_player *p) { return &p->layer[p->mode == QJ_LEAVE ? p->current ^ 1 : p->current]; }

uint8_t qj_scene_now(const qj_player *p) { return p->live != 0 ? (uint8_t)QJ_LIVE : qj_playing(p)->scene; }

void qj_fail(qj_player *p, uint8_t fault) {
  p->fault = fault;
  (void)step(p, QJ_ON_FAIL);
}

uint8_t qj_workshop(qj_player *p) {
  if (p->state == QJ_FAULT) {
    return qj_on_bench(p) ? QJ_DONE : QJ_REFUSED;
  }
  if (p->state != QJ_BOOT && (p->state != QJ_HOLD || p->mode != QJ_STAND)) {
    return QJ_BUSY;
  }
  qj_fail(p, QJ_WORKSHOP);
  return QJ_DONE;
}

uint8_t qj_on_bench(const qj_player *p) { return (uint8_t)(p->fault == QJ_NO_IMAGE || p->fault == QJ_WORKSHOP); }

/* ---- decisions at a common knot -------------------------------------------------------------- */

/* Is the scene, or the loop that was asked for, over? A scene's next turn begins here. */
static uint8_t scene_over(qj_player *p) {
  const qj_layer *const layer = &p->layer[p->current];
  const uint8_t leave = (uint8_t)(p->repeats == 0 && p->next_scene != QJ_NONE);
  if (layer->loop) {
    return (uint8_t)(leave || (p->wants & QJ_TURNS_DONE) != 0);
  }
  if (layer->frame != layer->frames) {
    return 0;
  }
  if (leave || p->repeats == 1) {
    return 1;
  }
  if (p->repeats != 0) {
    p->repeats = (uint8_t)(p->repeats - 1);
  }
  (void)step(p, QJ_ON_AGAIN);
  return 0;
}

/* Live control is reached, goes on, or is over. */
static void live(qj_player *p) {
  if (p->live == 1) {
    p->live = 2;
    qj_live_begin(p);
    report_playing(p, p->state, QJ_STARTED, QJ_LIVE);
  } else if (p->silent >= QJ_SILENT_FRAMES || p->next_scene != QJ_NONE) {
    report_playing(p, p->state, QJ_ENDED, QJ_LIVE);
    p->live = 0;
    (void)step(p, QJ_ON_SILENT);
  }
}

/* In hold, with everything standing. */
static void held(qj_player *p) {
  if (all_off(p, QJ_OFF_PARKING, 0)) {
    (void)step(p, QJ_ON_PARKED);
  }
  if ((p->wants & QJ_WANTS_RESUME) != 0) {
    p->wants = 0;
    (void)step(p, QJ_ON_RESUME);
  } else if (to_park(p)) {
    (void)step(p, QJ_ON_STOPPED);
  } else if ((p->wants & QJ_WANTS_PARK) != 0) {
    p->wants = QJ_WANTS_PARK | QJ_PARKED;
  }
}

/* Idle, with nothing to do: `since` goes on until it is time for balanced tracks to fall silent. */
static uint8_t release_after(qj_player *p) {
  const qj_offset at = qj_extra(QJ_EXTRA_STOPPING);
  if (at == 0) {
    return 0;
  }
  if (p->since >= qj_u16((qj_offset)(at + 2))) {
    return 1;
  }
  p->since = (uint16_t)(p->since + QJ_COMMON_FRAMES);
  return 0;
}

static void decide(qj_player *p) {
  late_start(p);
  if (qj_fading(p)) {
    return;
  }
  qj_finish_fade(p);
  if ((p->mode == QJ_LIVE_POINTS && !qj_live_stands(p)) || /* its way to a stop goes on */
      ((p->wants & QJ_WANTS_HOLD) != 0 && step(p, QJ_ON_HOLD))) {
    return;
  }
  if (p->mode == QJ_STAND) {
    if (p->state == QJ_HOLD) {
      held(p);
    }
    if (p->state == QJ_SETTLE && !all_off(p, QJ_OFF_RELEASED, 0)) {
      (void)step(p, QJ_ON_STILL);
    }
  } else if (p->live != 0) {
    live(p);
  } else if (p->state != QJ_SCENE || scene_over(p)) {
    if (p->next_scene != QJ_NONE || p->state != QJ_IDLE || (p->wants & QJ_TURNS_DONE) != 0) {
      if (!all_off(p, QJ_OFF_RELEASED, 0)) {
        (void)step(p, p->next_scene != QJ_NONE ? QJ_ON_NEXT : QJ_ON_OVER);
      }
    } else if (release_after(p)) {
      (void)step(p, QJ_ON_QUIET);
    }
  }
}

/* ---- one frame ------------------------------------------------------------------------------- */

/* Tracks get their first pulse one by one. */
static void wake(qj_player *p) {
  uint8_t t;
  for (t = 0; t < p->tracks && p->countdown == 0; t++) {
    if ((p->off[t] & QJ_OFF_RELEASED) != 0) {
      p->off[t] = (uint8_t)(p->off[t] ^ QJ_OFF_RELEASED);
      p->countdown = qj_read(QJ_AT_STAGGER);
    }
  }
  if (p->countdown != 0) {
    p->countdown = (uint8_t)(p->countdown - 1);
  }
}

QJ_ONCE uint16_t qj_standing(const qj_player *p, uint8_t track) {
  const uint8_t n = qj_knot_frames(track);
  return qj_pulse_of(qj_position(p->window[track], n, (uint8_t)(p->phase % n)), n, qj_track_record(track));
}

#define QJ_MIDDLE ((uint16_t)25600) /* lightness 100, so that 0..51200 fits a signed blend */

static void show(qj_player *p) {
  const uint16_t come = (uint16_t)(QJ_FULL - qj_weight(p->since, p->fade));
  uint8_t bit = 1;
  uint8_t i;
  for (i = 0; i < p->tracks; i++) {
    p->pulse[i] = (p->off[i] & (QJ_OFF_TRIPPED | QJ_OFF_RELEASED)) != 0 ? (uint16_t)0 : qj_standing(p, i);
  }
  for (i = 0; i < p->lamps; i++) {
    qj_lamp *const lamp = &p->lit[i];
    lamp->shown = qj_lamp_frame(lamp);
    if (p->mode != QJ_PLAIN) {
      const int16_t frozen = (int16_t)(lamp->frozen - QJ_MIDDLE);
      lamp->shown = (uint16_t)((uint16_t)qj_blend(frozen, come, (int16_t)(lamp->shown - QJ_MIDDLE), frozen) + QJ_MIDDLE);
    }
    p->lamp[i] = qj_curve(lamp->shown);
  }
  for (i = 0; i < p->switch_count; i++) {
    const uint16_t max_on = qj_u16((qj_offset)(qj_record(QJ_AT_SWITCH_RECORDS, 4, i) + 2));
    if (qj_switch_frame(&p->sw[i], (p->switches & bit) != 0 ? 1 : 0, max_on)) {
      p->switches = (uint8_t)(p->switches | bit);
    } else {
      p->switches = (uint8_t)(p->switches & (uint8_t)~bit);
    }
    bit = (uint8_t)(bit << 1);
  }
}

void qj_tick(qj_player *p) {
  p->clock = p->clock + 1;
  if (p->state == QJ_FAULT) {
    return;
  }
  p->phase = p->phase == QJ_COMMON_FRAMES - 1 ? 0 : (uint8_t)(p->phase + 1);
  if (p->silent != 255) {
    p->silent = (uint8_t)(p->silent + 1);
  }
  inputs(p);
  if (p->state == QJ_BOOT) {
    if (p->countdown != 0) {
      p->countdown = (uint8_t)(p->countdown - 1);
    } else if (p->barred == 0 && (p->wants & QJ_WANTS_HOLD) == 0) {
      (void)step(p, QJ_ON_READY);
    }
  }
  if (p->state == QJ_SETTLE || (p->state == QJ_IDLE && (p->next_scene != QJ_NONE || (p->wants & QJ_TURNS_DONE) != 0))) {
    wake(p);
  }
  if (p->phase == 0) {
    decide(p);
  }
  if (!qj_knots(p)) {
    qj_fail(p, QJ_LOST_IMAGE);
    return;
  }
  show(p);
  qj_guard_frame(p);
  qj_duty_frame(p);
  if (qj_clocks(p) && p->repeats != 0) {
    p->repeats = (uint8_t)(p->repeats - 1);
    if (p->repeats == 0) {
      p->wants = (uint8_t)(p->wants | QJ_TURNS_DONE);
    }
  }
}
