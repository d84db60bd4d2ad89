/* The player's states: boot, settle, idle, scene, hold, fault. Decisions fall at common knots only. */
#include "qj_inside.h"

static void zero(void *at, uint16_t size) {
  uint8_t *byte = (uint8_t *)at;
  for (; size > 0; size--) {
    *byte++ = 0;
  }
}

uint8_t qj_open(qj_player *p, uint8_t board) {
  uint8_t i;
  zero(p, (uint16_t)sizeof *p);
  qj_layer_rest(&p->layer[0]);
  qj_layer_rest(&p->layer[1]);
  p->next_scene = QJ_NONE;
  p->next_input = QJ_NONE;
  p->input = QJ_NONE;
  p->fault = qj_check_image(board);
  if (p->fault != QJ_OK) {
    p->state = QJ_FAULT;
    return p->fault;
  }
  p->state = QJ_BOOT;
  p->tracks = qj_read(QJ_AT_TRACKS);
  p->lamps = qj_read(QJ_AT_LAMPS);
  p->switch_count = qj_read(QJ_AT_SWITCHES);
  p->input_count = qj_read(QJ_AT_INPUTS);
  p->countdown = qj_read(QJ_AT_BOOT);
  p->phase = QJ_COMMON_FRAMES - 1;
  qj_begin(p, QJ_STAND, qj_u16(QJ_AT_SETTLE));
  for (i = 0; i < p->tracks; i++) {
    const int16_t parked = qj_i16(qj_track_record(i) + (uint32_t)8);
    uint8_t j;
    for (j = 0; j < 4; j++) {
      p->window[i][j] = parked;
    }
  }
  return QJ_OK;
}

/* ---- inputs ---------------------------------------------------------------------------------- */

void qj_sample(qj_player *p, uint8_t levels) {
  uint8_t i;
  for (i = 0; i < p->input_count; i++) {
    const uint32_t record = qj_input_record(i);
    const uint8_t bit = (uint8_t)(1 << i);
    const uint8_t active_low = (uint8_t)(qj_read(record + (uint32_t)2) & 1);
    const uint8_t active = (uint8_t)((uint8_t)((levels & bit) != 0 ? 1 : 0) ^ active_low);
    const uint8_t settled = (p->levels & bit) != 0 ? 1 : 0;
    if (p->sampled == 0) { /* what is active from the first moment triggers nothing */
      if (active) {
        p->levels = (uint8_t)(p->levels | bit);
      }
    } else if (active == settled) {
      p->in[i].run = 0;
    } else {
      p->in[i].run = (uint8_t)(p->in[i].run + 1);
      if (p->in[i].run >= qj_read(record + (uint32_t)3)) {
        p->in[i].run = 0;
        p->levels = (uint8_t)(p->levels ^ bit);
        if (active) {
          p->edges = (uint8_t)(p->edges | bit);
        }
      }
    }
  }
  p->sampled = 1;
}

/* A trigger counts only in idle, with nothing waiting and its cooldown over. */
static void triggers(qj_player *p) {
  const uint8_t edges = p->edges;
  uint8_t i;
  p->edges = 0;
  for (i = 0; i < p->input_count; i++) {
    const uint32_t record = qj_input_record(i);
    const uint8_t nth = qj_read(record + (uint32_t)7);
    uint8_t scene = qj_read(record + (uint32_t)6);
    if (p->in[i].cooldown != 0) {
      p->in[i].cooldown = (uint16_t)(p->in[i].cooldown - 1);
    }
    if ((edges & (uint8_t)(1 << i)) == 0 || qj_read(record + (uint32_t)1) != 1 || p->state != QJ_IDLE ||
        p->next_scene != QJ_NONE || p->wants != 0 || p->in[i].cooldown != 0) {
      continue;
    }
    p->in[i].cooldown = qj_u16(record + (uint32_t)4);
    p->in[i].count = (uint8_t)(p->in[i].count + 1);
    if (nth != 0 && p->in[i].count >= nth) {
      p->in[i].count = 0;
      scene = qj_read(record + (uint32_t)8);
    } else if (nth == 0) {
      p->in[i].count = 0;
    }
    qj_report(p, QJ_TRIGGERED, scene, 0, i);
    if (scene != QJ_NONE) {
      p->next_scene = scene;
      p->next_repeats = 1;
      p->next_input = i;
      p->next_cue = 0;
    }
  }
}

