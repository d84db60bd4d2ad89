/* The player core: what the board plays, in integers, with no hardware.
 *
 * Portable C99, no floating point, no heap. The same files are compiled for the board (int has 16
 * bits there), for WebAssembly (Python, the browser) and for the host (sanitizers, fuzzing), and all
 * agree bit for bit. Every operand is cast to an explicit width; nothing negative is shifted or divided.
 *
 * The image is read only through qj_read(), which the platform supplies. FORMAT.md (sequencer/tables)
 * describes every byte and every formula used here.
 */
#ifndef QJ_CORE_H
#define QJ_CORE_H

#include <stdint.h>

#ifndef QJ_MAX_TRACKS
#define QJ_MAX_TRACKS 12
#endif
#ifndef QJ_MAX_LAMPS
#define QJ_MAX_LAMPS 6
#endif
#ifndef QJ_MAX_SWITCHES
#define QJ_MAX_SWITCHES 8
#endif
#ifndef QJ_MAX_INPUTS
#define QJ_MAX_INPUTS 4
#endif

#define QJ_NONE 255
#define QJ_COMMON_FRAMES 6

enum qj_state { QJ_BOOT = 0, QJ_SETTLE = 1, QJ_IDLE = 2, QJ_SCENE = 3, QJ_HOLD = 4, QJ_FAULT = 5 };

enum qj_fault {
  QJ_OK = 0,
  QJ_NO_IMAGE = 1,     /* magic missing: nothing flashed */
  QJ_BAD_VERSION = 2,
  QJ_BAD_CRC = 3,
  QJ_BAD_CONTENT = 4,  /* counts beyond this build, knot_frames, offsets outside the image */
  QJ_WRONG_BOARD = 5
};

enum qj_result { QJ_DONE = 0, QJ_BUSY = 1, QJ_REFUSED = 2, QJ_UNKNOWN = 3, QJ_BAD_ARGUMENT = 4 };

/* Reader of one stream of control points. */
typedef struct {
  uint32_t at;       /* offset of the next unread byte; 0 = the track rests */
  uint16_t mean;     /* A of the adaptive Rice code */
  int16_t past[3];   /* newest first */
  uint8_t byte;      /* byte being read */
  uint8_t bits;      /* unread bits in it */
  uint8_t order;
} qj_points;

/* One thing being played: a scene or a loop, on all tracks. */
typedef struct {
  uint8_t scene;       /* QJ_NONE = rest */
  uint8_t loop;
  uint32_t frames;     /* its length */
  uint32_t frame;      /* frames played */
  qj_points points[QJ_MAX_TRACKS];
} qj_layer;

typedef struct {
  uint32_t at;         /* next record; 0 = nothing to do */
  uint32_t wait;       /* frames until it begins */
  uint16_t level;      /* Q8 lightness now, without flicker */
  uint16_t from, to;   /* of the ramp */
  uint32_t length, run;
  uint16_t rng;        /* flicker generator; 0 = no flicker */
  uint16_t dip, target;
  uint32_t flicker_left;
  uint8_t kind, depth, hold;
  uint16_t frozen;     /* Q8 lightness when the transition began */
  uint16_t shown;      /* Q8 lightness that is shown */
} qj_lamp;

/* The fields may be rearranged or trimmed by qj_core.c's author; platforms use the functions. */
typedef struct qj_player qj_player;

/* Supplied by the platform: one byte of the image. Offsets beyond the image return 0xFF. */
uint8_t qj_read(uint32_t offset);
/* Supplied by the platform: how many bytes can be there at all. */
uint32_t qj_read_limit(void);

#endif
