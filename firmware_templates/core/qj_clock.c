/* How long a frame lasts: the clock's own error taken out, and the host followed. In 1/320 000 of a frame.
 *
 * The trim stays; the slew is used up, a little a frame, so that the show's time is never seen to step. Together
 * they change a frame by at most one per cent.
 */
#include "qj_clock.h"

#include "qj_inside.h"

#define QJ_CLOCK_TAG 8
#define QJ_MOST_TRIM 2240 /* 0.7 %: a ceramic resonator's tolerance and drift */
#define QJ_MOST_SLEW 960  /* 0.3 % */

static int16_t within(int16_t value, int16_t most) {
  return value > most ? most : value < (int16_t)-most ? (int16_t)-most : value;
}

QJ_ONCE void qj_clock_set(qj_clock *c, uint16_t trim, uint16_t slew) {
  c->trim = within((int16_t)trim, QJ_MOST_TRIM);
  c->slew = (int16_t)slew;
}

void qj_clock_start(qj_clock *c, const qj_player *p) {
  const qj_offset at = p->fault == QJ_OK ? qj_extra(QJ_CLOCK_TAG) : 0;
  qj_clock_set(c, at == 0 ? (uint16_t)0 : qj_u16(at), 0);
}

int16_t qj_clock_frame(qj_clock *c) {
  const int16_t part = within(c->slew, QJ_MOST_SLEW);
  c->slew = (int16_t)(c->slew - part);
  return (int16_t)(c->trim + part);
}
