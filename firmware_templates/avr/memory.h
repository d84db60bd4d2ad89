/* I2C memory (24LC512 class, 64 KB a chip at 0x50 and on): where a long show's streams go on. */
#ifndef QJ_AVR_MEMORY_H
#define QJ_AVR_MEMORY_H

#include "qj_core.h"

/* One byte of it. What could not be read is 0xFF, and memory_failed() says so. */
uint8_t memory_read(qj_offset at);
/* 1: a read has failed since the start. What was made of it must not be played. */
uint8_t memory_failed(void);
/* 16 bytes at a multiple of 16. Takes up to 10 ms: only while nothing moves. 0 when it did not take them. */
uint8_t memory_write(uint32_t at, const uint8_t *bytes);

#endif
