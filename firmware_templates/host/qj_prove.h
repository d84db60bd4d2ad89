/* The prover: plays every transition in the core's own integers and keeps the worst differences. */
#ifndef QJ_PROVE_H
#define QJ_PROVE_H

#include "qj_inside.h"

/* Worst values of one track. Low and high are control points that were played. */
typedef struct {
  int32_t d1, d2, d3, low, high;
} qj_worst;

/* One side of the polygon of two tracks that share knots: a c1 + b c2 of every pair of control points that are
 * played together stays at or under `limit`, of every transition but rest-to-rest under `inner`. The host gives them:
 * the image knows no linkage. */
typedef struct {
  int32_t one, other; /* tracks */
  int32_t a, b, limit, inner;
} qj_face;

#define QJ_MAX_FACES 64
#define QJ_MAX_NORMAL 16384 /* of |a| and |b|: sums stay within 2^30, and so do limits */
#define QJ_MAX_LIMIT ((int32_t)1 << 30)

/* `track` and `line` come first: Python reads them. `line` holds the extremes of each face's a c1 + b c2 (no
 * differences). Bounds are where a track's record, a face, or nothing, ends the search. */
typedef struct {
  qj_worst track[QJ_MAX_TRACKS];
  qj_worst line[QJ_MAX_FACES];
  qj_worst bound[QJ_MAX_TRACKS];
  int32_t line_bound[QJ_MAX_FACES];
  qj_face face[QJ_MAX_FACES];
  uint8_t faces;
} qj_proof;

/* The faces that are watched from now on; 0, and none, when one makes no sense. */
uint8_t qj_prove_faces(const qj_player *opened, qj_proof *out, const qj_face *face, uint8_t count);

/* What is looked at: the three points in a track's window when the transition begins, and every point and
 * difference from there until nothing faded is left in a third difference.
 *
 * Each starts from an opened player, which stays as it is, and fills the proof. With `stop_early` it returns as
 * soon as anything watched is beyond the low, high or bounds of its track's record: the proof then holds the worst
 * so far, and that is enough to refuse a candidate. Returns 0 for a bad argument. */

/* From loop `left` in full swing, at every common knot, into `entered` (QJ_NONE = rest). */
uint8_t qj_prove_leave(const qj_player *opened, qj_proof *out, uint8_t left, uint8_t entered, uint16_t fade,
                       uint16_t delay, uint16_t enter, uint8_t stop_early);
/* Into a loop from rest. */
uint8_t qj_prove_enter(const qj_player *opened, qj_proof *out, uint8_t loop, uint16_t fade, uint8_t stop_early);
/* The stop, begun at every common knot of a scene or loop. */
uint8_t qj_prove_stop(const qj_player *opened, qj_proof *out, uint8_t scene, uint16_t frames, uint8_t stop_early);
/* Rest-to-rest from parked and from every control point of low..high; for faces, from every pair of points within
 * all of them (`inner`) and both tracks' low..high. */
uint8_t qj_prove_rest(const qj_player *opened, qj_proof *out, uint16_t frames, uint8_t stop_early);
/* The same to the parked pose. */
uint8_t qj_prove_park(const qj_player *opened, qj_proof *out, uint16_t frames, uint8_t stop_early);

#endif