/* ---- requests -------------------------------------------------------------------------------- */

uint8_t qj_cue(qj_player *p, uint16_t cue, uint8_t scene, uint8_t repeats) {
  if (p->state == QJ_FAULT || p->state == QJ_HOLD || (p->wants & QJ_WANTS_HOLD) != 0) {
    return QJ_REFUSED;
  }
  if (scene == QJ_NONE || scene >= qj_read(QJ_AT_SCENES)) {
    return QJ_BAD_ARGUMENT;
  }
  if (p->next_scene != QJ_NONE) {
    return QJ_BUSY;
  }
  p->next_scene = scene;
  p->next_repeats = repeats;
  p->next_cue = cue;
  p->next_input = QJ_NONE;
  return QJ_DONE;
}

uint8_t qj_hold(qj_player *p) {
  if (p->state == QJ_FAULT) {
    return QJ_REFUSED;
  }
  if (p->state == QJ_HOLD) {
    p->wants = 0; /* also takes back a resume that has not begun */
  } else {
    p->wants = (uint8_t)(p->wants | QJ_WANTS_HOLD);
  }
  return QJ_DONE;
}

uint8_t qj_resume(qj_player *p) {
  if (p->state == QJ_HOLD) {
    p->wants = QJ_WANTS_RESUME;
    return QJ_DONE;
  }
  if ((p->wants & QJ_WANTS_HOLD) != 0) { /* the hold has not begun: it is taken back */
    p->wants = (uint8_t)(p->wants & (uint8_t)~QJ_WANTS_HOLD);
    return QJ_DONE;
  }
  return QJ_REFUSED;
}

/* ---- decisions at a common knot -------------------------------------------------------------- */

/* What plays is a loop in full swing (otherwise the tracks are at rest). */
static uint8_t in_loop(const qj_player *p) {
  return (uint8_t)(p->layer[p->current].scene != QJ_NONE && p->layer[p->current].loop != 0);
}

static void go_to(qj_player *p, uint8_t scene) {
  const uint8_t now = p->layer[p->current].scene;
  const uint8_t loop = qj_is_loop(scene);
  if (in_loop(p)) {
    if (scene == now) {
      if (p->state == QJ_SCENE) { /* the loop that plays already was asked for: it just counts from here */
        qj_report(p, QJ_STARTED, scene, p->cue, p->input);
      }
    } else {
      const uint32_t record = qj_transition_record(now, scene);
      qj_leave(p, scene, qj_u16(record), qj_u16(record + (uint32_t)2), loop ? qj_fade_in(scene) : 0);
      qj_late_start(p);
    }
    return;
  }
  if (scene == QJ_NONE) {
    qj_begin(p, QJ_PLAIN, 0);
    qj_layer_rest(&p->layer[p->current]);
    return;
  }
  if (loop) {
    qj_enter(p, scene, qj_fade_in(scene));
  } else {
    qj_play(p, scene);
  }
  if (p->state == QJ_SCENE) {
    qj_report(p, QJ_STARTED, scene, p->cue, p->input);
  }
}

static void ended(qj_player *p, uint8_t what) {
  if (p->state == QJ_SCENE) {
    qj_report(p, what, p->layer[p->current].scene, p->cue, p->input);
  }
}

/* On to the waiting cue, or to idle. */
static void go_on(qj_player *p) {
  uint8_t scene = p->next_scene;
  p->wants = (uint8_t)(p->wants & (uint8_t)~QJ_TURNS_DONE);
  if (scene != QJ_NONE) {
    p->state = QJ_SCENE;
    p->cue = p->next_cue;
    p->repeats = p->next_repeats;
    p->input = p->next_input;
    p->next_scene = QJ_NONE;
  } else {
    p->state = QJ_IDLE;
    p->repeats = 0;
    p->input = QJ_NONE;
    scene = qj_read(QJ_AT_IDLE);
  }
  go_to(p, scene);
}

static void stop(qj_player *p) {
  ended(p, QJ_STOPPED);
  if (p->next_scene != QJ_NONE) {
    qj_report(p, QJ_STOPPED, p->next_scene, p->next_cue, p->next_input);
    p->next_scene = QJ_NONE;
  }
  qj_begin(p, QJ_STOP, qj_u16(QJ_AT_STOP));
  p->state = QJ_HOLD;
  p->wants = 0;
  p->repeats = 0;
}

