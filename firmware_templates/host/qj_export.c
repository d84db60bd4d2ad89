/* What Python and the browser see: one player with its image, link and bench, driven in blocks. */
#include "qj_clock.h"
#include "qj_inside.h"
#include "qj_keep.h"
#include "qj_link.h"
#include "qj_prove.h"

#include <stddef.h>

#ifdef __wasm__
#define EXPORT(name) __attribute__((export_name(#name))) name
void *memcpy(void *to, const void *from, unsigned long size);
void *memset(void *to, int value, unsigned long size);

/* The compiler copies structs by these. */
void *memcpy(void *to, const void *from, unsigned long size) {
  uint8_t *t = (uint8_t *)to;
  const uint8_t *f = (const uint8_t *)from;
  while (size-- != 0) {
    *t++ = *f++;
  }
  return to;
}

void *memset(void *to, int value, unsigned long size) {
  uint8_t *t = (uint8_t *)to;
  while (size-- != 0) {
    *t++ = (uint8_t)value;
  }
  return to;
}
#else
#define EXPORT(name) name
#endif

#define IMAGE_ROOM ((uint32_t)1 << 20)
#define ROWS 4096
#define WIRE 4096

/* One frame as it is played. Python reads the same layout (sequencer/player/rows.py).
 *
 * A board is compared with this build by a small program of its own: qj_open() on the same image, then for
 * each frame six times qj_sample(), one qj_tick(), and on the line, little endian, without padding:
 *
 *     state u8, scene u8 (of layer[current], or of the other one in QJ_LEAVE), switches u8,
 *     for each track pulse u16, window 4 x i16, qj_motion_now() 4 x i32,
 *     for each lamp duty u16 and lit[].shown u16
 *
 * with the same cues, holds and input levels before the same frames. Every number must be equal.
 */
typedef struct {
  uint8_t state, scene, switches, happenings;
  uint16_t frame, phase;
  uint8_t steps[QJ_TRACE + 1]; /* how many rows of the states' table were taken, and which */
  uint8_t what[QJ_HAPPENINGS], told_scene[QJ_HAPPENINGS], input[QJ_HAPPENINGS];
  uint16_t cue[QJ_HAPPENINGS];
  uint16_t pulse[QJ_MAX_TRACKS];
  int16_t window[QJ_MAX_TRACKS][4];
  qj_motion motion[QJ_MAX_TRACKS];
  uint16_t duty[QJ_MAX_LAMPS];
  uint16_t lightness[QJ_MAX_LAMPS];
} row;

/* The Mega's pins, and from EXPANDER on the outputs of the expander that the bench has chosen. */
enum { MEGA = 3, UNO_PINS = 32, MEGA_PINS = 70, EXPANDER = 128, BENCH_PINS = 144 };

/* Everything that changes while playing: copied out and in by snapshots. */
static struct {
  qj_player player;
  qj_link link;
  qj_keep keep;
  uint16_t bench_pulse[BENCH_PINS]; /* by pin */
  uint8_t bench_lamp[BENCH_PINS];
  uint8_t bench_expander; /* 1: the pins from EXPANDER on are there */
  uint8_t silent; /* frames without a request, as in avr/bench.c */
  uint8_t levels;
  uint16_t counts[QJ_MAX_SENSORS]; /* of the analog inputs */
  uint8_t board;
  uint32_t player_crc;
  uint16_t boot, worst_latency;
  qj_clock clock;
  uint16_t frame; /* since the boot */
  uint16_t slot, into; /* of the running frame, as the platform says */
} now = {.board = 1};

#define MEMORY 1024
static uint8_t memory[MEMORY]; /* as an EEPROM; Python fills it before the first boot and keeps it */
static uint8_t image[IMAGE_ROOM];
static uint32_t image_room; /* bytes that are there */
static uint32_t outside_at; /* where in it the I2C memory's bytes begin */
static row rows[ROWS];
static uint8_t in[WIRE];
static uint8_t out[WIRE];
static uint32_t out_count;
static uint32_t out_room = WIRE;
static qj_proof proof;

