/* Rendered from states.toml by firmware_templates/build.py: change that, not this. */
#ifndef QJ_STATES_H
#define QJ_STATES_H

#include "qj_core.h"

enum qj_event {
  QJ_ON_READY = 0, /* boot's dead frames are over, the servo supply is there, no stop input is active */
  QJ_ON_STILL = 1, /* every track has pulses and stands */
  QJ_ON_NEXT = 2, /* a cue or trigger waits, nothing fades, and every track has pulses */
  QJ_ON_OVER = 3, /* what played or settled is over, nothing waits */
  QJ_ON_AGAIN = 4, /* a scene has turns left */
  QJ_ON_HOLD = 5, /* a hold or park was asked for, or a stop input is active, and nothing fades */
  QJ_ON_SILENT = 6, /* live control has come to a stop, and the host is silent or another cue waits */
  QJ_ON_STOPPED = 7, /* everything stands, and some track is to park */
  QJ_ON_PARKED = 8, /* the tracks that were to park have arrived */
  QJ_ON_RESUME = 9, /* it was asked for, and neither a stop input nor a missing servo supply forbids it */
  QJ_ON_QUIET = 10, /* an idle that lasts longer than release_after_s, or a release that was asked for */
  QJ_ON_RAIL_LOST = 11, /* the rail input tells that the servo supply has gone */
  QJ_ON_RAIL_BACK = 12, /* it is there again */
  QJ_ON_FAIL = 13, /* no image that can be played, or a check that failed while running */
};

enum qj_action {
  QJ_DO_NONE = 0, /* nothing */
  QJ_DO_SETTLE = 1, /* begins the rest-to-rest profile from where every track stands */
  QJ_DO_BEGIN = 2, /* tells how the scene before ended, and begins the one that waits */
  QJ_DO_IDLE = 3, /* tells how the scene before ended, and enters an idle loop (or rest) */
  QJ_DO_REPEAT = 4, /* begins the scene's next turn */
  QJ_DO_STOP = 5, /* tells what played or waited as stopped, and begins the stored stop */
  QJ_DO_PARK = 6, /* begins the profile to the parked pose, for the tracks that park; the others stand */
  QJ_DO_DROP = 7, /* takes the pulses of the tracks that have parked */
  QJ_DO_RELEASE = 8, /* takes the pulses of balanced tracks that rest */
  QJ_DO_CUT = 9, /* tells what played or waited as stopped, takes every pulse at once, and takes the parked pose as given; a hold that was asked for stays asked for */
  QJ_DO_WAIT = 10, /* counts boot's dead frames again */
  QJ_DO_DEAD = 11, /* makes every output dead */
};

/* Two bytes a row: state and event, next state and action; the first in the upper half. */
#define QJ_TRANSITIONS 31
extern const uint8_t qj_transitions[2 * QJ_TRANSITIONS];

#endif
