/* A board on a line for the fuzzers: requests in, every report checked, frames played.
 *
 * Uses the exports of the host build (firmware_templates/host/qj_export.c).
 */
#ifndef FUZZ_BOARD_H
#define FUZZ_BOARD_H

#include "qj_link.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

uint8_t *x_image(void);
uint8_t *x_in(void);
uint8_t *x_out(void);
uint32_t x_boot(uint32_t size, uint32_t board, uint32_t cause, uint32_t crc);
uint32_t x_fault(void);
void x_ring(uint32_t bytes);
void x_receive(uint32_t count);
uint32_t x_transmit(void);
void x_tick(void);
void x_levels(uint32_t levels);
void x_counts(uint32_t sensor, uint32_t counts);

/* Frames that a fuzzer may spend on one input. */
#define MOST_FRAMES 64u

/* An input being eaten; at its end there are only zeros. */
typedef struct {
  const uint8_t *at;
  size_t left;
} food;

static inline uint8_t bite(food *f) {
  if (f->left == 0) return 0;
  f->left--;
  return *f->at++;
}

static inline void fail(const char *why) {
  fprintf(stderr, "%s\n", why);
  abort();
}

/* What was sent since the last zero, and pieces before it that are no frames. */
static uint8_t piece[512];
static uint32_t piece_length, odd;

/* A frame with a right CRC and a report's type; or a line to read, whose name may hold any byte when nobody has
 * checked the image, zeros too. Half a frame, cut off for want of room, is neither. */
static inline void check_piece(void) {
  uint8_t bytes[255], length, i;
  uint16_t crc = 0xFFFF;
  if (piece_length == 0) return;
  if (piece_length >= 2 && memcmp(piece + piece_length - 2, "\r\n", 2) == 0) {
    odd = 0;
    return;
  }
  length = piece_length > 254 ? QJ_NONE : qj_cobs_decode(piece, (uint8_t)piece_length, bytes);
  if (length == QJ_NONE || length < 4) {
    odd++;
    return;
  }
  for (i = 0; i < length - 2; i++) crc = qj_crc16(crc, bytes[i]);
  if (bytes[length - 2] != (crc & 0xFF) || bytes[length - 1] != crc >> 8) {
    odd++;
    return;
  }
  if (odd) fail("a frame came after something that is none");
  if (bytes[1] < 0x80) fail("the board sent a request");
}

static inline void check_sent(void) {
  const uint32_t count = x_transmit();
  const uint8_t *const out = x_out();
  uint32_t at;
  for (at = 0; at < count; at++) {
    if (out[at] == 0) {
      check_piece();
      piece_length = 0;
    } else if (piece_length == sizeof piece) {
      fail("neither a frame nor a line ends");
    } else {
      piece[piece_length++] = out[at];
    }
  }
}

/* A board of its own, with a transmit ring of so many bytes. */
static inline void boot(uint32_t size, uint32_t ring) {
  piece_length = odd = 0;
  x_ring(ring);
  (void)x_boot(size, 1, 0, 0);
  check_sent();
}

static inline void hear(const uint8_t *bytes, uint32_t count) {
  memcpy(x_in(), bytes, count);
  x_receive(count);
  check_sent();
}

/* A whole and right request; `flip` spoils one bit of it, 0 spoils nothing. */
static inline void request(uint8_t seq, uint8_t type, const uint8_t *body, uint8_t length, uint8_t flip) {
  uint8_t bytes[40], coded[44], count, i;
  uint16_t crc = 0xFFFF;
  bytes[0] = seq;
  bytes[1] = type;
  memcpy(bytes + 2, body, length);
  for (i = 0; i < length + 2; i++) crc = qj_crc16(crc, bytes[i]);
  bytes[length + 2] = (uint8_t)(crc & 0xFF);
  bytes[length + 3] = (uint8_t)(crc >> 8);
  count = qj_cobs_encode(bytes, (uint8_t)(length + 4), coded);
  if (flip) coded[flip % count] ^= (uint8_t)(1u << (flip & 7u));
  coded[count] = 0;
  hear(coded, count + 1u);
}

/* One step of a script: play, move the inputs, ask. Returns the frames played. */
static inline uint32_t step(food *f) {
  const uint8_t op = bite(f);
  uint8_t body[32], i, length;
  uint32_t frames = 0;
  switch (op & 7u) {
    case 0: case 1: case 2:
      for (; frames <= op >> 3; frames++) {
        x_tick();
        check_sent();
      }
      return frames;
    case 3:
      x_levels(bite(f));
      x_counts(op >> 3 & 3u, (bite(f) << 2) & 1023u);
      return 0;
    case 4: { /* bytes from the line as they come */
      uint8_t raw[32];
      for (i = 0; i <= op >> 3; i++) raw[i] = bite(f);
      hear(raw, i);
      return 0;
    }
    case 5: /* a cue, so that scenes are played without luck */
      body[0] = bite(f);
      body[1] = 0;
      body[2] = op >> 3;
      body[3] = bite(f);
      body[4] = (uint8_t)(qj_boot_number() & 0xFF);
      body[5] = (uint8_t)(qj_boot_number() >> 8);
      request((uint8_t)(1u + op), QJ_MSG_CUE, body, QJ_MSG_CUE_LENGTH, 0);
      return 0;
    default: { /* any request, spoilt when op says so */
      const uint8_t type = bite(f);
      length = (op >> 3) > 30 ? 30 : op >> 3;
      for (i = 0; i < length; i++) body[i] = bite(f);
      request(bite(f), type, body, length, (op & 7u) == 7 ? bite(f) : 0);
      return 0;
    }
  }
}

#endif
