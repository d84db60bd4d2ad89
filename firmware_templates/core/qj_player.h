/* The player: image in, pulses, lamps and switches out, one frame a call.
 *
 * The platform calls, all from the same context (not one from an interrupt and one from the main loop):
 *
 *     qj_open(&p, QJ_BOARD_UNO);              once
 *     qj_sample(&p, levels);                  six times a frame
 *     qj_tick(&p);                            once a frame; then p.pulse, p.lamp, p.switches hold the
 *                                             frame that is about to be played
 *     qj_cue / qj_hold / qj_resume / qj_park / qj_release    at any time between ticks
 */
#ifndef QJ_PLAYER_H
#define QJ_PLAYER_H

#include "qj_core.h"

/* Reader of one stream of control points. */
typedef struct {
  qj_offset at;      /* offset of the byte being read; 0 = the track rests */
  uint8_t bit;       /* bits 0..2: bits of it already used; bits 3..4: order of the prediction */
  uint16_t mean;     /* A of the adaptive Rice code */
  int16_t past[3];   /* the last three points, newest first */
} qj_points;

/* One scene or loop being played, on all tracks. */
typedef struct {
  uint8_t scene;       /* QJ_NONE = rest */
  uint8_t loop;        /* 1: starts again at its end */
  uint8_t begun;       /* 1: its clock runs */
  uint16_t frames;     /* its length */
  uint16_t frame;      /* frames played; stays at `frames` when a scene is over */
  qj_points points[QJ_MAX_TRACKS];
} qj_layer;

/* One lamp. Lightness is Q8: 0..51200 for 0..100 % of CIE L*. */
typedef struct {
  qj_offset at;        /* next record; 0 = no more */
  uint16_t wait;       /* frames until it begins */
  uint16_t from, to;   /* ends of the running ramp */
  uint16_t length, run;/* its length and how far it is, frames */
  uint16_t rng;        /* flicker: generator */
  uint16_t left;       /* flicker: frames left, 0 = none */
  uint16_t dip;        /* flicker: taken off the lightness now */
  uint8_t target;      /* flicker: dip gone for, whole lightness steps */
  uint8_t kind, depth, hold;
  uint16_t frozen;     /* shown when the transition began */
  uint16_t shown;      /* shown in this frame */
} qj_lamp;

typedef struct {
  qj_offset at;        /* next event; 0 = no more */
  uint16_t wait;       /* frames until it */
  uint16_t on_for;     /* frames on so far */
} qj_switch;

typedef struct {
  uint8_t run;         /* samples in a row that differ from the settled level */
  uint8_t count;       /* triggers accepted, while `nth` is not 0 */
  uint16_t cooldown;   /* frames until it may trigger again */
} qj_input;

/* What was chosen from a list of scenes. */
typedef struct {
  uint8_t used;        /* bit i: the i-th has had its turn (shuffled lists) */
  uint8_t last;        /* the one chosen last, counted from 1 */
} qj_list;

#define QJ_DUTY_SLOTS 8

typedef struct {
  uint8_t what;        /* enum qj_what */
  uint8_t scene;
  uint8_t input;       /* QJ_NONE when the host asked; of QJ_TRIPPED the sensor */
  uint16_t cue;        /* 0 when an input asked; of QJ_TRIPPED the scene's frame */
} qj_happening;

/* Live control of one track: the points that are still to come, a way to a stop (qj_live.c). */
typedef struct {
  uint8_t track;       /* QJ_NONE = not in use */
  uint8_t count;       /* points that wait */
  uint16_t next;       /* number of the next point, since live control began */
  int16_t points[QJ_LIVE_POINTS_MOST];
} qj_way;

/* One analog input: a current or a voltage. */
typedef struct {
  uint16_t mean;       /* running mean of its readings, 1/64 of a count; 0xFFFF = no reading yet */
  uint8_t peak, ended; /* largest value in the slice that runs, and in the one before it */
  uint8_t over;        /* frames in a row above its limit */
} qj_sensor;

