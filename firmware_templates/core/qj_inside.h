/* What the core's files share with each other and with the prover; platforms need only qj_player.h. */
#ifndef QJ_INSIDE_H
#define QJ_INSIDE_H

#include "qj_player.h"

/* Where the header's fields are (FORMAT.md). */
enum {
  QJ_AT_LENGTH = 4,
  QJ_AT_CRC = 8,
  QJ_AT_VERSION = 12,
  QJ_AT_BOARD = 13,
  QJ_AT_TRACKS = 14,
  QJ_AT_LAMPS = 15,
  QJ_AT_SWITCHES = 16,
  QJ_AT_INPUTS = 17,
  QJ_AT_SCENES = 18,
  QJ_AT_IDLE = 19,
  QJ_AT_SETTLE = 22,
  QJ_AT_STOP = 24,
  QJ_AT_STAGGER = 26,
  QJ_AT_BOOT = 27,
  QJ_AT_TRACK_RECORDS = 32,
  QJ_AT_LAMP_RECORDS = 36,
  QJ_AT_SWITCH_RECORDS = 40,
  QJ_AT_INPUT_RECORDS = 44,
  QJ_AT_SCENE_RECORDS = 48,
  QJ_AT_TRANSITIONS = 52,
  QJ_AT_NAMES = 56,
  QJ_AT_LOOPS = 60,
  QJ_AT_EXTRAS = 64,
  QJ_HEADER = 68
};

/* Frames after the last faded one until every track's window holds only clean points: two common knots. */
#define QJ_CLEAN_FRAMES 12

#define QJ_FULL ((uint16_t)32768) /* a fade's weight before it begins */

/* How the next point of a track is made. */
enum qj_mode {
  QJ_PLAIN, /* the current layer's own points; rest without a scene */
  QJ_STAND, /* the last point again */
  QJ_ENTER, /* a loop from rest, faded in */
  QJ_LEAVE, /* a loop faded out, another scene, loop or rest coming */
  QJ_STOP,  /* velocity faded to nothing */
  QJ_REST,  /* rest-to-rest from wherever the track stands (kept in past[0]) */
  QJ_PARK,  /* the same to the parked pose, of tracks marked QJ_OFF_PARKING; the others stand */
  QJ_LIVE_POINTS /* what the host streams, checked; without it, the way to a stop that came with it */
};

/* Live control: this long without a word from the host, and the return to rest begins at the next common knot. */
#define QJ_SILENT_FRAMES 6

enum { QJ_WANTS_HOLD = 1, QJ_WANTS_RESUME = 2, QJ_TURNS_DONE = 4, QJ_WANTS_PARK = 8, QJ_PARKED = 16 };
enum { QJ_BARRED_STOP = 1, QJ_BARRED_RAIL = 2 };

/* Why a track has no pulses: `off` of the player. */
enum {
  QJ_OFF_TRIPPED = 1,  /* by the stall guard, until the next reset */
  QJ_OFF_RELEASED = 2, /* not yet begun, parked, or silent at rest */
  QJ_OFF_PARKING = 4   /* it still has pulses: on its way to the parked pose */
};

/* Kinds of inputs. */
enum { QJ_INPUT_TRIGGER = 1, QJ_INPUT_STOP = 2, QJ_INPUT_RAIL = 3 };

/* qj_image.c: little-endian reads; an offset that is stored in the image; records */
uint16_t qj_u16(qj_offset at);
uint32_t qj_u32(qj_offset at);
qj_offset qj_at(qj_offset at);
uint32_t qj_varint(qj_offset *at);
uint16_t qj_get16(const uint8_t *at); /* of a copy, or of a frame of the link */
void qj_copy(uint8_t *to, qj_offset at, uint8_t count); /* fields of a copy cost a small board less than reads */
uint8_t qj_check_image(uint8_t board);
qj_offset qj_record(uint8_t table, uint8_t size, uint8_t index);
qj_offset qj_track_record(uint8_t track);
qj_offset qj_scene_record(uint8_t scene);
uint8_t qj_knot_frames(uint8_t track);
int16_t qj_rest_point(uint8_t track);
uint8_t qj_is_loop(uint8_t scene);
/* Offset of the stream of a channel of a scene, 0 = none. Channels: tracks, then lamps, then switches. */
qj_offset qj_stream(uint8_t scene, uint8_t channel);

