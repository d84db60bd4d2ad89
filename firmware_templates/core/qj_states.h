/* The state machine's table. Rendered from states.toml: change that file, not this one. */
#ifndef QJ_STATES_H
#define QJ_STATES_H

#define QJ_STATES 6
#define QJ_EVENTS 6

/* to settle from boot, settle, scene, hold */
#define QJ_SETTLES 0
/* to idle from settle, scene */
#define QJ_NOTHING_WAITS 1
/* to scene from settle, idle, scene */
#define QJ_CUE_BEGINS 2
/* to hold from settle, idle, scene */
#define QJ_HOLD_BEGINS 3
/* to boot from settle, idle, scene, hold */
#define QJ_RAIL_GONE 4
/* to fault from boot, settle, idle, scene, hold */
#define QJ_FAILED 5

/* By event, then by state: boot, settle, idle, scene, hold, fault. */
#define QJ_NEXT_STATES 1, 1, 2, 1, 1, 5, 0, 2, 2, 2, 4, 5, 0, 3, 3, 3, 4, 5, 0, 4, 4, 4, 4, 5, 0, 0, 0, 0, 0, 5, 5, 5, 5, 5, 5, 5

#endif
