/* The link's messages as numbers. Rendered from sequencer/board/messages.toml: change that file, not this one. */
#ifndef QJ_MESSAGES_H
#define QJ_MESSAGES_H

#define QJ_PROTOCOL 3
#define QJ_BAUD 250000UL

/* Who are you, and what do you carry? */
#define QJ_MSG_ASK_HELLO 0x01
#define QJ_MSG_ASK_HELLO_LENGTH 0

/* Play a scene at the next common knot (254: live control). `cue` is the host's own number, echoed in reports. repeats 0 = until another cue. */
#define QJ_MSG_CUE 0x02
#define QJ_MSG_CUE_LENGTH 6 /* cue u16, scene u8, repeats u8, boot u16 */

/* Bring everything to a stop by the stored stop and stay there. */
#define QJ_MSG_HOLD 0x03
#define QJ_MSG_HOLD_LENGTH 0

/* After hold: go to rest by the rest-to-rest profile, then idle. */
#define QJ_MSG_RESUME 0x04
#define QJ_MSG_RESUME_LENGTH 0

/* As hold, then every track goes to its parked pose and loses its pulses. Shutting down ends here. */
#define QJ_MSG_PARK 0x0A
#define QJ_MSG_PARK_LENGTH 0

/* Take the pulses of balanced tracks that rest, for silence; in idle or hold. They come back before anything moves. Refused: none rests, or none is balanced. */
#define QJ_MSG_RELEASE 0x0B
#define QJ_MSG_RELEASE_LENGTH 0

/* What are you doing? */
#define QJ_MSG_ASK_STATUS 0x05
#define QJ_MSG_ASK_STATUS_LENGTH 0

/* Bench only (after `workshop`, or with no image on the board): pulse on a pin; pulse_us 0 stops it. The board goes there by at most 8 us a frame. */
#define QJ_MSG_BENCH_SERVO 0x06
#define QJ_MSG_BENCH_SERVO_LENGTH 3 /* pin u8, pulse_us u16 */

/* Bench only: light a lamp pin; lightness 0..200. */
#define QJ_MSG_BENCH_LAMP 0x07
#define QJ_MSG_BENCH_LAMP_LENGTH 2 /* pin u8, lightness u8 */

/* While scene 254 plays: the points of `track` from number `at` on (counted from the start of live control), ending in three equal ones; none: still here. */
#define QJ_MSG_LIVE 0x08
#define QJ_MSG_LIVE_LENGTH 3 /* track u8, at u16, points i16s */

/* How are you? */
#define QJ_MSG_ASK_TELEMETRY 0x09
#define QJ_MSG_ASK_TELEMETRY_LENGTH 0

/* What time is it? And from now on frames are longer by `trim` 1/320000 of a frame, the next ones by `slew` together (both with a sign; asked again, they are set again). */
#define QJ_MSG_HOST_TIME 0x0C
#define QJ_MSG_HOST_TIME_LENGTH 4 /* trim u16, slew u16 */

/* What does analog input `sensor` see, and what was its peak in the last whole slice of a scene? */
#define QJ_MSG_ASK_GUARD 0x0D
#define QJ_MSG_ASK_GUARD_LENGTH 1 /* sensor u8 */

/* learning 1: the stall guard's learned limits are not applied, only its ceilings, until 0 or a reset. */
#define QJ_MSG_SET_GUARD 0x0E
#define QJ_MSG_SET_GUARD_LENGTH 1 /* learning u8 */

/* 16 bytes (a..d, as they follow) for the I2C memory at `at`, a multiple of 16. Only in fault 3: the outside part of the show is not there yet. */
#define QJ_MSG_BLOCK 0x12
#define QJ_MSG_BLOCK_LENGTH 20 /* at u32, a u32, b u32, c u32, d u32 */

/* Lay the figure down for the bench, until a reset: every pulse, lamp and switch ends. Only in boot and in hold once the stop is over; busy until then. */
#define QJ_MSG_WORKSHOP 0x0F
#define QJ_MSG_WORKSHOP_LENGTH 0

/* What is in the memory that needs no power, from byte `at` on? */
#define QJ_MSG_ASK_MEMORY 0x10
#define QJ_MSG_ASK_MEMORY_LENGTH 2 /* at u16 */

