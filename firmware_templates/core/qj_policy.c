/* What plays without a host: lists of scenes, run counts, and rest after a duty limit (FORMAT.md, "Policy"). */
#include "qj_inside.h"

enum { DUTY_AT = 2, LISTS_AT = 7 };       /* in the extra */
enum { ORDER = 1, SHUFFLE = 2 };          /* how a list chooses; 3: by weights */
#define FRAMES_A_SECOND 50

/* xorshift on 16 bits; its period is 65535. */
uint16_t qj_random(uint16_t *state) {
  uint16_t x = *state;
  x = (uint16_t)(x ^ (uint16_t)(x << 7));
  x = (uint16_t)(x ^ (uint16_t)(x >> 9));
  x = (uint16_t)(x ^ (uint16_t)(x << 8));
  *state = x;
  return x;
}

void qj_seed(qj_player *p, uint16_t number) {
  const qj_offset at = qj_extra(QJ_EXTRA_POLICY);
  if (at != 0 && qj_u16(at) != 0) {
    number = qj_u16(at);
  }
  /* neighbours far apart; odd, so that only 0 becomes 0 */
  number = (uint16_t)(number * 40503u); /* unsigned wherever int has 32 bits, too */
  p->rng = number == 0 ? (uint16_t)1 : number;
}

/* The share that the i-th of a list has in the next draw. */
static uint8_t share(const qj_list *list, uint8_t how, uint8_t count, uint8_t i, uint8_t beside) {
  if (how == ORDER) {
    return (uint8_t)(i == (list->last == count ? 0 : list->last));
  }
  if (how == SHUFFLE) {
    return (uint8_t)(((uint8_t)(list->used >> i) & 1) == 0);
  }
  return beside;
}

uint8_t qj_choose(qj_player *p, uint8_t number, uint8_t *beside) {
  qj_offset at = qj_extra(QJ_EXTRA_POLICY);
  qj_list *const list = &p->list[number];
  uint8_t how, count, anew, i;
  uint16_t sum = 0;
  if (at == 0) {
    return QJ_NONE;
  }
  at = (qj_offset)(at + LISTS_AT);
  for (; number != 0; number--) {
    at = (qj_offset)(at + (qj_offset)(2 + 2 * (uint16_t)qj_read((qj_offset)(at + 1))));
  }
  how = qj_read(at);
  count = qj_read((qj_offset)(at + 1));
  if ((uint8_t)(count - 1) > 7) { /* none; or more than a compiler writes */
    return QJ_NONE;
  }
  anew = (uint8_t)(list->used == (uint8_t)((uint8_t)(1 << count) - 1));
  if (anew) { /* all have had their turn: a new round, which does not begin with the last one */
    list->used = (uint8_t)(count == 1 ? 0 : 1 << (list->last - 1));
  }
  at = (qj_offset)(at + 2);
  for (i = 0; i < count; i++) {
    sum = (uint16_t)(sum + share(list, how, count, i, qj_read((qj_offset)(at + (qj_offset)(2 * i + 1)))));
  }
  sum = (uint16_t)((uint32_t)qj_random(&p->rng) * (uint32_t)sum >> 16);
  for (i = 0; i + 1 < count; i++) {
    const uint8_t part = share(list, how, count, i, qj_read((qj_offset)(at + (qj_offset)(2 * i + 1))));
    if (sum < part) {
      break;
    }
    sum = (uint16_t)(sum - part);
  }
  list->last = (uint8_t)(i + 1);
  list->used = (uint8_t)((anew ? 0 : list->used) | (uint8_t)(1 << i));
  at = (qj_offset)(at + (qj_offset)(2 * i));
  *beside = qj_read((qj_offset)(at + 1));
  return qj_read(at);
}

void qj_count_run(qj_player *p, uint8_t scene) {
  uint16_t *const runs = &p->runs[scene < QJ_MAX_COUNTED ? scene : QJ_MAX_COUNTED - 1];
  if (*runs != 0xFFFF) {
    *runs = (uint16_t)(*runs + 1);
  }
}

/* A window of slots; what is played in it is counted in seconds. */
void qj_duty_frame(qj_player *p) {
  const qj_offset at = (qj_offset)(qj_extra(QJ_EXTRA_POLICY) + DUTY_AT);
  uint16_t sum = 0;
  uint8_t i;
  if (at == DUTY_AT || qj_read(at) == 0) {
    return;
  }
  p->duty_frame = (uint8_t)(p->duty_frame + 1);
  if (p->duty_frame != FRAMES_A_SECOND) {
    return;
  }
  p->duty_frame = 0;
  if (p->resting != 0) {
    p->resting = (uint16_t)(p->resting - 1);
  }
  if (p->state == QJ_SCENE) {
    p->duty[p->duty_slot] = (uint8_t)(p->duty[p->duty_slot] + 1);
  }
  for (i = 0; i < QJ_DUTY_SLOTS; i++) {
    sum = (uint16_t)(sum + p->duty[i]);
  }
  if (sum >= qj_u16((qj_offset)(at + 1)) && p->resting == 0) {
    p->resting = qj_u16((qj_offset)(at + 3));
    qj_report(p, QJ_RESTING, QJ_NONE, p->resting, QJ_NONE);
    for (i = 0; i < QJ_DUTY_SLOTS; i++) {
      p->duty[i] = 0;
    }
  }
  p->duty_second = (uint8_t)(p->duty_second + 1);
  if (p->duty_second >= qj_read(at)) {
    p->duty_second = 0;
    p->duty_slot = (uint8_t)((p->duty_slot + 1) % QJ_DUTY_SLOTS);
    p->duty[p->duty_slot] = 0;
  }
}
