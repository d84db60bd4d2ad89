/* PCA9685 output expanders: sixteen servos or sixteen lamps each. */
#ifndef QJ_AVR_EXPANDER_H
#define QJ_AVR_EXPANDER_H

#include "qj_player.h"

/* Sets up every expander of the image, all outputs off. One with servos that is not there is a fault. Without an
 * image every expander that hears it is reset. */
void expander_start(qj_player *p);
/* A frame has begun: its values follow, one a call of expander_step; in a fault, one attempt to turn each off. */
void expander_frame(void);
/* For the bench, beside the image's, which are off or are being turned off: another one. Returns what went wrong. */
uint8_t expander_bench(uint8_t at, uint8_t prescale);
/* ... and a pulse of one of its outputs, in its counts; 0 = none. */
void expander_bench_pulse(uint8_t output, uint16_t width);
/* One output, or nothing to do. At most 0.25 ms at 400 kHz. An expander that is lost is reported, or ends the show. */
void expander_step(qj_player *p);

#endif
