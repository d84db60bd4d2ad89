/* What plays without a host: idle loops, a trigger's choice of scenes, rest after much work (FORMAT.md, "Policy"). */
#include "qj_inside.h"

enum { TURNS = 1, LIMIT = 2, REST = 4, SEED = 6, IDLES = 8, ORDER = 1, SHUFFLE = 2 };

/* The generator of the lamps' flicker; a number below `below`. */
static QJ_ONCE uint8_t draw(qj_player *p, uint16_t below) {
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
  p->count.turns = 0;
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
  return (uint8_t)(at != 0 && qj_read(at) > 1 && p->count.turns >= qj_read((qj_offset)(at + TURNS)));
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

/* Weight of the choice at `at`: none when the shuffle has had it in this round. */
static uint8_t weight(const qj_input *in, uint16_t bit, qj_offset at) {
  return (in->played & bit) != 0 ? (uint8_t)0 : qj_read((qj_offset)(at + 1));
}

QJ_ONCE uint8_t qj_choose(qj_player *p, uint8_t input, uint8_t scene) {
  const qj_offset at = choices_of(input);
  const uint8_t how = at == 0 ? (uint8_t)0 : qj_read(at);
  const uint8_t count = at == 0 ? (uint8_t)0 : qj_read((qj_offset)(at + 1));
  qj_input *const in = &p->in[input];
  qj_offset choice = (qj_offset)(at + 2);
  uint16_t bit = 1;
  uint16_t pick = 0;
  uint8_t left;
  if (count == 0) {
    return scene;
  }
  if (how == ORDER) {
    pick = in->last < count ? in->last : 0;
    in->last = (uint8_t)(pick + 1);
    return qj_read((qj_offset)(choice + (qj_offset)(pick << 1)));
  }
  for (left = count; left != 0; left--) {
    pick = (uint16_t)(pick + weight(in, bit, choice));
    bit = (uint16_t)(bit << 1);
    choice = (qj_offset)(choice + 2);
  }
  pick = draw(p, pick);
  do { /* the last one whose sum of weights, from the end, is above what was drawn */
    uint8_t mine;
    choice = (qj_offset)(choice - 2);
    bit = (uint16_t)(bit == 0 ? 0x8000 : bit >> 1);
    mine = weight(in, bit, choice);
    if (pick < mine) {
      break;
    }
    pick = (uint16_t)(pick - mine);
  } while (bit != 1);
  if (how == SHUFFLE && count <= 16) {
    in->played = (uint16_t)(in->played | bit);
    if (in->played == (uint16_t)((uint16_t)((uint16_t)1 << (count - 1)) * 2 - 1)) {
      in->played = count == 1 ? (uint16_t)0 : bit; /* a new round, which does not begin with this one */
    }
  }
  return qj_read(choice);
}

QJ_ONCE uint8_t qj_tired(const qj_player *p) {
  const qj_offset at = qj_extra(QJ_EXTRA_POLICY);
  const uint16_t limit = at == 0 ? (uint16_t)0 : qj_u16((qj_offset)(at + LIMIT));
  return (uint8_t)(limit != 0 && p->count.worked >= limit);
}

QJ_ONCE void qj_duty(qj_player *p) {
  const qj_offset at = qj_extra(QJ_EXTRA_POLICY);
  if (p->state == QJ_SCENE) {
    p->count.rested = 0;
    if (p->count.worked != 0xFFFF) {
      p->count.worked = (uint16_t)(p->count.worked + 1);
    }
  } else if (at != 0) {
    if (p->count.rested < qj_u16((qj_offset)(at + REST))) {
      p->count.rested = (uint16_t)(p->count.rested + 1);
    } else {
      p->count.worked = 0;
    }
  }
}

void qj_count_play(qj_player *p, uint8_t scene) {
  uint16_t *const ran = &p->ran[scene < QJ_COUNTED ? scene : QJ_COUNTED - 1];
  p->plays = (uint16_t)(p->plays + 1);
  *ran = (uint16_t)(*ran + 1);
}
