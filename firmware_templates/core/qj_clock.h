/* The show's clock: how much longer than 20 ms each frame is. */
#ifndef QJ_CLOCK_H
#define QJ_CLOCK_H

#include "qj_player.h"

typedef struct {
  int16_t trim; /* 1/320 000 of a frame that every frame is longer */
  int16_t slew; /* ... and what the next ones are to gain together */
} qj_clock;

/* From the image's extra 8, when there is one. */
void qj_clock_start(qj_clock *c, const qj_player *p);
/* What the host asks for, both with a sign. */
void qj_clock_set(qj_clock *c, uint16_t trim, uint16_t slew);
/* Once a frame: how much longer the next one is, -3200..3200. */
int16_t qj_clock_frame(qj_clock *c);

#endif
