/* PCA9685 output expanders: sixteen servos or sixteen lamps each.
 *
 * Each frame every output in use is written once, one output a turn of the main loop, so that the link and
 * the next frame never wait for the bus. One output is 6 bytes, and once a frame and expander MODE1 is read
 * (4 bytes): an expander that lost its supply for a moment answers again, but asleep. With 12 servos and 4
 * lamps on four expanders that is 112 bytes, 2.6 ms of a frame's 20 at 400 kHz and 10.2 ms at 100 kHz.
 *
 * New values take effect when the expander's own cycle is over (PCA9685 datasheet, 7.3.4), so a pulse is
 * never cut. ON counts are 224 apart: no two servos start together, and the last one's longest pulse still
 * ends within the cycle (15 * 224 + 573 < 4096).
 */
#include "expander.h"

#include "qj_inside.h"
#include "twi.h"

#include <util/delay.h>

#define MOST 4u
#define STAGGER 224u
#define FULL 0x1000u  /* bit 4 of the high byte: always on, or always off */
#define PATIENCE 5u   /* frames without an answer until an expander counts as lost */

#define GENERAL_CALL 0x00u /* an address */
#define RESET 0x06u

#define MODE1 0x00u
#define LED0 0x06u
#define ALL_OFF_H 0xFDu
#define PRE_SCALE 0xFEu
#define SLEEP 0x10u
#define INCREMENT 0x20u
#define RESTART 0x80u

static uint8_t address[MOST + 1u]; /* kept here: a damaged image must not decide what is turned off; last the bench's */
static uint8_t misses[MOST];
static uint8_t count;          /* in a fault: of those that have not been turned off yet, which come first */
static uint8_t next = QJ_NONE; /* expanders to look at, then tracks, then lamps; QJ_NONE: the frame is done */

static uint8_t write(uint8_t e, uint8_t reg, uint8_t value) {
  twi_begin(address[e], 0);
  twi_put(reg);
  twi_put(value);
  return twi_end();
}

/* Everything off, then the prescaler, which only a sleeping chip takes; outputs stay off until they are written. */
static uint8_t set_up_with(uint8_t e, uint8_t prescale) {
  uint8_t bad = write(e, ALL_OFF_H, FULL >> 8);
  bad |= write(e, MODE1, SLEEP | INCREMENT);
  bad |= write(e, PRE_SCALE, prescale);
  bad |= write(e, MODE1, INCREMENT);
  _delay_us(500); /* the oscillator starts */
  return (uint8_t)(bad | write(e, MODE1, RESTART | INCREMENT));
}

static uint8_t set_up(uint8_t e) { return set_up_with(e, qj_read((qj_offset)(qj_expander(e) + 2))); }

static uint8_t serves_servos(uint8_t e) { return (uint8_t)(qj_read((qj_offset)(qj_expander(e) + 1)) == 1); }

/* An expander did or did not answer. One with servos that stays silent ends everything: a figure of which
 * a part no longer obeys is in a pose that nobody has proven. Lamps go on without. */
static void answered(qj_player *p, uint8_t e, uint8_t bad) {
  if (!bad) {
    misses[e] = 0;
  } else if (misses[e] != PATIENCE && ++misses[e] == PATIENCE) {
    if (serves_servos(e))
      qj_fail(p, QJ_EXPANDER);
    else
      qj_report(p, QJ_EXPANDER_LOST, QJ_NONE, 0, e);
  }
}

/* Nobody can tell which expanders there are, and each goes on with the pulses of the run before: the software reset
 * (PCA9685 datasheet, 7.6) is heard by all of them, and turns everything off. */
static void reset_all(void) {
  twi_start(0);
  twi_begin(GENERAL_CALL, 0);
  twi_put(RESET);
  twi_end();
  twi_release(); /* the bench may have a servo there */
}