uint8_t qj_read(qj_offset offset) { return offset < image_room ? image[offset] : (uint8_t)0xFF; }
uint32_t qj_read_limit(void) { return image_room; }
/* It follows in the buffer. */
void qj_outside(qj_offset from, uint8_t speed) {
  outside_at = from;
  (void)speed;
}

uint8_t qj_board_store(uint32_t at, const uint8_t *bytes) {
  uint32_t i;
  if ((at & 15) != 0 || at >= image_room || outside_at + at + 16 > image_room) {
    return QJ_REFUSED;
  }
  for (i = 0; i < 16; i++) {
    image[outside_at + at + i] = bytes[i];
  }
  return QJ_DONE;
}

uint8_t qj_memory(uint16_t at) { return memory[at % MEMORY]; }

uint8_t qj_memory_put(uint16_t at, uint8_t value) {
  if (at >= MEMORY) {
    return QJ_BAD_ARGUMENT;
  }
  memory[at] = value;
  return QJ_DONE;
}

uint8_t *EXPORT(x_memory)(void) { return memory; }

void qj_put(uint8_t byte) {
  if (out_count < out_room) {
    out[out_count++] = byte;
  }
}

uint8_t qj_room(void) {
  const uint32_t room = out_room - out_count;
  return room > 255 ? (uint8_t)255 : (uint8_t)room;
}

/* As the ATmega328P's player: an Uno, or the Nano that its show was made for. */
uint8_t qj_board_id(void) { return now.board == 1 && qj_read(QJ_AT_BOARD) == 2 ? 2 : now.board; }
uint16_t qj_boot_number(void) { return now.boot; }
uint16_t qj_worst_latency(void) { return now.worst_latency; }
uint32_t qj_player_crc(void) { return now.player_crc; }

static uint8_t bench_has_pin(uint8_t pin) {
  if (pin >= EXPANDER) {
    return (uint8_t)(pin < BENCH_PINS && now.bench_expander != 0);
  }
  return (uint8_t)(pin < (now.board == MEGA ? MEGA_PINS : UNO_PINS));
}

uint8_t qj_board_bench_servo(uint8_t pin, uint16_t pulse_us) {
  if (!bench_has_pin(pin) || (pulse_us != 0 && (pulse_us < 400 || pulse_us > 2600))) {
    return QJ_BAD_ARGUMENT;
  }
  now.bench_pulse[pin] = pulse_us;
  return QJ_DONE;
}

uint8_t qj_board_bench_lamp(uint8_t pin, uint8_t lightness) {
  if (pin >= EXPANDER || !bench_has_pin(pin) || lightness > 200) {
    return QJ_BAD_ARGUMENT;
  }
  now.bench_lamp[pin] = lightness;
  return QJ_DONE;
}

void qj_board_clock(uint16_t trim, uint16_t slew, qj_time *told) {
  qj_clock_set(&now.clock, trim, slew);
  told->frame = now.frame;
  told->slot = (uint8_t)now.slot;
  told->into = now.into;
}

static void talk(void) {
  if (qj_link_poll(&now.link, &now.player)) {
    now.silent = 0;
  }
}

static void bench_off(void) {
  uint8_t pin;
  for (pin = 0; pin < BENCH_PINS; pin++) {
    now.bench_pulse[pin] = 0;
    now.bench_lamp[pin] = 0;
  }
}

void qj_board_bench_open(void) { bench_off(); }

/* An expander answers at every address; how its oscillator runs is not simulated. */
uint8_t qj_board_bench_expander(uint8_t address, uint8_t prescale, uint16_t scale) {
  (void)address;
  (void)prescale;
  now.bench_expander = (uint8_t)(scale != 0);
  return scale != 0 ? QJ_DONE : QJ_REFUSED;
}

/* No wire leads from an output to a pin. */
uint16_t qj_board_edges(uint8_t pin) {
  (void)pin;
  return 0;
}

