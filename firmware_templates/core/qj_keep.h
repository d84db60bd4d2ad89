/* What outlives a power cut: run counters, in two slots of the board's memory that take turns. */
#ifndef QJ_KEEP_H
#define QJ_KEEP_H

#include "qj_player.h"

/* A slot: its number, boots, scenes begun (low, high), quarters of an hour, a CRC; 16 bits each, high byte first. */
enum { QJ_KEEP_NUMBER, QJ_KEEP_BOOTS, QJ_KEEP_PLAYS, QJ_KEEP_PLAYS_HIGH, QJ_KEEP_QUARTERS, QJ_KEEP_WORDS };
#define QJ_KEEP_LENGTH (2 * QJ_KEEP_WORDS + 2)
#define QJ_KEEP_SLOT 16  /* bytes from one slot to the other */
#define QJ_KEEP_HOSTS 32 /* from here on the memory is the host's */

typedef struct {
  uint16_t words[QJ_KEEP_WORDS];
  uint16_t plays;  /* the player's count that is in them */
  uint16_t frames; /* of the running quarter */
  uint8_t slot;    /* where the next record goes */
  uint8_t at;      /* its byte that is due; QJ_KEEP_LENGTH: nothing to write */
} qj_keep;

/* Reads the newest whole record, counts this boot. */
void qj_keep_open(qj_keep *k);
/* Once a frame: counts, and writes one byte at most, and none while something moves. */
void qj_keep_frame(qj_keep *k, const qj_player *p);

/* ---- supplied by the platform: memory that is kept without power, at least 1 KB ---------------- */

uint8_t qj_memory(uint16_t at);
/* Begins to write; returns at once: QJ_DONE, QJ_BUSY (another byte is being written) or QJ_BAD_ARGUMENT. */
uint8_t qj_memory_put(uint16_t at, uint8_t value);

#endif