void expander_start(qj_player *p) {
  uint8_t e;
  if (p->fault != QJ_OK) {
    reset_all();
    return;
  }
  count = qj_expanders();
  if (count == 0) return;
  twi_start(qj_read(qj_extra(QJ_EXTRA_EXPANDERS)));
  for (e = 0; e < count; e++) {
    address[e] = qj_read(qj_expander(e));
    if (set_up(e)) {
      misses[e] = PATIENCE - 1u;
      answered(p, e, 1);
    }
  }
}

void expander_frame(void) { next = 0; }

/* Outputs have the pins 0x80 to 0xBF, the bench's 0x40 to 0x4F. */
static uint8_t expander_of(uint8_t pin) { return (uint8_t)((uint8_t)(pin >> 4) & 7u); }

static uint8_t put(uint8_t pin, uint16_t on, uint16_t off) {
  twi_begin(address[expander_of(pin)], 0);
  twi_put((uint8_t)(LED0 + (uint8_t)((pin & 15u) << 2)));
  twi_put((uint8_t)on);
  twi_put((uint8_t)(on >> 8));
  twi_put((uint8_t)off);
  twi_put((uint8_t)(off >> 8));
  return twi_end();
}

static uint8_t put_pulse(uint8_t pin, uint16_t width) {
  uint16_t on = (uint16_t)((pin & 15u) * STAGGER);
  return put(pin, on, width ? (uint16_t)(on + width) : FULL);
}

static void set_servo(qj_player *p, uint8_t track, uint8_t pin) {
  uint8_t e = expander_of(pin);
  if (misses[e]) return; /* look() decides first */
  answered(p, e, put_pulse(pin, qj_expander_counts(e, p->pulse[track])));
}

static void set_lamp(qj_player *p, uint8_t lamp, uint8_t pin) {
  uint8_t e = expander_of(pin);
  uint16_t high = p->lamp[lamp];
  if (misses[e]) return;
  if (qj_lamp_flags(lamp) & 1u) high = (uint16_t)(4095u - high);
  answered(p, e, put(pin, high == 4095u ? FULL : 0, high ? high : FULL));
}

/* There, and awake? A chip that lost its registers is asleep: its lamps are set up again, its servos have
 * been without pulses and would jump. */
static void look(qj_player *p, uint8_t e) {
  uint8_t bad;
  twi_begin(address[e], 0);
  twi_put(MODE1);
  twi_begin(address[e], 1);
  bad = twi_get(0) & SLEEP;
  bad |= twi_end();
  if ((bad || misses[e]) && !serves_servos(e)) bad = set_up(e);
  answered(p, e, bad);
}

void expander_step(qj_player *p) {
  uint8_t i = next, channels = (uint8_t)(p->tracks + p->lamps);
  if (p->fault != QJ_OK) {
    /* Whatever happened: no pulse comes from here any more. The bus itself may be what failed, so each that does not
     * take it is asked again in the next frame, for as long as it lasts. */
    if (i < count) {
      if (write(i, ALL_OFF_H, FULL >> 8))
        next++;
      else
        address[i] = address[--count];
    }
    return;
  }
  if (i == QJ_NONE || count == 0) return;
  next = (uint8_t)(i + 1u);
  if (i < count) {
    look(p, i);
    return;
  }
  for (i = (uint8_t)(i - count); i < channels; i++) {
    uint8_t pin = i < p->tracks ? qj_track_pin(i) : qj_lamp_pin((uint8_t)(i - p->tracks));
    if ((pin & 0xC0u) == 0x80u) { /* 255 is the pin of a lamp that only strings follow */
      next = (uint8_t)(i + count + 1);
      if (i < p->tracks)
        set_servo(p, i, pin);
      else
        set_lamp(p, (uint8_t)(i - p->tracks), pin);
      return;
    }
  }
  next = QJ_NONE;
}

uint8_t expander_bench(uint8_t at, uint8_t prescale) {
  twi_start(0);
  address[MOST] = at;
  return set_up_with(MOST, prescale);
}

void expander_bench_pulse(uint8_t output, uint16_t width) { put_pulse((uint8_t)((output & 15u) | MOST << 4), width); }