/* Where buffers are, and how large. */
uint8_t *EXPORT(x_image)(void) { return image; }
row *EXPORT(x_rows)(void) { return rows; }
uint32_t EXPORT(x_row_size)(void) { return (uint32_t)sizeof(row); }
uint8_t *EXPORT(x_in)(void) { return in; }
uint8_t *EXPORT(x_out)(void) { return out; }
uint8_t *EXPORT(x_state)(void) { return (uint8_t *)&now; }
/* Where in the state the clock is, which counts on while nothing happens. */
uint32_t EXPORT(x_clock_at)(void) { return (uint32_t)offsetof(qj_player, clock); }
uint32_t EXPORT(x_state_size)(void) { return (uint32_t)sizeof now; }
qj_proof *EXPORT(x_proof)(void) { return &proof; }
uint32_t EXPORT(x_fault)(void) { return now.player.fault; }
/* As if the board had run for so many frames. */
void EXPORT(x_uptime)(uint32_t frames) { now.player.clock = frames; }
uint32_t EXPORT(x_bench_pulse)(uint32_t pin) { return now.bench_pulse[pin % BENCH_PINS]; }
uint32_t EXPORT(x_bench_lamp)(uint32_t pin) { return now.bench_lamp[pin % BENCH_PINS]; }

/* `size` bytes of the image buffer are there; the rest reads 0xFF, as erased flash does. */
uint32_t EXPORT(x_open)(uint32_t size, uint32_t board) {
  uint8_t i;
  image_room = size > IMAGE_ROOM ? IMAGE_ROOM : size;
  outside_at = image_room; /* no image has told of anything outside yet */
  out_count = 0;
  proof.faces = 0;
  now.levels = 0;
  now.bench_expander = 0;
  bench_off();
  for (i = 0; i < QJ_MAX_SENSORS; i++) {
    now.counts[i] = 0xFFFF;
  }
  (void)qj_open(&now.player, (uint8_t)board);
  qj_clock_start(&now.clock, &now.player);
  now.frame = 0;
  now.slot = now.into = 0;
  for (i = 0; i < now.player.input_count; i++) { /* nobody stands in a beam, the servos have their supply */
    const uint8_t rail = (uint8_t)(qj_read(qj_record(QJ_AT_INPUT_RECORDS, 12, i) + 1) == QJ_INPUT_RAIL);
    now.levels = (uint8_t)(now.levels | (uint8_t)(((qj_input_flags(i) & 1) ^ rail) << i));
  }
  return now.player.fault;
}

/* After x_open: the tracks stand where these pulses, u16 in the in buffer, one a track, sent them. */
void EXPORT(x_start_from)(void) {
  uint16_t pulse[QJ_MAX_TRACKS];
  uint8_t i;
  for (i = 0; i < QJ_MAX_TRACKS; i++) {
    pulse[i] = (uint16_t)(in[2 * i] | (uint16_t)((uint16_t)in[2 * i + 1] << 8));
  }
  qj_start_from(&now.player, pulse);
}

/* A board after reset: opened as `board`, saying hello. */
uint32_t EXPORT(x_boot)(uint32_t size, uint32_t board, uint32_t reset_cause, uint32_t player_crc) {
  now.board = (uint8_t)board;
  now.player_crc = player_crc;
  now.boot = (uint16_t)(now.boot + 1);
  image_room = size > IMAGE_ROOM ? IMAGE_ROOM : size; /* the board's number may stand in it */
  (void)x_open(size, qj_board_id());
  qj_keep_open(&now.keep);
  qj_link_start(&now.link, &now.player, (uint8_t)reset_cause);
  (void)qj_link_poll(&now.link, &now.player);
  return now.player.fault;
}

