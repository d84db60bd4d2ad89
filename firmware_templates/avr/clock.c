/* The frame's length on this chip (a cycle is 1/320 000 of a frame), and what time it is. */
#include "board.h"
#include "qj_clock.h"
#include "qj_link.h"

static qj_clock clock;

void clock_start(const qj_player *p) { qj_clock_start(&clock, p); }

void clock_frame(void) { pulses_trim(qj_clock_frame(&clock)); }

void qj_board_clock(uint16_t trim, uint16_t slew, qj_time *now) {
  qj_clock_set(&clock, trim, slew);
  pulses_time(now);
}