/* Write one byte of it, from 32 on (below are the board's counters). Only in hold and on the bench; busy while the byte before is being written. */
#define QJ_MSG_KEEP_MEMORY 0x11
#define QJ_MSG_KEEP_MEMORY_LENGTH 3 /* at u16, value u8 */

/* Bench only: how often has this pin, an input from the first time on, risen since then? */
#define QJ_MSG_ASK_EDGES 0x13
#define QJ_MSG_ASK_EDGES_LENGTH 1 /* pin u8 */

/* Bench only: pins 128 to 143 of bench_servo are the outputs of this PCA9685 from now on; scale: counts in 1/16 us, times 2^20. */
#define QJ_MSG_BENCH_EXPANDER 0x14
#define QJ_MSG_BENCH_EXPANDER_LENGTH 4 /* address u8, prescale u8, scale u16 */

/* Sent after reset and when asked. */
#define QJ_MSG_HELLO 0x81
#define QJ_MSG_HELLO_LENGTH 33 /* protocol u8, player_version u16, board u8, reset_cause u8, state u8, fault u8, image_crc u32, player_crc u32, boot u16, figure char16 */

/* The request with this frame's seq was handled; result is a qj_result. */
#define QJ_MSG_ACK 0x82
#define QJ_MSG_ACK_LENGTH 1 /* result u8 */

/* Scene 255 = none. frame counts from the scene's start; cue is the last cue accepted; late counts frames not ready in time; parked: 1 once a park has ended: nothing has pulses. */
#define QJ_MSG_STATUS 0x83
#define QJ_MSG_STATUS_LENGTH 17 /* state u8, fault u8, scene u8, frame u32, frames u32, cue u16, repeats_left u8, late_frames u16, parked u8 */

/* Told unasked, seq 0. what: 1 scene started, 2 scene ended, 3 scene stopped by hold, 4 trigger accepted, 5 stall guard tripped (input: the sensor, cue: the frame in the scene), 6 servo supply lost, 7 servo supply back (input: the one that senses it), 8 expander lost (input: its number), 9 the duty limit is reached (cue: seconds of rest). cue 0 = from an input. */
#define QJ_MSG_HAPPENED 0x84
#define QJ_MSG_HAPPENED_LENGTH 5 /* what u8, cue u16, scene u8, input u8 */

/* clock: frames since the boot; supply 65535: not measured; worst_latency: cycles, of the pulse interrupt's lead; damaged: frames that arrived broken. */
#define QJ_MSG_TELEMETRY 0x85
#define QJ_MSG_TELEMETRY_LENGTH 17 /* state u8, fault u8, scene u8, clock u32, supply_mv u16, supply_ma u16, late_frames u16, worst_latency u16, damaged u16 */

/* Sixteen bytes of it, the first one lowest. */
#define QJ_MSG_MEMORY 0x86
#define QJ_MSG_MEMORY_LENGTH 18 /* at u16, bytes_0 u32, bytes_4 u32, bytes_8 u32, bytes_12 u32 */

/* Peak: in the sensor's units (image, extra 3), of that slice of that scene (255 none); now: mA or mV, 65535 not known. */
#define QJ_MSG_GUARD 0x87
#define QJ_MSG_GUARD_LENGTH 8 /* sensor u8, sensors u8, learning u8, scene u8, slice u8, peak u8, now u16 */

/* Rising edges, modulo 65536. */
#define QJ_MSG_EDGES 0x89
#define QJ_MSG_EDGES_LENGTH 2 /* edges u16 */

/* When: frames since the boot modulo 65536, which sixth of the running frame, 1/320000 of a frame into that (near 65535: so much before it). */
#define QJ_MSG_CLOCK 0x8A
#define QJ_MSG_CLOCK_LENGTH 5 /* frame u16, slot u8, into u16 */

/* By type, the length of a request's body; 0x80 + that of its beginning when numbers follow; 0xFF: no such request. */
#define QJ_REQUEST_LENGTHS 0xFF, 0, 6, 0, 0, 0, 3, 2, 131, 0, 0, 0, 4, 1, 1, 0, 2, 3, 20, 1, 4
#define QJ_REQUESTS 21

/* Longest bodies in either direction. */
#define QJ_LONGEST_TO_BOARD 25
#define QJ_LONGEST_TO_HOST 33

#endif
