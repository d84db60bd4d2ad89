/* Servo pulses on any of our pins, exact to the cycle, from one compare channel.
 *
 * Timer1 runs freely at 16 MHz. A frame has 320 000 cycles (a few more or less when it is trimmed, clock.c) in
 * six slots; each slot holds the pulses of PULSE_EACH servos: 2 on the Uno, 4 on the Mega.
 *
 *   slot start          rise 1   rise 2                       fall 1       fall 2        slot end
 *   |<---- QUIET ------>|<QUIET->|           ...              |<- >= QUIET ->|<- >= QUIET ->|
 *
 * The interrupt is entered LEAD cycles before an edge, works out the port's new value, waits on the
 * counter, and writes at the exact cycle. What may delay its entry is only another interrupt, or a cli
 * section of main. A slot's pulses start QUIET apart in the order of their widths, shortest first: so they end
 * in the same order, at least QUIET apart, whatever the widths are. When two widths change places their starts
 * do, by a QUIET; a width is never touched.
 *
 * The budget, worst case in cycles (counted in avr-gcc 5.4's listing, -Os):
 *
 *    running instruction finishes            4
 *    longest other interrupt, lamps.c's     93   (uart.c's tx 70, rx 66; one only: the compare interrupt
 *                                                 comes before all three when one of them ends)
 *    response and jump                       7
 *    entry to the first reading of TCNT1    95   (saves 18 registers, finds port and bit)
 *    one turn of the coarse wait            20
 *    fine wait, at least                    40
 *    ------------------------------------ ----
 *    together                              259   of LEAD = 320: whatever else turns interrupts off may take 150
 *
 * On the Mega, whose lamps need no interrupt and which is compiled for speed, the longest other one is uart.c's
 * tx with 82 and the entry takes 95: 249 together. Both measured from the shipped program by the tests, and in the
 * emulator as qj_worst_latency(): 190 with every pin in use and the line full, of the 280 that may pass.
 *
 * After the edge come at most 130 cycles to set the next compare value and return. So an interrupt that
 * serves an edge holds the processor for about 450 cycles: less than one byte on the link (640), of which
 * the receiver holds two. QUIET = 1200 leaves 750 cycles between two edges for the other interrupts.
 *
 * All times are 16-bit and unsigned, counted from the slot's start; a slot is shorter than 65536 cycles
 * by more than any delay, so "before the slot's start" shows as a number near 65535.
 */
#include "board.h"

#include "qj_core.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#define LEAD 320u
#define QUIET 1200u
#define FINE 160u          /* below this many cycles the 8-bit wait takes over */
#define FINE_LEAST 40u     /* ... which needs this many */
#define NOT_YET 60000u     /* an elapsed time above this lies before the slot's start */
#define SHORTEST 6400u     /* 400 us: a first pulse must outlast all starts */
#define LONGEST 44800u     /* 2800 us: everything must end QUIET before the slot does */
#define FRAME 320000ul     /* 20 ms */
#define SLOT_LEAST 52800u  /* trimmed by one per cent */
#define SAMPLES 6u

#if SHORTEST < 5 * QUIET
#error "a first pulse could fall while the last one rises: make SHORTEST at least five times QUIET"
#endif
#if 4 * QUIET + LONGEST + 2 * QUIET > SLOT_LEAST
#error "the longest pulses do not fit a slot: lower LONGEST or QUIET"
#endif

typedef struct {
  uint8_t port; /* low byte of PINx's address; DDRx and PORTx follow */
  uint8_t mask; /* 0 = no pin */
} place;

typedef struct {
  uint16_t fall; /* cycles after the slot's start */
  uint8_t servo;
} pulse;

typedef struct {
  uint8_t count;
  pulse pulses[PULSE_EACH]; /* by width, shortest first */
} slot_list;

static slot_list lists[2][PULSE_SLOTS];
static place servos[PULSE_SERVOS];
static place inputs[QJ_MAX_INPUTS];