uint32_t EXPORT(x_cue)(uint32_t cue, uint32_t scene, uint32_t repeats) {
  return qj_cue(&now.player, (uint16_t)cue, (uint8_t)scene, (uint8_t)repeats);
}
uint32_t EXPORT(x_hold)(void) { return qj_hold(&now.player); }
uint32_t EXPORT(x_resume)(void) { return qj_resume(&now.player); }
uint32_t EXPORT(x_park)(void) { return qj_park(&now.player); }
uint32_t EXPORT(x_release)(void) { return qj_release(&now.player); }
void EXPORT(x_fail)(uint32_t fault) { qj_fail(&now.player, (uint8_t)fault); }
void EXPORT(x_seed)(uint32_t number) { qj_seed(&now.player, (uint16_t)number); }
uint32_t EXPORT(x_runs)(uint32_t scene) { return now.player.runs[scene % QJ_MAX_COUNTED]; }
uint32_t EXPORT(x_resting)(void) { return now.player.resting; }
uint32_t EXPORT(x_standing)(uint32_t track) { return qj_standing(&now.player, (uint8_t)(track % QJ_MAX_TRACKS)); }
void EXPORT(x_levels)(uint32_t levels) { now.levels = (uint8_t)levels; }
/* Counts of an analog input from now on, read 64 times a frame; 0xFFFF: no reading. */
void EXPORT(x_counts)(uint32_t sensor, uint32_t counts) { now.counts[sensor % QJ_MAX_SENSORS] = (uint16_t)counts; }
uint32_t EXPORT(x_measured)(uint32_t sensor) { return qj_measured(&now.player, (uint8_t)sensor); }
uint32_t EXPORT(x_supply)(uint32_t watches) { return qj_supply(&now.player, (uint8_t)watches); }
uint32_t EXPORT(x_levels_now)(void) { return now.levels; }

static void frame(void) {
  uint8_t i;
  for (i = 0; i < 6; i++) {
    qj_sample(&now.player, now.levels);
  }
  for (i = 0; i < now.player.sensors; i++) {
    uint8_t reading;
    for (reading = 0; reading < 64 && now.counts[i] <= 1023; reading++) {
      qj_reading(&now.player, i, now.counts[i]);
    }
  }
  qj_tick(&now.player);
}

static void note(row *r) {
  qj_player *const p = &now.player;
  uint8_t i;
  r->state = p->state;
  r->scene = qj_scene_now(p);
  r->frame = qj_playing(p)->frame; /* the clock has gone on: this is the number of frames played with this one */
  r->phase = p->phase;
  r->switches = p->switches;
  r->happenings = p->happenings;
  r->steps[0] = p->steps;
  for (i = 0; i < QJ_TRACE; i++) {
    r->steps[i + 1] = p->step[i];
  }
  p->steps = 0;
  for (i = 0; i < QJ_HAPPENINGS; i++) {
    r->what[i] = p->happened[i].what;
    r->told_scene[i] = p->happened[i].scene;
    r->input[i] = p->happened[i].input;
    r->cue[i] = p->happened[i].cue;
  }
  p->happenings = 0;
  for (i = 0; i < p->tracks; i++) {
    uint8_t j;
    r->pulse[i] = p->pulse[i];
    for (j = 0; j < 4; j++) {
      r->window[i][j] = p->window[i][j];
    }
    qj_motion_now(p, i, &r->motion[i]);
  }
  for (i = 0; i < p->lamps; i++) {
    r->duty[i] = p->lamp[i];
    r->lightness[i] = p->lit[i].shown;
  }
}

/* Play frames into rows (news goes there, not over the link). Returns how many. */
uint32_t EXPORT(x_play)(uint32_t frames) {
  uint32_t i;
  if (frames > ROWS) {
    frames = ROWS;
  }
  for (i = 0; i < frames; i++) {
    frame();
    note(&rows[i]);
  }
  return frames;
}

/* One frame of a board on a line: play, then talk. */
void EXPORT(x_tick)(void) {
  frame();
  qj_keep_frame(&now.keep, &now.player);
  if (now.silent != 100) {
    now.silent = (uint8_t)(now.silent + 1);
    if (now.silent == 100) {
      bench_off();
    }
  }
  note(&rows[0]);
  now.player.happenings = rows[0].happenings; /* they go over the link */
  (void)qj_link_poll(&now.link, &now.player);
}

/* How much longer than 320 000 parts the next frame is, two's complement: once a frame. */
uint32_t EXPORT(x_clock_frame)(void) {
  now.frame = (uint16_t)(now.frame + 1);
  return (uint32_t)(uint16_t)qj_clock_frame(&now.clock);
}

