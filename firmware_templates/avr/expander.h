/* PCA9685 output expanders: sixteen servos or sixteen lamps each. */
#ifndef QJ_AVR_EXPANDER_H
#define QJ_AVR_EXPANDER_H

#include "qj_player.h"

/* Sets up every expander of the image, all outputs off. One with servos that is not there is a fault. */
void expander_start(qj_player *p);
/* The player has worked out a new frame: its values follow, one a call of expander_step. */
void expander_frame(void);
/* For the bench, when the image's are off: this one is the first. Returns what went wrong. */
uint8_t expander_bench(uint8_t at, uint8_t prescale);
/* ... and a pulse of one of its outputs, in its counts; 0 = none. */
void expander_bench_pulse(uint8_t output, uint16_t width);
/* One output, or nothing to do. At most 0.25 ms at 400 kHz. An expander that is lost is reported, or ends the show. */
void expander_step(qj_player *p);

#endif
