/* I2C memory (24LC512 class, 64 KB a chip at 0x50 and on): where a long show's streams go on.
 *
 * One line of LINE bytes is kept, beginning with the byte that was asked for first. A control point has at most
 * 38 bits, so at most 6 bytes, read one after the other: it costs at most one line, whatever the other tracks
 * read between (they cost one each). A line is 4 + LINE bytes on the bus: 0.29 ms at 400 kHz, waited for here,
 * interrupts going on. The longest frame is the one in which a scene begins, where each track also reads its
 * stream's first byte: 2 * 12 tracks * 0.29 ms = 7 ms of 20.
 */
#include "memory.h"

#include "twi.h"

#include <util/delay.h>

#define CHIP 0x50u
#define LINE 8u
#define TRIES 3u
#define BLOCK 16u /* divides the chip's page of 128 bytes, so no write runs over a page's end */

static uint8_t line[LINE];
static uint8_t filled; /* bytes of it that hold something */
static qj_offset first;
static uint8_t failed;

static void open_at(uint32_t at) {
  twi_begin((uint8_t)(CHIP + (uint8_t)(at >> 16)), 0);
  twi_put((uint8_t)(at >> 8));
  twi_put((uint8_t)at);
}

static void fetch(qj_offset at) {
  uint8_t tries = TRIES;
  first = at;
  do {
    uint8_t i;
    open_at(at);
    twi_begin((uint8_t)(CHIP + (uint8_t)((uint32_t)at >> 16)), 1);
    for (i = 0; i < LINE; i++) line[i] = twi_get((uint8_t)(LINE - 1u - i));
    filled = LINE;
#ifndef QJ_SMALL_IMAGE
    if ((uint16_t)at > 0x10000u - LINE) filled = (uint8_t)(0u - (uint8_t)at); /* the next byte is another chip's */
#endif
    if (!twi_end()) return;
  } while (--tries);
  filled = 0;
  failed = 1;
}

uint8_t memory_read(qj_offset at) {
  if ((qj_offset)(at - first) >= filled) {
    if (!failed) fetch(at); /* once is enough: the show ends, and a whole image's worth of waiting would not help */
    if (failed) return 0xFF;
  }
  return line[(uint8_t)(at - first)];
}

uint8_t memory_failed(void) { return failed; }

/* While a chip writes it does not answer: ask until it does. */
uint8_t memory_write(uint32_t at, const uint8_t *bytes) {
  uint8_t tries = 100;
  if (at & (BLOCK - 1u)) return 0;
  filled = 0;
  do {
    uint8_t i;
    open_at(at);
    for (i = 0; i < BLOCK; i++) twi_put(bytes[i]);
    if (!twi_end()) return 1;
    _delay_us(100);
  } while (--tries);
  return 0;
}
