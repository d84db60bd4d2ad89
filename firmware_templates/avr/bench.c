/* The bench: one servo and the lamps by hand, on a board that carries no image or was laid down for it.
 *
 * Nothing goes on without a host that listens: when no valid request has come for two seconds, pulses and
 * lamps end. (A show goes on without a host; it has its own limits.)
 */
#include "board.h"
#include "expander.h"
#include "qj_link.h"

#define STEP 128u /* 8 us a frame */
#define LEAST_US 500u
#define MOST_US 2500u
#define EXPANDER 128u /* pins from here on are an expander's outputs */
#define SILENCE 100u /* frames: 2 s; the host asks every 0.2 s */

static uint8_t servo_pin;
static uint16_t wanted, width; /* 1/16 us; 0 = no pulse */
static uint16_t scale;         /* of the expander: counts in 1/16 us, times 2^20 */
static uint8_t gap;            /* frames until servo_pin's turn comes; it is 0: until everything is off */
static uint8_t silent;         /* frames since the host was heard, up to SILENCE */

static uint8_t closing(void) { return (uint8_t)(gap && servo_pin == 0); }

uint8_t qj_board_bench_servo(uint8_t pin, uint16_t pulse_us) {
  if (closing()) return QJ_BUSY;
  if (!pin_is_ours(pin) && (pin < EXPANDER || pin > EXPANDER + 15u || scale == 0)) return QJ_BAD_ARGUMENT;
  if (pulse_us != 0 && (pulse_us < LEAST_US || pulse_us > MOST_US)) return QJ_BAD_ARGUMENT;
  if (lamps_has_pin(pin)) return QJ_REFUSED;
  if (pulse_us == 0) {
    if (pin == servo_pin) wanted = width = 0;
    return QJ_DONE;
  }
  if (pin != servo_pin) {
    /* The other servo's pulses end: one may be under way, and the next list has one already. Where this servo stands
     * is not known, so it begins at the goal. */
    if (servo_pin >= EXPANDER) expander_bench_pulse(servo_pin, 0);
    servo_pin = pin;
    gap = 2; /* bench_step() gives no pulse meanwhile */
  }
  wanted = (uint16_t)(pulse_us << 4);
  return QJ_DONE;
}

uint8_t qj_board_bench_lamp(uint8_t pin, uint8_t lightness) {
  if (closing()) return QJ_BUSY;
  if (lightness > 200) return QJ_BAD_ARGUMENT;
  if (pin == servo_pin && (wanted || width)) return QJ_REFUSED;
  if (lightness == 0) {
    lamps_free_pin(pin);
    return QJ_DONE;
  }
  if (!lamps_has_pin(pin) && !lamps_use_pin(pin, 0)) return QJ_BAD_ARGUMENT;
  lamps_set(pin, qj_curve((uint16_t)((uint16_t)lightness << 8)));
  return QJ_DONE;
}

uint8_t qj_board_bench_expander(uint8_t address, uint8_t prescale, uint16_t counts) {
  scale = expander_bench(address, prescale) ? 0 : counts;
  return scale ? QJ_DONE : QJ_REFUSED;
}

/* Looked at in every turn of the main loop, which takes less than a millisecond. */
static uint16_t edges;
static uint8_t watched, level; /* 0: no pin */

void bench_watch(void) {
  uint8_t place = pin_place(watched);
  uint8_t now;
  if (watched == 0 || place == NO_PLACE) return;
  now = *(CHIP_PORT(place) - 2) & pin_mask(place);
  if (now && !level) edges++;
  level = now;
}

uint16_t qj_board_edges(uint8_t pin) {
  if (pin != watched) {
    watched = pin;
    pin_input(pin, 0);
    bench_watch(); /* how it stands now is no edge */
    edges = 0;
  }
  return edges;
}

void bench_heard(void) { silent = 0; }

/* All that may be on, the show's outputs too: pulses with the next list, the rest once the last of them has ended,
 * since a pulse that is cut short would send its servo somewhere. */
void qj_board_bench_open(void) {
  if (servo_pin >= EXPANDER) expander_bench_pulse(servo_pin, 0);
  wanted = width = 0;
  servo_pin = 0; /* whichever comes next is made an output again */
  gap = 2;
}

uint16_t bench_step(void) {
  if (gap && --gap == 0) { /* a list without a pulse has begun: no pulse is under way */
    if (servo_pin == 0) {
      outputs_dead();
      lamps_start(); /* which were stopped */
    } else if (servo_pin < EXPANDER) {
      pulses_use_pin(0, servo_pin);
    }
  }
  if (silent != SILENCE && ++silent == SILENCE) qj_board_bench_open();
  if (gap)
    width = 0;
  else if (width == 0 || wanted == 0)
    width = wanted;
  else if (wanted > width)
    width = (uint16_t)(wanted - width) > STEP ? (uint16_t)(width + STEP) : wanted;
  else
    width = (uint16_t)(width - wanted) > STEP ? (uint16_t)(width - STEP) : wanted;
  if (servo_pin < EXPANDER) return width;
  expander_bench_pulse(servo_pin, (uint16_t)(((uint32_t)width * scale + 0x80000UL) >> 20));
  return 0;
}
