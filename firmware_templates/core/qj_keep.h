/* What outlives a power cut: run counters, in two slots of the board's memory that take turns. */
#ifndef QJ_KEEP_H
#define QJ_KEEP_H

#include "qj_player.h"

/* A slot: its number u8; boots u16, scenes begun u24, quarters of an hour u16, low bytes first; CRC-16, high byte first. */
enum { QJ_KEEP_NUMBER = 0, QJ_KEEP_BOOTS = 1, QJ_KEEP_PLAYS = 3, QJ_KEEP_QUARTERS = 6, QJ_KEEP_CRC = 8, QJ_KEEP_LENGTH = 10 };
#define QJ_KEEP_SLOT 16  /* bytes from one slot to the other */
#define QJ_KEEP_HOSTS 32 /* from here on the memory is the host's */

typedef struct {
  uint8_t bytes[QJ_KEEP_LENGTH];
  uint8_t slot;    /* where they go */
  uint8_t at;      /* which one is due; QJ_KEEP_LENGTH: nothing to write */
  uint16_t plays;  /* the player's count that is in them */
  uint16_t frames; /* of the running quarter */
} qj_keep;

/* Reads the newest whole record, counts this boot. */
void qj_keep_open(qj_keep *k);
/* Once a frame: counts, and writes one byte at most, and none while something moves. */
void qj_keep_frame(qj_keep *k, const qj_player *p);
/* Boots so far, this one included. */
uint16_t qj_keep_boots(const qj_keep *k);

/* ---- supplied by the platform: memory that is kept without power, at least 1 KB ---------------- */

uint8_t qj_memory(uint16_t at);
/* Begins to write; returns at once: QJ_DONE, QJ_BUSY (another byte is being written) or QJ_BAD_ARGUMENT. */
uint8_t qj_memory_put(uint16_t at, uint8_t value);

#endif