/* Where the content of the extra with this number begins, 0 = this show has none (FORMAT.md, "Extras"). */
qj_offset qj_extra(uint8_t tag);
enum { QJ_EXTRA_EXPANDERS = 4, QJ_EXTRA_MEMORY = 5 };

/* qj_expander.c: how many there are; the record of one; a pulse in its counts, 0 = not calibrated */
uint8_t qj_expanders(void);
qj_offset qj_expander(uint8_t expander);
uint16_t qj_expander_counts(uint8_t expander, uint16_t sixteenths);

/* Numbers of extras. */
enum { QJ_EXTRA_POLICY = 1, QJ_EXTRA_STOPPING = 2, QJ_EXTRA_GUARD = 3, QJ_EXTRA_STRINGS = 6, QJ_EXTRA_SOUND = 7 };

/* qj_guard.c: one frame of the stall guard */
void qj_guard_open(qj_player *p);
void qj_guard_frame(qj_player *p);

/* qj_player.c: news for the host */
void qj_report(qj_player *p, uint8_t what, uint8_t scene, uint16_t cue, uint8_t input);

/* qj_policy.c: the next of a list of scenes (0: idle loops; i + 1: of input i), QJ_NONE without one, and the number
 * that stands beside it; a scene begins; one frame of the duty limit; the next of the one generator there is */
uint8_t qj_choose(qj_player *p, uint8_t list, uint8_t *beside);
void qj_count_run(qj_player *p, uint8_t scene);
void qj_duty_frame(qj_player *p);
uint16_t qj_random(uint16_t *x);

/* qj_content.c: whether every record and offset makes sense (not on small boards) */
uint8_t qj_check_content(void);

/* qj_points.c */
void qj_points_open(qj_points *r, qj_offset at, int16_t rest);
int16_t qj_points_next(qj_points *r);

/* qj_track.c */
int32_t qj_position(const int16_t c[4], uint8_t n, uint8_t t);
uint16_t qj_pulse_of(int32_t position, uint8_t n, qj_offset record);

/* qj_fade.c */
uint16_t qj_weight(uint16_t f, uint16_t frames);
int16_t qj_blend(int16_t base, uint16_t weight, int16_t to, int16_t from);

/* qj_live.c */
void qj_live_begin(qj_player *p);
/* The next point of a track at its knot. */
int16_t qj_live_point(qj_player *p, uint8_t track);
/* Whether `next` keeps the certificate's bounds on first, second and third differences, after these points (the newest
 * first). `record`: the track's. */
uint8_t qj_may_follow(qj_offset record, int16_t next, const int16_t past[3]);
/* Whether every track stands and no point waits. */
uint8_t qj_live_stands(const qj_player *p);

/* qj_layer.c */
void qj_layer_begin(qj_layer *layer, uint8_t scene, uint8_t tracks);
int16_t qj_layer_point(qj_layer *layer, uint8_t track, uint8_t n, int16_t rest);
uint8_t qj_layer_advance(qj_layer *layer);

/* qj_lamp.c */
void qj_lamp_clear(qj_lamp *lamp, uint8_t lightness);
void qj_lamp_stream(qj_lamp *lamp, qj_offset at);
uint16_t qj_lamp_frame(qj_lamp *lamp);

/* qj_switch.c */
void qj_switch_stream(qj_switch *sw, qj_offset at);
uint8_t qj_switch_frame(qj_switch *sw, uint8_t on, uint16_t max_on);

/* qj_transition.c: the steps that the prover takes without lamps, switches and triggers */
void qj_begin(qj_player *p, uint8_t mode, uint16_t fade);
void qj_from_rest(qj_player *p, uint8_t scene, uint16_t fade);
void qj_leave(qj_player *p, uint8_t scene, uint16_t fade, uint16_t delay, uint16_t enter);
void qj_rest_to_rest(qj_player *p, uint8_t mode, uint16_t frames);
uint8_t qj_fading(const qj_player *p);
uint8_t qj_late_start(qj_player *p);
void qj_finish_fade(qj_player *p);
uint8_t qj_knots(qj_player *p);
uint8_t qj_clocks(qj_player *p);

#endif