/* The interrupt's own, and what it shares with main. */
typedef struct {
  const slot_list *list;  /* of this slot */
  const pulse *next;      /* whose edge is played at `due` */
  uint8_t count;          /* the slot's pulses */
  uint8_t left;           /* its edges still to come: more than `count` while they rise */
  uint16_t start;         /* of the slot */
  uint16_t due;           /* after it: the next edge, or the slot's end */
  uint16_t length;        /* of the slot */
  uint8_t slot;
  uint16_t frame;
  uint8_t playing;
  volatile uint8_t ready; /* the other list waits */
  volatile uint8_t in, out;
  volatile uint16_t late;
  volatile uint16_t least_ahead; /* cycles left before an edge when it was first looked at */
  volatile uint16_t slot_cycles;
  volatile uint8_t first_cycles; /* that the first slot of a frame is longer */
  uint8_t samples[SAMPLES];
} progress;

static progress all;

/* The same through a pointer that the compiler does not see through: an access then takes two bytes, not four. */
#define NOW(s)         \
  progress *s = &all; \
  __asm__("" : "+b"(s))

/* Ports H to L of the Mega lie above 0xFF, and their low bytes below those of all others. */
static inline __attribute__((always_inline)) volatile uint8_t *port_at(uint8_t low) {
#ifdef PORTH
  return (volatile uint8_t *)(uint16_t)(low < 0x20u ? 0x100u + low : low);
#else
  return (volatile uint8_t *)(uint16_t)low;
#endif
}

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

ISR(TIMER1_COMPA_vect) {
  NOW(s);
  uint16_t at, ahead;
  do {
    if (s->left) {
      /* Nothing else can write the port meanwhile: interrupts are off. */
      const place *pin = &servos[s->next->servo];
      volatile uint8_t *port = port_at(pin->port) + 2;
      uint8_t value = (uint8_t)(*port | pin->mask);
      at = (uint16_t)(s->start + s->due);
      ahead = (uint16_t)(at - TCNT1);
      if (s->left <= s->count) value ^= pin->mask;
      if (ahead > NOT_YET) ahead = 0;
      if (ahead < s->least_ahead) s->least_ahead = ahead;
      do ahead = (uint16_t)(at - TCNT1);
      while (ahead > FINE && ahead <= NOT_YET);
      if (ahead < FINE_LEAST || ahead > NOT_YET)
        *port = value; /* too late: at once */
      else
        write_at(port, value, (uint8_t)at);
      s->next++;
      if (--s->left == s->count) s->next = s->list->pulses;
    } else {
      const place *input = &inputs[QJ_MAX_INPUTS];
      uint8_t levels = 0, in = s->in;
      s->start = (uint16_t)(s->start + s->due);
      s->due = 0;
      s->list++;
      s->length = s->slot_cycles;
      if (++s->slot == PULSE_SLOTS) {
        s->slot = 0;
        s->frame++;
        s->length = (uint16_t)(s->length + s->first_cycles);
        if (s->ready) {
          s->playing ^= 1;
          s->ready = 0;
        } else {
          s->late++;
        }
        s->list = lists[s->playing];
      }
      s->next = s->list->pulses;
      s->count = s->list->count;
      s->left = (uint8_t)(2u * s->count);
      do {
        input--;
        levels = (uint8_t)(levels << 1);
        if (*port_at(input->port) & input->mask) levels = (uint8_t)(levels | 1u);
      } while (input != inputs);
      s->samples[in] = levels;
      if (++in == SAMPLES) in = 0;
      if (in != s->out) s->in = in;
    }
    if (s->left > s->count)
      s->due = (uint16_t)(s->due + QUIET);
    else if (s->left)
      s->due = s->next->fall;
    else
      s->due = s->length;
    at = (uint16_t)(s->start + s->due - LEAD);
    if (at < 8u) at = 8; /* the emulator's library may miss the first cycles after a wrap; 8 later are as good */
    OCR1A = at;
    if (TIFR1 & _BV(OCF1A)) TIFR1 = _BV(OCF1A); /* seldom: a write there costs the emulator sound.c's flag */
    /* A compare value that has just gone by would only match 65536 cycles later: serve that edge now. */
  } while ((uint16_t)(at - TCNT1 - 8u) > NOT_YET);
}

