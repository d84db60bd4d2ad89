/* Servo pulses on any of our pins, exact to the cycle, from one compare channel.
 *
 * Timer1 runs freely at 16 MHz. A frame has 320 000 cycles in six slots; each slot holds the pulses of
 * two servos, so up to four edges:
 *
 *   slot start          rise A   rise B                       fall A       fall B        slot end
 *   |<---- QUIET ------>|<QUIET->|           ...              |<- >= QUIET ->|<- >= QUIET ->|
 *
 * The interrupt is entered LEAD cycles before an edge, works out the port's new value, waits on the
 * counter, and writes at the exact cycle. What may delay its entry is only another interrupt, or a cli
 * section of main. When two falls would come closer than QUIET, the second pulse *starts* later by up to
 * 3 QUIET; a width is never touched.
 *
 * The budget, worst case in cycles (counted in avr-gcc 5.4's listing, -Os):
 *
 *    running instruction finishes            4
 *    longest other interrupt, uart.c's tx   70   (rx 66, lamps' 62; one only: the compare interrupt
 *                                                 comes before all three when one of them ends)
 *    response and jump                       7
 *    entry to the first reading of TCNT1   100   (saves 20 registers, finds port and bit)
 *    one turn of the coarse wait            20
 *    fine wait, at least                    32
 *    ------------------------------------ ----
 *    together                              233   of LEAD = 400
 *
 * After the edge come at most 130 cycles to set the next compare value and return. So an interrupt that
 * serves an edge holds the processor for about 550 cycles: less than one byte on the link (640), of which
 * the receiver holds two. QUIET = 1200 leaves 650 cycles between two edges for the other interrupts.
 *
 * All times are 16-bit and unsigned, counted from the slot's start; a slot is shorter than 65536 cycles
 * by more than any delay, so "before the slot's start" shows as a number near 65535.
 */
#include "board.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>

#define LEAD 400u
#define QUIET 1200u
#define FINE 160u          /* below this many cycles the 8-bit wait takes over */
#define FINE_LEAST 40u     /* ... which needs this many */
#define NOT_YET 60000u     /* an elapsed time above this lies before the slot's start */
#define SHORTEST 6400u     /* 400 us: a first pulse must outlast both starts */
#define LONGEST 44800u     /* 2800 us: everything must end QUIET before the slot does */
#define EDGES 4u
#define RISE 0x80u
#define SAMPLES 6u

#if SHORTEST < 5 * QUIET
#error "a first pulse could fall while the second one rises: make SHORTEST at least five times QUIET"
#endif
#if 4 * QUIET + LONGEST + 2 * QUIET > 53333
#error "the longest pulses do not fit a slot: lower LONGEST or QUIET"
#endif

typedef struct {
  uint16_t at;  /* cycles after the slot's start; 0 = no more edges in this slot */
  uint8_t what; /* RISE, and the pin's place (chip.h) */
} edge;

typedef edge list[PULSE_SLOTS][EDGES];

/* 320 000 / 6 = 53333.33: the six lengths add up to the frame exactly. */
static const uint16_t slot_cycles[PULSE_SLOTS] PROGMEM = {53333, 53334, 53333, 53333, 53334, 53333};

static list lists[2];
static uint8_t place[PULSE_SERVOS]; /* of each servo (chip.h); 0 = no pin */

/* Of the interrupt: */
static const edge *next_edge;
static const edge *slot_end;
static uint16_t slot_start;
static uint16_t slot_length;
static uint8_t slot;
static uint8_t playing;
static uint8_t first_list;

/* Shared with main: */
static volatile uint8_t list_ready;
static volatile uint16_t late_frames;
static volatile uint8_t samples_in, samples_out;
static uint8_t samples[SAMPLES][CHIP_PORTS];

/* Writes `value` to `port` when the counter's low byte reaches `low`, to the cycle. `low` lies FINE_LEAST..FINE ahead.
 *
 * With d = what is left after the reading, the loop takes 3 cycles a turn and leaves d = -3, -2 or -1; the
 * two branches to their own next instruction cost one more cycle when taken, so they add 0, 1 or 2. */
static inline __attribute__((always_inline)) void write_at(volatile uint8_t *port, uint8_t value, uint8_t low) {
  uint8_t now;
  low = (uint8_t)(low - 12u); /* the cost of these instructions themselves */
  __asm__ volatile(
      "lds %[now], %[counter]\n\t"
      "sub %[left], %[now]\n"
      "1: subi %[left], 3\n\t"
      "brcc 1b\n\t"
      "cpi %[left], 254\n\t"
      "brcc 2f\n"
      "2: cpi %[left], 255\n\t"
      "brcc 3f\n"
      "3: st %a[port], %[value]\n\t"
      : [left] "+d"(low), [now] "=&r"(now)
      : [counter] "n"(_SFR_MEM_ADDR(TCNT1L)), [port] "e"(port), [value] "r"(value)
      : "memory");
}

/* The port's value after the edge. Nothing else can write the port meanwhile: interrupts are off. */
static inline __attribute__((always_inline)) void play_edge(const edge *e) {
  uint16_t at = e->at;
  uint8_t what = e->what;
  volatile uint8_t *port = CHIP_PORT(what);
  uint8_t mask = 1;
  uint16_t left;
  if (what & 1) mask = 2;
  if (what & 2) mask = (uint8_t)(mask << 2);
  if (what & 4) mask = (uint8_t)(mask << 4);
  mask = (what & RISE) ? (uint8_t)(*port | mask) : (uint8_t)(*port & (uint8_t)~mask);
  do {
    left = (uint16_t)(at - (uint16_t)(TCNT1 - slot_start));
    if (left < FINE_LEAST || left > NOT_YET) { /* too late: at once */
      *port = mask;
      return;
    }
  } while (left > FINE);
  write_at(port, mask, (uint8_t)(slot_start + at));
}