/* What the running frame's clock shows: the sixth, and the parts of 320 000 into that. */
void EXPORT(x_clock)(uint32_t slot, uint32_t into) {
  now.slot = (uint16_t)slot;
  now.into = (uint16_t)into;
}

/* `count` bytes of the in buffer come over the line. */
void EXPORT(x_receive)(uint32_t count) {
  uint32_t i;
  for (i = 0; i < count && i < WIRE; i++) {
    qj_link_receive(&now.link, in[i]);
    if (now.link.ready) {
      talk();
    }
  }
  talk();
}

/* A transmit ring as small as a board's; what waits in the out buffer is forgotten. */
void EXPORT(x_ring)(uint32_t bytes) {
  out_room = bytes < WIRE ? bytes : WIRE;
  out_count = 0;
}

/* Bytes waiting in the out buffer; they are taken. */
uint32_t EXPORT(x_transmit)(void) {
  const uint32_t count = out_count;
  out_count = 0;
  return count;
}

uint32_t EXPORT(x_curve)(uint32_t lightness_q8) { return qj_curve((uint16_t)lightness_q8); }

uint32_t EXPORT(x_crc16)(uint32_t count) {
  uint16_t crc = 0xFFFF;
  uint32_t i;
  for (i = 0; i < count && i < WIRE; i++) {
    crc = qj_crc16(crc, in[i]);
  }
  return crc;
}

/* in -> out; the length written */
uint32_t EXPORT(x_cobs_encode)(uint32_t count) { return qj_cobs_encode(in, (uint8_t)count, out); }
uint32_t EXPORT(x_cobs_decode)(uint32_t count) { return qj_cobs_decode(in, (uint8_t)count, out); }

static int32_t in_i32(uint32_t at) {
  return (int32_t)((uint32_t)in[at] | (uint32_t)in[at + 1] << 8 | (uint32_t)in[at + 2] << 16 |
                   (uint32_t)in[at + 3] << 24);
}

/* `count` faces are in the in buffer: six i32 each, little endian, as qj_face. Opening an image forgets them. */
uint32_t EXPORT(x_prove_faces)(uint32_t count) {
  static qj_face given[QJ_MAX_FACES];
  uint32_t i;
  if (count > QJ_MAX_FACES) {
    return 0;
  }
  for (i = 0; i < count; i++) {
    given[i].one = in_i32(24 * i);
    given[i].other = in_i32(24 * i + 4);
    given[i].a = in_i32(24 * i + 8);
    given[i].b = in_i32(24 * i + 12);
    given[i].limit = in_i32(24 * i + 16);
    given[i].inner = in_i32(24 * i + 20);
  }
  return qj_prove_faces(&now.player, &proof, given, (uint8_t)count);
}

/* Into `proof`; `early` is the prover's stop_early. */
uint32_t EXPORT(x_prove_leave)(uint32_t left, uint32_t entered, uint32_t fade, uint32_t delay, uint32_t enter,
                               uint32_t early) {
  return qj_prove_leave(&now.player, &proof, (uint8_t)left, (uint8_t)entered, (uint16_t)fade, (uint16_t)delay,
                        (uint16_t)enter, (uint8_t)early);
}
uint32_t EXPORT(x_prove_enter)(uint32_t loop, uint32_t fade, uint32_t early) {
  return qj_prove_enter(&now.player, &proof, (uint8_t)loop, (uint16_t)fade, (uint8_t)early);
}
uint32_t EXPORT(x_prove_stop)(uint32_t scene, uint32_t frames, uint32_t early) {
  return qj_prove_stop(&now.player, &proof, (uint8_t)scene, (uint16_t)frames, (uint8_t)early);
}
uint32_t EXPORT(x_prove_park)(uint32_t frames, uint32_t early) {
  return qj_prove_park(&now.player, &proof, (uint16_t)frames, (uint8_t)early);
}
uint32_t EXPORT(x_prove_rest)(uint32_t frames, uint32_t early) {
  return qj_prove_rest(&now.player, &proof, (uint16_t)frames, (uint8_t)early);
}