void pulses_start(void) {
  TIMSK1 = 0;
  TCCR1A = 0; /* the boot loader leaves Timer1 running for its blinking */
  TCCR1B = 0;
  TCNT1 = 0;
  all.due = OCR1A = 4000u; /* a first "slot" without edges, whose end begins slot 0; its list is empty */
  all.slot = PULSE_SLOTS - 1u;
  all.ready = 1;
  all.least_ahead = LEAD;
  pulses_trim(0);
  TIFR1 = _BV(OCF1A);
  TIMSK1 = _BV(OCIE1A);
  TCCR1B = _BV(CS10);
}

static void take(place *of, uint8_t pin) {
  uint8_t where = pin_place(pin);
  of->port = (uint8_t)((uint8_t)(uint16_t)CHIP_PORT(where) - 2u);
  of->mask = pin_mask(where);
}

uint8_t pulses_use_pin(uint8_t servo, uint8_t pin) {
  if (servo >= PULSE_SERVOS || !pin_is_ours(pin)) return 0;
  take(&servos[servo], pin);
  pin_output(pin, 0);
  return 1;
}

void pulses_use_input(uint8_t input, uint8_t pin, uint8_t pull_up) {
  if (!pin_is_ours(pin)) return;
  take(&inputs[input], pin);
  pin_input(pin, pull_up);
}

uint8_t pulses_want_list(void) { return !all.ready; }

void pulses_give_list(const uint16_t *width, uint8_t widths) {
  slot_list *list = lists[all.playing ^ 1];
  uint8_t s;
  for (s = 0; s < PULSE_SLOTS; s++, list++) {
    pulse *end = list->pulses;
    uint16_t start = 0;
    uint8_t servo;
    for (servo = s; servo < widths; servo = (uint8_t)(servo + PULSE_SLOTS)) {
      uint16_t w = width[servo];
      pulse *p = end;
      if (w == 0 || servos[servo].mask == 0) continue;
      if (w < SHORTEST) w = SHORTEST;
      if (w > LONGEST) w = LONGEST;
      for (; p != list->pulses && p[-1].fall > w; p--) *p = p[-1];
      p->fall = w;
      p->servo = servo;
      end++;
    }
    list->count = (uint8_t)(end - list->pulses);
    for (end = list->pulses, servo = list->count; servo; servo--, end++) {
      start = (uint16_t)(start + QUIET);
      end->fall = (uint16_t)(end->fall + start);
    }
  }
  IN_ORDER();
  all.ready = 1;
}

void pulses_trim(int16_t cycles) {
  /* 534 slots' parts more than needed, so that nothing negative is divided */
  uint16_t parts = (uint16_t)(cycles + (int16_t)(FRAME % PULSE_SLOTS + 534u * PULSE_SLOTS));
  uint16_t each = (uint16_t)(FRAME / PULSE_SLOTS - 534u + parts / PULSE_SLOTS);
  uint8_t more = (uint8_t)(parts % PULSE_SLOTS), sreg = SREG;
  __asm__ volatile("" : "+r"(each), "+r"(more)); /* a division is 200 cycles: not behind the cli */
  cli();
  all.slot_cycles = each;
  all.first_cycles = more;
  SREG = sreg;
}

void pulses_time(qj_time *now) {
  uint8_t sreg = SREG;
  cli();
  now->frame = all.frame;
  now->slot = all.slot;
  now->into = (uint16_t)(TCNT1 - all.start);
  IN_ORDER();
  SREG = sreg;
}

/* The interrupt may be writing it: two equal readings are one. */
static uint16_t steady(const volatile uint16_t *of) {
  uint16_t n;
  do n = *of;
  while (n != *of);
  return n;
}

uint16_t pulses_late_frames(void) { return steady(&all.late); }

uint16_t qj_worst_latency(void) { return (uint16_t)(LEAD - steady(&all.least_ahead)); }

uint8_t pulses_take_sample(uint8_t *levels) {
  uint8_t out = all.out;
  if (out == all.in) return 0;
  IN_ORDER();
  *levels = all.samples[out];
  IN_ORDER();
  if (++out == SAMPLES) out = 0;
  all.out = out;
  return 1;
}
