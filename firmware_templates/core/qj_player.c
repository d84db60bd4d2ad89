/* The player's states: boot, settle, idle, scene, hold, fault. Decisions fall at common knots only. */
#include "qj_inside.h"

#include <stddef.h>

#include "qj_states.h"

/* The only way from one state to another. An event that a state does not know changes nothing. */
static QJ_ONCE void to(qj_player *p, uint8_t event) {
  static const uint8_t next[QJ_EVENTS * QJ_STATES] QJ_FLASH = {QJ_NEXT_STATES};
  p->state = QJ_FLASH_BYTE(&next[event * QJ_STATES + p->state]);
}

static void zero(void *at, uint16_t size) {
  uint8_t *byte = (uint8_t *)at;
  for (; size > 0; size--) {
    *byte++ = 0;
  }
}

static void outputs_off(qj_player *p) {
  zero((uint8_t *)p + offsetof(qj_player, pulse), (uint16_t)(offsetof(qj_player, window) - offsetof(qj_player, pulse)));
  p->switches = 0;
}

/* As after a reset: nothing has pulses, and the figure has fallen to its parked pose. */
static void unpowered(qj_player *p) {
  p->wants = 0;
  p->parking = 0;
  p->started = 0;
  p->countdown = qj_read(QJ_AT_BOOT);
  outputs_off(p);
  zero(p->released, QJ_TRACK_BYTES);
  qj_begin(p, QJ_STAND, qj_u16(QJ_AT_SETTLE));
  qj_start_from(p, p->pulse); /* none is known: parked */
}

uint8_t qj_open(qj_player *p, uint8_t board) {
  uint8_t i;
  zero(p, (uint16_t)sizeof *p);
  p->layer[0].scene = QJ_NONE;
  p->layer[1].scene = QJ_NONE;
  p->next_scene = QJ_NONE;
  p->input = QJ_NONE;
  p->fault = qj_check_image(board);
  if (p->fault != QJ_OK) {
    to(p, QJ_FAILED);
    return p->fault;
  }
  p->tracks = qj_read(QJ_AT_TRACKS);
  p->lamps = qj_read(QJ_AT_LAMPS);
  p->switch_count = qj_read(QJ_AT_SWITCHES);
  p->input_count = qj_read(QJ_AT_INPUTS);
  qj_guard_open(p);
  qj_policy_open(p, qj_boot_number());
  p->idled = QJ_NONE;
  for (i = 0; i < p->input_count; i++) {
    p->in[i].last = QJ_NONE;
  }
  p->phase = QJ_COMMON_FRAMES - 1;
  unpowered(p);
  return QJ_OK;
}

/* ---- inputs ---------------------------------------------------------------------------------- */