typedef struct {
  /* outputs, valid after qj_tick(): these, and pulse[] and lamp[] below */
  uint8_t state, fault;          /* enum qj_state, enum qj_fault */
  uint8_t tracks, lamps, switch_count, input_count;
  uint8_t switches;              /* bit i: switch i is on (logically) */
  uint16_t late_frames;          /* written by the platform: frames that were not ready in time */

  /* what is being played; scalars stand first because the AVR reaches 63 bytes with one instruction */
  uint8_t mode;                  /* how points are made, enum in qj_inside.h */
  uint8_t phase;                 /* frame within the common knot, 0..5 */
  uint8_t current;               /* index of the layer that plays; the other one is being entered */
  uint8_t barred;                /* bit 0: a stop input is active, bit 1: the servo supply is missing */
  uint8_t countdown;             /* boot: dead frames left; else frames to the next track's first pulse; in fault 1 until
                                  * the platform has let the pulses end that were high */
  uint8_t wants;                 /* bit 0: hold asked, bit 1: resume asked, bit 2: a loop's turns are done, bit 3: park, bit 4: it has ended */
  uint8_t live;                  /* 1: live control comes as soon as rest is reached, 2: it is here */
  uint8_t silent;                /* live control: frames since the last word from the host */
  uint32_t live_from;            /* the clock when it began */
  uint32_t clock;                /* frames since the boot */
  uint8_t repeats;               /* turns left, 0 = without end */
  uint8_t input;                 /* who asked for what is playing */
  uint16_t plays;                /* scenes begun since the boot */
  uint16_t cue;
  uint8_t next_scene, next_repeats, next_input; /* waiting cue; next_scene QJ_NONE = none */
  uint16_t next_cue;
  uint16_t since;                /* frames since the transition began */
  uint16_t fade, delay, enter;   /* its lengths, frames */
  uint8_t levels;                /* settled input levels, bit i: active */
  uint8_t edges;                 /* bit i: became active since the last tick */
  uint8_t sampled;               /* 1 once levels are known */
  uint8_t happenings;            /* entries of happened[], told to the host, oldest first */
  uint8_t sensors;               /* analog inputs */
  uint8_t learning;              /* 1: the stall guard's learned limits are not applied */
  uint8_t watched, slice;        /* scene and slice that the sensors' peaks belong to */
  uint8_t was_watched, was_slice;/* ... and those of the slice before */
  uint8_t off[QJ_MAX_TRACKS];    /* why a track has no pulses, enum in qj_inside.h */

  uint16_t rng;                  /* what plays by chance: the generator */
  qj_list list[QJ_MAX_INPUTS + 1]; /* what has been chosen: idle loops, then scenes of each input */
  uint16_t runs[QJ_MAX_COUNTED]; /* how often each scene began */
  uint8_t duty[QJ_DUTY_SLOTS];   /* seconds played in each slot of the window */
  uint8_t duty_slot, duty_second, duty_frame;
  uint16_t resting;              /* seconds of rest left */
#ifdef QJ_TRACE
  uint8_t steps;                 /* rows of the states' table taken; whoever reads them sets this to 0 */
  uint8_t step[QJ_TRACE];
#endif

  uint16_t pulse[QJ_MAX_TRACKS]; /* 1/16 us; 0 = no pulse */
  uint16_t lamp[QJ_MAX_LAMPS];   /* duty 0..4095, after the dimming curve; "lit when low" is the platform's job */
  int16_t window[QJ_MAX_TRACKS][4]; /* the four control points of the running span */
  qj_happening happened[QJ_HAPPENINGS];
  qj_lamp lit[QJ_MAX_LAMPS];
  qj_switch sw[QJ_MAX_SWITCHES];
  qj_input in[QJ_MAX_INPUTS];
  qj_sensor sensor[QJ_MAX_SENSORS];
  qj_way way[QJ_MAX_WAYS];
  qj_layer layer[2];
} qj_player;

/* Checks the image, fills p; state is QJ_BOOT, or QJ_FAULT with every output dead. Returns the fault. */
uint8_t qj_open(qj_player *p, uint8_t board);
/* After qj_open(), before the first frame: the tracks stand, within an LSB, where these pulses (1/16 us, one a
 * track) sent them, parked where the pulse is 0. Settling begins there. This very image must have played them. */
void qj_start_from(qj_player *p, const uint16_t *pulse);
/* Chance depends on this number (a boot's) from now on, unless the image gives its own. */
void qj_seed(qj_player *p, uint16_t number);
/* Raw levels of the input pins, bit i = input i's pin is high. */
void qj_sample(qj_player *p, uint8_t levels);
/* One frame on. */
void qj_tick(qj_player *p);