static inline __attribute__((always_inline)) void begin_slot(void) {
  uint8_t in = samples_in;
  slot_start = (uint16_t)(slot_start + slot_length);
  if (++slot == PULSE_SLOTS) {
    slot = 0;
    if (list_ready) {
      playing ^= 1;
      list_ready = 0;
      first_list = 1;
    } else if (first_list) {
      late_frames++;
    }
  }
  slot_length = pgm_read_word(&slot_cycles[slot]);
  next_edge = lists[playing][slot];
  slot_end = next_edge + EDGES;
  CHIP_READ_PORTS(samples[in]);
  if (++in == SAMPLES) in = 0;
  if (in != samples_out) samples_in = in;
}

ISR(TIMER1_COMPA_vect) {
  uint16_t due, elapsed;
  do {
    if (next_edge != slot_end && next_edge->at) {
      play_edge(next_edge);
      next_edge++;
    } else {
      begin_slot();
    }
    due = (next_edge != slot_end && next_edge->at) ? next_edge->at : slot_length;
    due = (uint16_t)(due - LEAD);
    OCR1A = (uint16_t)(slot_start + due);
    if (TIFR1 & _BV(OCF1A)) TIFR1 = _BV(OCF1A); /* seldom: a write there costs the emulator sound.c's flag */
    elapsed = (uint16_t)(TCNT1 - slot_start);
    /* A compare value that has just gone by would only match 65536 cycles later: serve that edge now. */
  } while (elapsed < NOT_YET && elapsed + 8u >= due);
}

void pulses_start(void) {
  TIMSK1 = 0;
  TCCR1A = 0; /* the boot loader leaves Timer1 running for its blinking */
  TCCR1B = 0;
  TCCR1C = 0;
  TCNT1 = 0;
  slot_length = 4000u; /* a first "slot" without edges, whose end begins slot 0 */
  slot_start = 0;
  slot = PULSE_SLOTS - 1u;
  slot_end = next_edge = lists[0][0];
  OCR1A = (uint16_t)(slot_length - LEAD);
  TIFR1 = _BV(OCF1A);
  TIMSK1 = _BV(OCIE1A);
  TCCR1B = _BV(CS10);
}

uint8_t pulses_use_pin(uint8_t servo, uint8_t pin) {
  if (servo >= PULSE_SERVOS || !pin_is_ours(pin)) return 0;
  place[servo] = pin_place(pin);
  pin_output(pin, 0);
  return 1;
}

uint8_t pulses_want_list(void) { return !list_ready; }

static uint16_t width_of(const uint16_t *width, uint8_t servos, uint8_t servo) {
  uint16_t w = servo < servos && place[servo] ? width[servo] : 0;
  if (w == 0) return 0;
  return w < SHORTEST ? SHORTEST : w > LONGEST ? LONGEST : w;
}

void pulses_give_list(const uint16_t *width, uint8_t servos) {
  uint8_t s;
  for (s = 0; s < PULSE_SLOTS; s++) {
    edge *e = lists[playing ^ 1][s];
    uint16_t a = width_of(width, servos, s), b = width_of(width, servos, (uint8_t)(s + PULSE_SLOTS));
    uint8_t pin_a = place[s], pin_b = place[s + PULSE_SLOTS];
    uint16_t fall_a = (uint16_t)(QUIET + a), start_b = 2 * QUIET, fall_b = (uint16_t)(2 * QUIET + b);
    e[0].at = e[1].at = e[2].at = e[3].at = 0;
    if (a && b) {
      if (fall_b < fall_a + QUIET && fall_a < fall_b + QUIET) {
        fall_b = (uint16_t)(fall_a + QUIET);
        start_b = (uint16_t)(fall_b - b);
      }
      e[0].at = QUIET, e[0].what = RISE | pin_a;
      e[1].at = start_b, e[1].what = RISE | pin_b;
      if (fall_a < fall_b) {
        e[2].at = fall_a, e[2].what = pin_a;
        e[3].at = fall_b, e[3].what = pin_b;
      } else {
        e[2].at = fall_b, e[2].what = pin_b;
        e[3].at = fall_a, e[3].what = pin_a;
      }
    } else if (a) {
      e[0].at = QUIET, e[0].what = RISE | pin_a;
      e[1].at = fall_a, e[1].what = pin_a;
    } else if (b) {
      e[0].at = 2 * QUIET, e[0].what = RISE | pin_b;
      e[1].at = fall_b, e[1].what = pin_b;
    }
  }
  list_ready = 1;
}

uint16_t pulses_late_frames(void) {
  uint8_t sreg = SREG;
  uint16_t n;
  cli();
  n = late_frames;
  SREG = sreg;
  return n;
}

uint8_t pulses_take_sample(uint8_t to[CHIP_PORTS]) {
  uint8_t out = samples_out, i;
  if (out == samples_in) return 0;
  for (i = 0; i < CHIP_PORTS; i++) to[i] = samples[out][i];
  if (++out == SAMPLES) out = 0;
  samples_out = out;
  return 1;
}
