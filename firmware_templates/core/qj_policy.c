/* What plays without a host: idle loops, a trigger's choice of scenes, rest after much work (FORMAT.md, "Policy"). */
#include "qj_inside.h"

enum { TURNS = 1, LIMIT = 2, REST = 4, SEED = 6, IDLES = 8, ORDER = 1, SHUFFLE = 2 };

/* The generator of the lamps' flicker; a number below `below`. */
static uint8_t draw(qj_player *p, uint16_t below) {
  uint16_t x = p->rng;
  x = (uint16_t)(x ^ (uint16_t)(x << 7));
  x = (uint16_t)(x ^ (uint16_t)(x >> 9));
  x = (uint16_t)(x ^ (uint16_t)(x << 8));
  p->rng = x;
  return (uint8_t)((uint32_t)x * (uint32_t)below >> 16);
}

void qj_policy_open(qj_player *p, uint16_t boot) {
  const qj_offset at = qj_extra(QJ_EXTRA_POLICY);
  p->rng = (uint16_t)(boot ^ (at == 0 ? (uint16_t)0 : qj_u16((qj_offset)(at + SEED))));
  if (p->rng == 0) {
    p->rng = 1;
  }
}

uint8_t qj_idle_scene(qj_player *p) {
  const qj_offset at = qj_extra(QJ_EXTRA_POLICY);
  const uint8_t count = at == 0 ? (uint8_t)0 : qj_read(at);
  uint8_t chosen;
  p->turns = 0;
  if (count == 0) {
    return qj_read(QJ_AT_IDLE);
  }
  chosen = draw(p, count);
  if (chosen == p->idled) { /* never the same twice in a row */
    chosen = (uint8_t)(chosen + 1);
    if (chosen >= count) {
      chosen = 0;
    }
  }
  p->idled = chosen;
  return qj_read((qj_offset)(at + (qj_offset)(IDLES + chosen)));
}

uint8_t qj_idle_is_over(const qj_player *p) {
  const qj_offset at = qj_extra(QJ_EXTRA_POLICY);
  return (uint8_t)(at != 0 && qj_read(at) > 1 && p->turns >= qj_read((qj_offset)(at + TURNS)));
}

/* Where the choices of an input begin. */
static qj_offset choices_of(uint8_t input) {
  qj_offset at = qj_extra(QJ_EXTRA_POLICY);
  if (at != 0) {
    at = (qj_offset)(at + (qj_offset)(IDLES + qj_read(at)));
    for (; input != 0; input--) {
      at = (qj_offset)(at + (qj_offset)(2 + 2 * (uint16_t)qj_read((qj_offset)(at + 1))));
    }
  }
  return at;
}

uint8_t qj_choose(qj_player *p, uint8_t input, uint8_t scene) {
  const qj_offset at = choices_of(input);
  const uint8_t how = at == 0 ? (uint8_t)0 : qj_read(at);
  const uint8_t count = at == 0 ? (uint8_t)0 : qj_read((qj_offset)(at + 1));
  qj_input *const in = &p->in[input];
  uint16_t total = 0;
  uint16_t pick;
  uint8_t i;
  if (count == 0) {
    return scene;
  }
  if (how == SHUFFLE && in->played == 0) { /* the bag is full again; what was drawn last does not come first */
    in->played = (uint16_t)(count > 1 && in->last < count ? (uint16_t)1 << in->last : 0);
  }
  for (i = 0; i < count; i++) {
    if (how == ORDER) {
      total = (uint16_t)(total + 1);
    } else if (how != SHUFFLE) {
      total = (uint16_t)(total + qj_read((qj_offset)(at + 3 + 2 * (qj_offset)i)));
    } else if (((in->played >> i) & 1) == 0) {
      total = (uint16_t)(total + 1);
    }
  }
  if (how == ORDER) {
    pick = in->last < total - 1 ? (uint16_t)(in->last + 1) : (uint16_t)0;
  } else {
    pick = draw(p, total);
  }
  for (i = 0; i < (uint8_t)(count - 1); i++) {
    const uint16_t weight = how == ORDER     ? (uint16_t)1
                            : how != SHUFFLE ? (uint16_t)qj_read((qj_offset)(at + 3 + 2 * (qj_offset)i))
                                             : (uint16_t)(((in->played >> i) & 1) ^ 1);
    if (pick < weight) {
      break;
    }
    pick = (uint16_t)(pick - weight);
  }
  in->last = i;
  if (how == SHUFFLE) {
    in->played = (uint16_t)(in->played | (uint16_t)((uint16_t)1 << i));
    if ((uint16_t)(in->played + 1) == (uint16_t)((uint16_t)1 << (count & 15))) {
      in->played = 0;
    }
  }
  return qj_read((qj_offset)(at + 2 + 2 * (qj_offset)i));
}

uint8_t qj_tired(const qj_player *p) {
  const qj_offset at = qj_extra(QJ_EXTRA_POLICY);
  const uint16_t limit = at == 0 ? (uint16_t)0 : qj_u16((qj_offset)(at + LIMIT));
  return (uint8_t)(limit != 0 && p->worked >= limit);
}

void qj_duty(qj_player *p) {
  const qj_offset at = qj_extra(QJ_EXTRA_POLICY);
  if (p->state == QJ_SCENE) {
    p->rested = 0;
    if (p->worked != 0xFFFF) {
      p->worked = (uint16_t)(p->worked + 1);
    }
  } else if (at != 0) {
    if (p->rested < qj_u16((qj_offset)(at + REST))) {
      p->rested = (uint16_t)(p->rested + 1);
    } else {
      p->worked = 0;
    }
  }
}

void qj_count_play(qj_player *p, uint8_t scene) {
  uint16_t *const ran = &p->ran[scene < QJ_COUNTED ? scene : QJ_COUNTED - 1];
  p->plays = (uint16_t)(p->plays + 1);
  *ran = (uint16_t)(*ran + 1);
}
