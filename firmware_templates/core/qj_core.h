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
#define QJ_MAX_TRACKS 32
#endif
#ifndef QJ_MAX_LAMPS
#define QJ_MAX_LAMPS 16
#endif
#ifndef QJ_MAX_SWITCHES
#define QJ_MAX_SWITCHES 8
#endif
#ifndef QJ_MAX_INPUTS
#define QJ_MAX_INPUTS 8
#endif
/* Scenes whose runs are counted; those behind them share the last count. */
#ifndef QJ_MAX_COUNTED
#define QJ_MAX_COUNTED 32
#endif
#ifndef QJ_MAX_WAYS
#define QJ_MAX_WAYS QJ_MAX_TRACKS /* tracks under live control at a time */
#endif
#define QJ_LIVE_POINTS_MOST 11 /* as messages.toml says */
#ifndef QJ_MAX_SENSORS
#define QJ_MAX_SENSORS 4
#endif

/* Offsets into the image. Boards whose images stay under 64 KB save RAM and code with 16 bits. */
#ifdef QJ_SMALL_IMAGE
typedef uint16_t qj_offset;
#define QJ_OFFSET_MAX ((qj_offset)0xFFFF)
#else
typedef uint32_t qj_offset;
#define QJ_OFFSET_MAX ((qj_offset)0xFFFFFFFF)
#endif

/* Builds for the host remember which rows of the states' table were taken, at most so many. */
#if !defined(QJ_SMALL_IMAGE) && !defined(__AVR__)
#define QJ_TRACE 7
#endif

/* One copy of a function, however few its callers are: smaller on the AVR. */
#ifdef __GNUC__
#define QJ_ONCE __attribute__((noinline))
#else
#define QJ_ONCE
#endif

/* Constants that would cost RAM on the AVR. */
#ifdef __AVR__
#include <avr/pgmspace.h>
#define QJ_FLASH PROGMEM
#define QJ_FLASH_BYTE(at) pgm_read_byte(at)
#else
#define QJ_FLASH
#define QJ_FLASH_BYTE(at) ((uint8_t)*(at))
#endif

#define QJ_PLAYER_VERSION 2
#define QJ_FORMAT 2 /* of the show image */
#define QJ_NONE 255
#define QJ_LIVE 254 /* as a scene: live control */
#define QJ_ANY_BOARD 255
#define QJ_COMMON_FRAMES 6
#define QJ_HAPPENINGS 4

/* Tables of constants: on the AVR they must be kept out of RAM, and be read another way. */
#ifdef __AVR__
#include <avr/pgmspace.h>
#define QJ_TABLE PROGMEM
#define qj_table(at) pgm_read_byte(at)
#else
#define QJ_TABLE
#define qj_table(at) (*(at))
#endif

enum qj_state { QJ_BOOT = 0, QJ_SETTLE = 1, QJ_IDLE = 2, QJ_SCENE = 3, QJ_HOLD = 4, QJ_FAULT = 5 };

enum qj_fault {
  QJ_OK = 0,
  QJ_NO_IMAGE = 1,     /* magic missing: nothing flashed */
  QJ_BAD_VERSION = 2,
  QJ_BAD_CRC = 3,
  QJ_BAD_CONTENT = 4,  /* counts beyond this build, knot_frames, offsets outside the image */
  QJ_WRONG_BOARD = 5,
  QJ_HUNG = 6,         /* the program stood still again and again: the watchdog ended it */
  QJ_RAM = 7,          /* the stack met the variables */
  QJ_EXPANDER = 8,     /* an output expander with servos is not there, or the I2C bus is stuck */
  QJ_LOST_IMAGE = 10,  /* the image's CRC, checked again while idle, no longer holds */
  QJ_WORKSHOP = 11     /* no fault: laid down for the bench by the host, until a reset */
};

enum qj_result { QJ_DONE = 0, QJ_BUSY = 1, QJ_REFUSED = 2, QJ_UNKNOWN = 3, QJ_BAD_ARGUMENT = 4, QJ_OTHER_BOOT = 5, QJ_LATE = 6 };

/* What a `happened` report tells. */
enum qj_what {
  QJ_STARTED = 1,
  QJ_ENDED = 2,
  QJ_STOPPED = 3,
  QJ_TRIGGERED = 4,
  QJ_TRIPPED = 5,
  QJ_RAIL_LOST = 6,
  QJ_RAIL_BACK = 7,
  QJ_EXPANDER_LOST = 8,
  QJ_RESTING = 9 /* the duty limit is reached; cue: seconds of rest */
};

/* ---- supplied by the platform ---------------------------------------------------------------- */

/* One byte of the image. Offsets beyond the image return 0xFF. */
uint8_t qj_read(qj_offset offset);
/* Of this boot: another one after every reset and power cut. */
uint16_t qj_boot_number(void);
/* What lies beyond `from` (the image's length) is read from elsewhere: an I2C memory on a bus of this speed (4 =
 * 400 kHz, 1 = 100 kHz). Called while the image is checked. */
void qj_outside(qj_offset from, uint8_t speed);
/* How many bytes can be there at all, without what lies outside. */
uint32_t qj_read_limit(void);

#endif
