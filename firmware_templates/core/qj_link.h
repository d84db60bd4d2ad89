/* The link: COBS frames with CRC-16, numbered, answered, never performed twice (sequencer/board/messages.toml).
 *
 * qj_link_receive() and qj_link_poll() belong to the main loop: both change `due` and `damaged`.
 * Nothing is sent unless qj_room() has space for the whole frame, so that qj_put() never waits: the transmit
 * ring must hold at least QJ_LINK_LONGEST bytes.
 */
#ifndef QJ_LINK_H
#define QJ_LINK_H

#include "qj_messages.h"
#include "qj_player.h"

/* Encoded request: COBS overhead, seq, type, body, CRC. */
#define QJ_LINK_RECEIVE (QJ_LONGEST_TO_BOARD + 5)
/* Encoded report with its zero byte. */
#define QJ_LINK_LONGEST (QJ_LONGEST_TO_HOST + 6)

/* A request whose number lies so far before the newest one, or less, is a copy that comes late. */
#define QJ_LATE_COPIES 64

/* A frame that pauses this long in its middle, in frames of 20 ms, is forgotten: somebody typed before the '?', or a host
 * has died between two bytes. */
#define QJ_LINK_PAUSE 10

enum { QJ_DUE_HELLO = 1, QJ_DUE_NAME = 2, QJ_DUE_LINE = 4, QJ_AFTER_LINE = 8 };

typedef struct {
  volatile uint8_t ready;        /* a complete frame is waiting for qj_link_poll() */
  uint8_t count;                 /* bytes received of the frame */
  uint8_t bad;                   /* 1: drop everything up to the next zero byte */
  uint8_t now;                   /* the player's clock at the last poll */
  uint8_t heard;                 /* when the last byte came */
  uint8_t buffer[QJ_LINK_RECEIVE];
  uint8_t newest_seq;            /* of any request, 0 = none yet */
  uint8_t last_seq;              /* last request performed, 0 = none */
  uint16_t last_crc;             /* its CRC: the same number with another content is another request */
  uint8_t last_result;
  uint8_t due;                   /* QJ_DUE_... */
  uint16_t damaged;              /* frames that arrived broken */
  uint8_t reset_cause;
} qj_link;

/* Forget everything and send a hello at the next poll. reset_cause: MCUSR of the AVR, 0 = unknown. */
void qj_link_start(qj_link *l, qj_player *p, uint8_t reset_cause);
/* One byte came in. */
void qj_link_receive(qj_link *l, uint8_t byte);
/* Handle a waiting frame and send what is due. Returns 1 when a request was handled. */
uint8_t qj_link_poll(qj_link *l, qj_player *p);

uint16_t qj_crc16(uint16_t crc, uint8_t byte);   /* CCITT-FALSE; starts with 0xFFFF */
/* COBS. Return the length written; decode returns QJ_NONE for a malformed frame. Both want length < 254; decode may
 * write over what it reads. (Frames are coded as they grow; encode serves those who check.) */
uint8_t qj_cobs_encode(const uint8_t *in, uint8_t length, uint8_t *out);
uint8_t qj_cobs_decode(const uint8_t *in, uint8_t length, uint8_t *out);

/* When: frames since the boot (modulo 65536), sixth of the running frame, 1/320 000 of a frame into that. */
typedef struct {
  uint16_t frame, into;
  uint8_t slot;
} qj_time;

/* ---- supplied by the platform ---------------------------------------------------------------- */

void qj_put(uint8_t byte);         /* one byte into the transmit ring */
uint8_t qj_room(void);             /* free bytes in it, at most 255 */
uint8_t qj_board_id(void);         /* 1 = uno, as in the image's header */
uint16_t qj_worst_latency(void);   /* cycles between an edge's interrupt being due and its being served, at most so far */
uint32_t qj_player_crc(void);      /* CRC-32 of the player's own code (bytes below the image, 0xFF padded) */
/* Trim and slew for the clock (qj_clock.h), both with a sign; then the time. */
void qj_board_clock(uint16_t trim, uint16_t slew, qj_time *now);
/* Every pulse, lamp and switch off; from now on the bench may drive single pins. */
void qj_board_bench_open(void);
/* Called only while qj_on_bench(). Return enum qj_result. */
uint8_t qj_board_bench_servo(uint8_t pin, uint16_t pulse_us);
uint8_t qj_board_bench_lamp(uint8_t pin, uint8_t lightness);
uint8_t qj_board_bench_expander(uint8_t address, uint8_t prescale, uint16_t scale);
/* Rising edges of a pin since it was first asked about. */
uint16_t qj_board_edges(uint8_t pin);
/* 16 bytes for the I2C memory at a multiple of 16, in fault only. Return enum qj_result. */
uint8_t qj_board_store(uint32_t at, const uint8_t *bytes);

#endif