QJ_ONCE void qj_sample(qj_player *p, uint8_t levels) {
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

static void report_playing(qj_player *p, uint8_t what, uint8_t scene) {
  if (p->state == QJ_SCENE) {
    qj_report(p, what, scene, p->cue, p->input);
  }
}

static void wait_for(qj_player *p, uint16_t cue, uint8_t scene, uint8_t repeats, uint8_t input) {
  p->next_scene = scene;
  p->next_repeats = repeats;
  p->next_cue = cue;
  p->next_input = input;
}

/* An accepted trigger of input `i`: its scene, or the special one of every nth time. */
static QJ_ONCE void triggered(qj_player *p, uint8_t i, qj_offset record) {
  qj_input *const in = &p->in[i];
  uint8_t scene = qj_read((qj_offset)(record + 6));
  const uint8_t nth = qj_read((qj_offset)(record + 7));
  in->cooldown = qj_u16((qj_offset)(record + 4));
  if (nth != 0) {
    in->count = (uint8_t)(in->count + 1);
  }
  if (nth != 0 && in->count == nth) {
    in->count = 0;
    scene = qj_read((qj_offset)(record + 8));
  } else {
    scene = qj_choose(p, i, scene);
  }
  if (scene != QJ_NONE) {
    qj_report(p, QJ_TRIGGERED, scene, 0, i);
    wait_for(p, 0, scene, 1, i);
  }
}

/* What plays or waits will not be played to its end. */
static void tell_stopped(qj_player *p) {
  report_playing(p, QJ_STOPPED, p->live != 0 ? QJ_LIVE : p->layer[p->current].scene);
  if (p->next_scene != QJ_NONE) {
    qj_report(p, QJ_STOPPED, p->next_scene, p->next_cue, p->next_input);
    p->next_scene = QJ_NONE;
  }
  p->repeats = 0;
  p->live = 0;
}

/* Stop and rail inputs act by their level. A trigger counts when it becomes active, in idle, with nothing waiting and
 * its cooldown over. */
static QJ_ONCE void inputs(qj_player *p) {
  uint8_t levels = p->levels;
  uint8_t edges = p->edges;
  uint8_t stopped = 0;
  uint8_t no_power = 0;
  uint8_t i;
  if (p->sampled == 0) {
    return;
  }
  p->edges = 0;
  for (i = 0; i < p->input_count; i++) {
    const qj_offset record = qj_record(QJ_AT_INPUT_RECORDS, 12, i);
    const uint8_t kind = qj_read((qj_offset)(record + 1));
    if (p->in[i].cooldown != 0) {
      p->in[i].cooldown = (uint16_t)(p->in[i].cooldown - 1);
    }
    if (kind == QJ_STOP_INPUT) {
      stopped = (uint8_t)(stopped | (levels & 1));
    } else if (kind == QJ_RAIL_INPUT) {
      no_power = (uint8_t)(no_power | ((levels & 1) ^ 1));
    } else if (kind == QJ_TRIGGER && (edges & 1) != 0 && p->state == QJ_IDLE && p->next_scene == QJ_NONE &&
               p->wants == 0 && p->in[i].cooldown == 0 && !qj_tired(p)) {
      triggered(p, i, record);
    }
    levels = (uint8_t)(levels >> 1);
    edges = (uint8_t)(edges >> 1);
  }
  p->stopped = stopped;
  if (stopped != 0 && p->state != QJ_BOOT) {
    (void)qj_hold(p);
  }
  if (no_power != p->unpowered) {
    p->unpowered = no_power;
    if (no_power == 0) {
      qj_report(p, QJ_RAIL_BACK, QJ_NONE, 0, QJ_NONE);
    } else if (p->state != QJ_BOOT) {
      tell_stopped(p);
      qj_report(p, QJ_RAIL_LOST, QJ_NONE, 0, QJ_NONE);
      to(p, QJ_RAIL_GONE);
      unpowered(p);
    }
  }
}

/* ---- requests -------------------------------------------------------------------------------- */

uint8_t qj_cue(qj_player *p, uint16_t cue, uint8_t scene, uint8_t repeats) {
  if (p->state >= QJ_HOLD || (p->wants & QJ_WANTS_HOLD) != 0 || p->unpowered != 0) {
    return QJ_REFUSED;
  }
  if (scene >= qj_read(QJ_AT_SCENES) && scene != QJ_LIVE) {
    return QJ_BAD_ARGUMENT;
  }
  if (p->next_scene != QJ_NONE || qj_tired(p)) {
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
    p->wants = 0; /* takes back a resume that has not begun */
  } else {
    p->wants = (uint8_t)(p->wants | QJ_WANTS_HOLD);
  }
  return QJ_DONE;
}

uint8_t qj_park(qj_player *p) {
  const uint8_t result = qj_hold(p);
  if (p->state == QJ_HOLD) {
    p->parking = (uint8_t)(p->parking | QJ_PARK_ALL);
  } else if (result == QJ_DONE) {
    p->wants = (uint8_t)(p->wants | QJ_WANTS_PARK);
  }
  return result;
}

uint8_t qj_release(qj_player *p) {
  if (p->state != QJ_IDLE) {
    return QJ_REFUSED;
  }
  p->count.quiet = 0xFFFF;
  return QJ_DONE;
}

uint8_t qj_resume(qj_player *p) {
  if (p->stopped != 0) {
    return QJ_REFUSED;
  }
  if (p->state == QJ_HOLD) {
    p->wants = QJ_WANTS_RESUME;
  } else if ((p->wants & QJ_WANTS_HOLD) != 0) { /* the hold has not begun: it is taken back */
    p->wants = (uint8_t)(p->wants & (uint8_t)~(QJ_WANTS_HOLD | QJ_WANTS_PARK));
  } else {
    return QJ_REFUSED;
  }
  return QJ_DONE;
}

const qj_layer *qj_playing(const qj_player *p) { return &p->layer[p->mode == QJ_LEAVE ? p->current ^ 1 : p->current]; }

uint8_t qj_scene_now(const qj_player *p) { return p->live != 0 ? (uint8_t)QJ_LIVE : qj_playing(p)->scene; }

void qj_fail(qj_player *p, uint8_t fault) {
  outputs_off(p);
  p->next_scene = QJ_NONE;
  to(p, QJ_FAILED);
  p->fault = fault;
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

static void late_start(qj_player *p) {
  if (qj_late_start(p)) {
    report_playing(p, QJ_STARTED, p->layer[p->current ^ 1].scene);
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
    report_playing(p, QJ_STARTED, scene);
  }
}

/* On to the waiting cue, or to idle. */
static void go_on(qj_player *p) {
  uint8_t scene = p->next_scene;
  p->wants = (uint8_t)(p->wants & (uint8_t)~QJ_TURNS_DONE);
  p->input = p->next_input;
  zero(p->released, QJ_TRACK_BYTES); /* pulses come back a common knot before anything moves */
  p->count.quiet = 0;
  if (scene != QJ_NONE) {
    to(p, QJ_CUE_BEGINS);
    p->cue = p->next_cue;
    p->repeats = p->next_repeats;
    p->next_scene = QJ_NONE;
    qj_count_play(p, scene);
    if (scene == QJ_LIVE) { /* live control begins at rest */
      p->live = 1;
      scene = QJ_NONE;
    }
  } else {
    to(p, QJ_NOTHING_WAITS);
    p->repeats = 0;
    scene = qj_idle_scene(p);
  }
  go_to(p, scene);
}

static void rest_to_rest(qj_player *p) {
  to(p, QJ_SETTLES);
  p->wants = 0;
  qj_rest_to_rest(p, qj_u16(QJ_AT_SETTLE));
}

/* Live control is reached, goes on, or is over. */
static QJ_ONCE void live(qj_player *p) {
  if (p->live == 1) {
    p->live = 2;
    qj_live_begin(p);
    report_playing(p, QJ_STARTED, QJ_LIVE);
  } else if (qj_live_stands(p) && (p->count.silent >= QJ_SILENT_FRAMES || p->next_scene != QJ_NONE)) {
    report_playing(p, QJ_ENDED, QJ_LIVE);
    p->live = 0;
    rest_to_rest(p);
  }
}

static QJ_ONCE void stop(qj_player *p) {
  tell_stopped(p);
  /* a hold is often pressed twice: the second time, or a track that lets go, must not end in a jerk */
  zero(p->released, QJ_TRACK_BYTES);
  if (p->mode != QJ_LIVE_POINTS) {
    qj_begin(p, QJ_STOP, qj_u16(QJ_AT_STOP));
  } else {
    qj_begin(p, QJ_STAND, 0); /* live control has come to its own stop */
  }
  to(p, QJ_HOLD_BEGINS);
  p->parking = (p->wants & QJ_WANTS_PARK) != 0 ? QJ_PARK_ALL : QJ_PARK_SOME;
  p->wants = 0;
}

/* Is the scene, or the loop that was asked for, over? A scene's next turn begins here. */
static QJ_ONCE uint8_t scene_over(qj_player *p) {
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
  go_to(p, layer->scene);
  return 0;
}

/* Another common knot of waiting: after a while, axes that rest and may be let go are. */
static QJ_ONCE void idle(qj_player *p) {
  const qj_offset stopping = qj_extra(QJ_EXTRA_STOPPING);
  const uint16_t after = stopping == 0 ? (uint16_t)0 : qj_u16(stopping);
  const uint8_t scene = p->layer[p->current].scene;
  if (qj_idle_is_over(p)) {
    go_to(p, qj_idle_scene(p));
    return;
  }
  if (p->count.quiet != 0xFFFF) {
    p->count.quiet = (uint16_t)(p->count.quiet + 1);
  }
  if ((after != 0 && p->count.quiet >= after) || p->count.quiet == 0xFFFF) {
    uint8_t t;
    for (t = 0; t < p->tracks; t++) {
      if ((qj_manner(t) & QJ_LETS_GO) != 0 && (scene == QJ_NONE || qj_stream(scene, t) == 0)) {
        qj_let_go(p, t);
      }
    }
  }
}

/* Everything stands in hold: tracks that are to park do so, then their pulses end; a resume waits for that. */
static QJ_ONCE void held(qj_player *p) {
  const uint8_t parking = p->parking;
  uint8_t any = 0;
  uint8_t t;
  for (t = 0; t < p->tracks; t++) {
    if (qj_parks(p, t)) {
      any = 1;
      if ((parking & QJ_PARKING) != 0) {
        qj_let_go(p, t);
      }
    }
  }
  if ((parking & QJ_PARKING) != 0 || any == 0) {
    p->mode = QJ_STAND;
    p->parking = 0;
    if (p->wants != 0) {
      to(p, QJ_SETTLES);
      p->wants = 0;
      if (!qj_any_released(p)) {
        rest_to_rest(p);
      }
    }
  } else {
    qj_rest_to_rest(p, qj_u16(QJ_AT_SETTLE));
    p->parking = (uint8_t)(parking | QJ_PARKING);
  }
}

static QJ_ONCE void decide(qj_player *p) {
  const uint8_t standing = (uint8_t)(p->mode == QJ_STAND);
  qj_duty(p);
  late_start(p);
  if (qj_fading(p)) {
    return;
  }
  qj_finish_fade(p);
  if (p->state == QJ_HOLD) {
    held(p);
  } else if (standing) {
    if (p->started == p->tracks && p->stopped == 0 && !qj_any_released(p)) {
      const uint8_t wants = p->wants;
      rest_to_rest(p);
      p->wants = wants; /* a hold asked for meanwhile follows the settling */
    }
  } else if (p->mode == QJ_LIVE_POINTS && !qj_live_stands(p)) {
    return;
  } else if ((p->wants & QJ_WANTS_HOLD) != 0) {
    stop(p);
  } else if (p->live != 0) {
    live(p);
  } else if (p->state == QJ_SCENE) {
    if (scene_over(p)) {
      report_playing(p, QJ_ENDED, p->layer[p->current].scene);
      go_on(p);
    }
  } else if (p->state == QJ_SETTLE || p->next_scene != QJ_NONE) {
    go_on(p);
  } else {
    idle(p);
  }
}

/* ---- one frame ------------------------------------------------------------------------------- */

/* Tracks get their first pulse one by one, or get it back. */
static QJ_ONCE void stagger(qj_player *p) {
  while (p->started != p->tracks && p->countdown == 0) {
    p->started = (uint8_t)(p->started + 1);
    p->countdown = qj_read(QJ_AT_STAGGER);
  }
  if (p->state == QJ_SETTLE && p->countdown == 0 && qj_any_released(p)) {
    qj_take_back(p);
    p->countdown = qj_read(QJ_AT_STAGGER);
  }
  if (p->countdown != 0) {
    p->countdown = (uint8_t)(p->countdown - 1);
  }
}

#define QJ_MIDDLE ((uint16_t)25600) /* lightness 100, so that 0..51200 fits a signed blend */

static QJ_ONCE void show(qj_player *p) {
  const uint16_t come = (uint16_t)(QJ_FULL - qj_weight(p->since, p->fade));
  uint8_t bit = 1;
  uint8_t i;
  for (i = 0; i < p->started; i++) {
    const uint8_t n = qj_knot_frames(i);
    p->pulse[i] = qj_has_no_pulse(p, i)
                      ? (uint16_t)0
                      : qj_pulse_of(qj_position(p->window[i], n, (uint8_t)(p->phase % n)), n, qj_track_record(i));
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

QJ_ONCE void qj_tick(qj_player *p) {
  if (p->state == QJ_FAULT) {
    return;
  }
  p->phase = p->phase == QJ_COMMON_FRAMES - 1 ? 0 : (uint8_t)(p->phase + 1);
  p->count.clock = p->count.clock + 1;
  if (p->count.silent != 255) {
    p->count.silent = (uint8_t)(p->count.silent + 1);
  }
  inputs(p);
  if (p->state == QJ_BOOT) {
    if ((p->stopped | p->unpowered) != 0) {
      p->countdown = qj_read(QJ_AT_BOOT);
    }
    if (p->countdown != 0) {
      p->countdown = (uint8_t)(p->countdown - 1);
      return;
    }
    to(p, QJ_SETTLES);
  }
  stagger(p);
  if (p->phase == 0) {
    decide(p);
  }
  qj_knots(p);
  show(p);
  qj_guard_frame(p);
  if (!qj_clocks(p)) {
    return;
  }
  if (p->count.turns != 255) {
    p->count.turns = (uint8_t)(p->count.turns + 1);
  }
  if (p->state == QJ_SCENE && p->repeats != 0) {
    p->repeats = (uint8_t)(p->repeats - 1);
    if (p->repeats == 0) {
      p->wants = (uint8_t)(p->wants | QJ_TURNS_DONE);
    }
  }
}