static void decide_scene(qj_player *p) {
  qj_layer *const layer = &p->layer[p->current];
  const uint8_t waiting = (uint8_t)(p->next_scene != QJ_NONE);
  if (layer->loop) {
    if ((p->wants & QJ_TURNS_DONE) != 0 || (p->repeats == 0 && waiting)) {
      ended(p, QJ_ENDED);
      go_on(p);
    }
  } else if (layer->frame >= layer->frames) {
    if (p->repeats == 1 || (p->repeats == 0 && waiting)) {
      ended(p, QJ_ENDED);
      go_on(p);
    } else {
      if (p->repeats != 0) {
        p->repeats = (uint8_t)(p->repeats - 1);
      }
      go_to(p, layer->scene);
    }
  }
}

static void decide(qj_player *p) {
  qj_late_start(p);
  if (qj_fading(p)) {
    return;
  }
  if (p->state == QJ_SETTLE && p->mode == QJ_STAND) {
    if (p->started == p->tracks) {
      qj_rest_to_rest(p, qj_u16(QJ_AT_SETTLE));
    }
    return;
  }
  qj_finish_fade(p);
  if (p->state == QJ_HOLD) {
    if (p->wants != 0) {
      p->wants = 0;
      p->state = QJ_SETTLE;
      qj_rest_to_rest(p, qj_u16(QJ_AT_SETTLE));
    }
  } else if ((p->wants & QJ_WANTS_HOLD) != 0) {
    stop(p);
  } else if (p->state == QJ_SCENE) {
    decide_scene(p);
  } else if (p->state == QJ_SETTLE || p->next_scene != QJ_NONE) {
    go_on(p);
  }
}

/* ---- one frame ------------------------------------------------------------------------------- */

/* Tracks get their first pulse one by one. */
static void stagger(qj_player *p) {
  while (p->started < p->tracks && p->countdown == 0) {
    p->started = (uint8_t)(p->started + 1);
    p->countdown = qj_read(QJ_AT_STAGGER);
  }
  if (p->countdown != 0) {
    p->countdown = (uint8_t)(p->countdown - 1);
  }
}

static void show(qj_player *p) {
  const uint16_t left = p->mode == QJ_PLAIN ? (uint16_t)0 : qj_weight(p->since, p->fade);
  uint8_t i;
  for (i = 0; i < p->started; i++) {
    const uint32_t record = qj_track_record(i);
    const uint8_t n = qj_read(record + (uint32_t)1);
    qj_motion motion;
    qj_motion_of(p->window[i], n, (uint8_t)(p->phase % n), &motion);
    p->pulse[i] = qj_pulse_of(motion.position, n, record);
  }
  for (i = 0; i < p->lamps; i++) {
    qj_lamp *const lamp = &p->lit[i];
    const int32_t target = qj_lamp_frame(lamp);
    const int32_t frozen = lamp->frozen;
    lamp->shown = left == 0 ? (uint16_t)target
                            : (uint16_t)(frozen + qj_mul((uint16_t)((uint16_t)32768 - left), target - frozen));
    p->lamp[i] = qj_curve(lamp->shown);
  }
  for (i = 0; i < p->switch_count; i++) {
    const uint8_t bit = (uint8_t)(1 << i);
    const uint16_t max_on = qj_u16(qj_u32(QJ_AT_SWITCH_RECORDS) + (uint32_t)4 * (uint32_t)i + (uint32_t)2);
    if (qj_switch_frame(&p->sw[i], (p->switches & bit) != 0 ? 1 : 0, max_on)) {
      p->switches = (uint8_t)(p->switches | bit);
    } else {
      p->switches = (uint8_t)(p->switches & (uint8_t)~bit);
    }
  }
}

void qj_tick(qj_player *p) {
  if (p->state == QJ_FAULT) {
    return;
  }
  p->phase = p->phase == QJ_COMMON_FRAMES - 1 ? 0 : (uint8_t)(p->phase + 1);
  triggers(p);
  if (p->state == QJ_BOOT) {
    if (p->countdown != 0) {
      p->countdown = (uint8_t)(p->countdown - 1);
      return;
    }
    p->state = QJ_SETTLE;
  }
  if (p->state == QJ_SETTLE && p->started < p->tracks) {
    stagger(p);
  }
  if (p->phase == 0) {
    decide(p);
  }
  qj_knots(p);
  show(p);
  qj_clocks(p);
}
