/* The player's states: boot, settle, idle, scene, hold, fault. Decisions fall at common knots only. */
#include "qj_inside.h"

#include <stddef.h>

static void zero(void *at, uint16_t size) {
  uint8_t *byte = (uint8_t *)at;
  for (; size > 0; size--) {
    *byte++ = 0;
  }
}

uint8_t qj_open(qj_player *p, uint8_t board) {
  zero(p, (uint16_t)sizeof *p);
  p->layer[0].scene = QJ_NONE;
  p->layer[1].scene = QJ_NONE;
  p->next_scene = QJ_NONE;
  p->input = QJ_NONE;
  p->fault = qj_check_image(board);
  if (p->fault != QJ_OK) {
    p->state = QJ_FAULT;
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
  qj_start_from(p, p->pulse); /* none is known: parked */
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

static void report_playing(qj_player *p, uint8_t what, uint8_t scene) {
  if (p->state == QJ_SCENE) {
    p->plays = (uint16_t)(p->plays + (what == QJ_STARTED));
    qj_report(p, what, scene, p->cue, p->input);
  }
}

static void wait_for(qj_player *p, uint16_t cue, uint8_t scene, uint8_t repeats, uint8_t input) {
  p->next_scene = scene;
  p->next_repeats = repeats;
  p->next_cue = cue;
  p->next_input = input;
}

/* A trigger counts only in idle, with nothing waiting and its cooldown over. */
static void triggers(qj_player *p) {
  uint8_t edges = p->edges;
  uint8_t i;
  p->edges = 0;
  for (i = 0; i < p->input_count; i++) {
    qj_input *const in = &p->in[i];
    if (in->cooldown != 0) {
      in->cooldown = (uint16_t)(in->cooldown - 1);
    }
    if ((edges & 1) != 0 && p->state == QJ_IDLE && p->next_scene == QJ_NONE && p->wants == 0 && in->cooldown == 0) {
      const qj_offset record = qj_record(QJ_AT_INPUT_RECORDS, 12, i);
      uint8_t scene = qj_read((qj_offset)(record + 6));
      if (qj_read((qj_offset)(record + 1)) == 1) {
        const uint8_t nth = qj_read((qj_offset)(record + 7));
        in->cooldown = qj_u16((qj_offset)(record + 4));
        if (nth != 0) {
          in->count = (uint8_t)(in->count + 1);
          if (in->count == nth) {
            in->count = 0;
            scene = qj_read((qj_offset)(record + 8));
          }
        }
        if (scene != QJ_NONE) {
          qj_report(p, QJ_TRIGGERED, scene, 0, i);
          wait_for(p, 0, scene, 1, i);
        }
      }
    }
    edges = (uint8_t)(edges >> 1);
  }
}

/* ---- requests -------------------------------------------------------------------------------- */

uint8_t qj_cue(qj_player *p, uint16_t cue, uint8_t scene, uint8_t repeats) {
  if (p->state >= QJ_HOLD || (p->wants & QJ_WANTS_HOLD) != 0) {
    return QJ_REFUSED;
  }
  if (scene >= qj_read(QJ_AT_SCENES) && scene != QJ_LIVE) {
    return QJ_BAD_ARGUMENT;
  }
  if (p->next_scene != QJ_NONE) {
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

uint8_t qj_resume(qj_player *p) {
  if (p->state == QJ_HOLD) {
    p->wants = QJ_WANTS_RESUME;
  } else if ((p->wants & QJ_WANTS_HOLD) != 0) { /* the hold has not begun: it is taken back */
    p->wants = (uint8_t)(p->wants & (uint8_t)~QJ_WANTS_HOLD);
  } else {
    return QJ_REFUSED;
  }
  return QJ_DONE;
}

const qj_layer *qj_playing(const qj_player *p) { return &p->layer[p->mode == QJ_LEAVE ? p->current ^ 1 : p->current]; }

uint8_t qj_scene_now(const qj_player *p) { return p->live != 0 ? (uint8_t)QJ_LIVE : qj_playing(p)->scene; }

void qj_fail(qj_player *p, uint8_t fault) {
  zero((uint8_t *)p + offsetof(qj_player, pulse), (uint16_t)(offsetof(qj_player, window) - offsetof(qj_player, pulse)));
  p->switches = 0;
  p->next_scene = QJ_NONE;
  p->state = QJ_FAULT;
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
  if (scene != QJ_NONE) {
    p->state = QJ_SCENE;
    p->cue = p->next_cue;
    p->repeats = p->next_repeats;
    p->next_scene = QJ_NONE;
    if (scene == QJ_LIVE) { /* live control begins at rest */
      p->live = 1;
      scene = QJ_NONE;
    }
  } else {
    p->state = QJ_IDLE;
    p->repeats = 0;
    scene = qj_read(QJ_AT_IDLE);
  }
  go_to(p, scene);
}

static void stop(qj_player *p) {
  report_playing(p, QJ_STOPPED, p->live != 0 ? (uint8_t)QJ_LIVE : p->layer[p->current].scene);
  if (p->next_scene != QJ_NONE) {
    qj_report(p, QJ_STOPPED, p->next_scene, p->next_cue, p->next_input);
    p->next_scene = QJ_NONE;
  }
  if (p->mode == QJ_LIVE_POINTS) {
    qj_begin(p, QJ_STAND, 0); /* live control has come to its own stop */
  } else {
    qj_begin(p, QJ_STOP, qj_u16(QJ_AT_STOP));
  }
  p->live = 0;
  p->state = QJ_HOLD;
  p->wants = 0;
  p->repeats = 0;
}

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
  go_to(p, layer->scene);
  return 0;
}

static void rest_to_rest(qj_player *p) {
  p->state = QJ_SETTLE;
  p->wants = 0;
  qj_rest_to_rest(p, qj_u16(QJ_AT_SETTLE));
}

/* Live control is reached, goes on, or is over. */
static void live(qj_player *p) {
  if (p->live == 1) {
    p->live = 2;
    qj_live_begin(p);
    report_playing(p, QJ_STARTED, QJ_LIVE);
  } else if (p->silent >= QJ_SILENT_FRAMES || p->next_scene != QJ_NONE) {
    report_playing(p, QJ_ENDED, QJ_LIVE);
    p->live = 0;
    rest_to_rest(p);
  }
}

static void decide(qj_player *p) {
  const uint8_t standing = (uint8_t)(p->mode == QJ_STAND);
  late_start(p);
  if (qj_fading(p)) {
    return;
  }
  qj_finish_fade(p);
  if (p->state == QJ_HOLD) {
    if (p->wants != 0) {
      rest_to_rest(p);
    }
  } else if (standing) {
    if (p->started == p->tracks) {
      const uint8_t wants = p->wants;
      rest_to_rest(p);
      p->wants = wants; /* a hold asked for meanwhile follows the settling */
    }
  } else if (p->mode == QJ_LIVE_POINTS && !qj_live_stands(p)) {
    return; /* its way to a stop goes on */
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
  }
}

/* ---- one frame ------------------------------------------------------------------------------- */

/* Tracks get their first pulse one by one. */
static void stagger(qj_player *p) {
  while (p->started != p->tracks && p->countdown == 0) {
    p->started = (uint8_t)(p->started + 1);
    p->countdown = qj_read(QJ_AT_STAGGER);
  }
  if (p->countdown != 0) {
    p->countdown = (uint8_t)(p->countdown - 1);
  }
}

#define QJ_MIDDLE ((uint16_t)25600) /* lightness 100, so that 0..51200 fits a signed blend */

static void show(qj_player *p) {
  const uint16_t come = (uint16_t)(QJ_FULL - qj_weight(p->since, p->fade));
  uint8_t bit = 1;
  uint8_t i;
  for (i = 0; i < p->started; i++) {
    const uint8_t n = qj_knot_frames(i);
    p->pulse[i] = qj_is_tripped(p, i)
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

void qj_tick(qj_player *p) {
  if (p->state == QJ_FAULT) {
    return;
  }
  p->phase = p->phase == QJ_COMMON_FRAMES - 1 ? 0 : (uint8_t)(p->phase + 1);
  p->clock = p->clock + 1;
  if (p->silent != 255) {
    p->silent = (uint8_t)(p->silent + 1);
  }
  triggers(p);
  if (p->state == QJ_BOOT) {
    if (p->countdown != 0) {
      p->countdown = (uint8_t)(p->countdown - 1);
      return;
    }
    p->state = QJ_SETTLE;
  }
  stagger(p);
  if (p->phase == 0) {
    decide(p);
  }
  qj_knots(p);
  show(p);
  qj_guard_frame(p);
  if (qj_clocks(p) && p->state == QJ_SCENE && p->repeats != 0) {
    p->repeats = (uint8_t)(p->repeats - 1);
    if (p->repeats == 0) {
      p->wants = (uint8_t)(p->wants | QJ_TURNS_DONE);
    }
  }
}