/* Ask for a scene at the next common knot at which nothing is fading. Returns enum qj_result. */
uint8_t qj_cue(qj_player *p, uint16_t cue, uint8_t scene, uint8_t repeats);
uint8_t qj_hold(qj_player *p);
uint8_t qj_resume(qj_player *p);
/* As qj_hold(), then every track goes to its parked pose and loses its pulses. */
uint8_t qj_park(qj_player *p);
/* Takes the pulses of balanced tracks that rest; in idle or hold. QJ_REFUSED: none does. */
uint8_t qj_release(qj_player *p);
/* Live control: `count` points (little endian) of a track, from number `at` on. Returns enum qj_result. */
uint8_t qj_live(qj_player *p, uint8_t track, uint16_t at, const uint8_t *points, uint8_t count);
/* The layer that plays or, during a change, the one that is being entered; its scene, QJ_LIVE or QJ_NONE. */
const qj_layer *qj_playing(const qj_player *p);
uint8_t qj_scene_now(const qj_player *p);
/* Into QJ_FAULT with every output dead, from any state, until qj_open(). */
void qj_fail(qj_player *p, uint8_t fault);
/* Lay the figure down for the bench, until qj_open(): QJ_FAULT with QJ_WORKSHOP. Only from where nothing moves:
 * in boot, or in hold once the stop is over; until then QJ_BUSY. Without an image nothing needs to change. */
uint8_t qj_workshop(qj_player *p);
/* Whether single pins are driven by the host now: in the workshop, or with nothing flashed. */
uint8_t qj_on_bench(const qj_player *p);

/* The image's CRC a few bytes at a time; all zero = at its beginning. */
typedef struct {
  uint32_t crc;
  qj_offset at;
} qj_image_walk;
/* `count` more bytes; at the image's end it begins anew. 0: the end is reached and the CRC is wrong. */
uint8_t qj_walk_image(qj_image_walk *w, uint8_t count);
/* One byte into a CRC-32 (ISO-HDLC); starts with all ones, and its complement is the result. */
uint32_t qj_crc32(uint32_t crc, uint8_t byte);

/* One reading of an analog input, 0..1023. */
void qj_reading(qj_player *p, uint8_t sensor, uint16_t counts);
/* What it measures: mA of a current, mV of a voltage; 0xFFFF = not known. */
uint16_t qj_measured(const qj_player *p, uint8_t sensor);
/* The same of the first sensor with this value of "watches" (FORMAT.md): QJ_SUPPLY_MA or QJ_SUPPLY_MV. */
#define QJ_SUPPLY_MA 255
#define QJ_SUPPLY_MV 254
uint16_t qj_supply(const qj_player *p, uint8_t watches);
/* Takes a track's pulses away until the next reset; QJ_NONE: those of all tracks. */
void qj_trip(qj_player *p, uint8_t track);

/* The pulse that belongs to where a track is commanded to stand, 1/16 us, whether it has pulses or not. */
uint16_t qj_standing(const qj_player *p, uint8_t track);

/* Wiring, read from the image (valid when fault is QJ_OK). */
uint8_t qj_track_pin(uint8_t track);
uint8_t qj_lamp_pin(uint8_t lamp);
uint8_t qj_lamp_flags(uint8_t lamp);     /* bit 0: lit when low */
uint8_t qj_switch_pin(uint8_t sw);
uint8_t qj_switch_flags(uint8_t sw);     /* bit 0: on when low */
uint8_t qj_input_pin(uint8_t input);
uint8_t qj_input_flags(uint8_t input);   /* bit 0: active when low, bit 1: pull-up */
uint8_t qj_sensor_pin(uint8_t sensor);

/* Strings of addressable lamps: how many, whose pin, and what all lamps of one show now: three bytes in the order in
 * which they go over the wire; returns how many lamps it has. */
uint8_t qj_strings(void);
uint8_t qj_string_light(const qj_player *p, uint8_t string, uint8_t light[3], uint8_t *pin);

/* The sound module, after each qj_tick(): whether there is one, and whether this frame starts a track. `head` takes the
 * first bytes of its extra (FORMAT.md), with the track's number in place of the pin when one starts. */
enum { QJ_SOUND_HEAD = 6 };
enum { QJ_SOUND_THERE = 1, QJ_SOUND_NOW = 2 };
uint8_t qj_sound(const qj_player *p, uint8_t head[QJ_SOUND_HEAD]);
uint8_t qj_sound_byte(uint8_t index); /* of the message */

/* Perceived lightness, Q8 (0..51200), to duty 0..4095 by CIE L*. */
uint16_t qj_curve(uint16_t lightness_q8);

/* Position, velocity, acceleration, jerk of one track now, scaled by 6 n^3 (FORMAT.md, "Playing a track"). */
typedef struct {
  int32_t position, velocity, acceleration, jerk;
} qj_motion;
void qj_motion_now(const qj_player *p, uint8_t track, qj_motion *out);

#endif
