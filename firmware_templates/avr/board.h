/* The board under the player: what each small file of this layer offers to main.c. */
#ifndef QJ_AVR_BOARD_H
#define QJ_AVR_BOARD_H

#include "chip.h"
#include "qj_player.h"

#include "qj_link.h"

#include <stdint.h>

#if !defined(IMAGE_BASE) || !defined(IMAGE_LIMIT)
#error "build_avr.py says where the image lies: pass -DIMAGE_BASE and -DIMAGE_LIMIT"
#endif

/* What an interrupt reads was written before this point, and what it wrote is read after it: the compiler must not
 * move plain variables over it. (Writing SREG back is no such point by itself.) */
#define IN_ORDER() __asm__ volatile("" ::: "memory")

/* boot.c: what outlives a reset ---------------------------------------------------------------- */

/* First of all: judges what is left of the run before. */
void boot_begin(void);
/* MCUSR's bits as far as the loader leaves them; a hang that the watchdog's interrupt ended is WDRF too.
 * Bit 7: only r2 told. 0 = not known. */
uint8_t boot_cause(void);
/* Hangs in a row, this boot's included. */
uint8_t boot_hangs(void);
/* Notes, with the end near, that the program hung. */
void boot_note_hang(void);
#define LAST_HANG 3u /* in a row: from here on the board stays dead */
/* This boot's number: starts of this board, counted in its EEPROM. */
uint16_t qj_boot_number(void);
/* The last pulses of the run before, 0 where none is known. Then what to remember, once a frame. */
const uint16_t *boot_pulses(void);
void boot_keep_pulses(const qj_player *p);

/* health.c: is the program still itself? -------------------------------------------------------- */

/* Every pin floats, no lamp shines. Pulses end with the list. */
void outputs_dead(void);
/* QJ_HUNG after too many hangs in a row. */
uint8_t health_at_boot(void);
/* Arms the watchdog: from now on health_frame() must be called every 0.12 s. */
void health_start(void);
/* Once a frame. Returns enum qj_fault. */
uint8_t health_frame(uint8_t idle);

/* pins.c: pins by number, as chip.h lists them. Each changes one bit with interrupts off for a few cycles. */
uint8_t pin_place(uint8_t pin);              /* where it is (chip.h), or NO_PLACE */
uint8_t pin_mask(uint8_t place);             /* 1 << bit */
uint8_t pin_is_ours(uint8_t pin);            /* has a place; the others are left alone by everything here */
void pin_output(uint8_t pin, uint8_t level); /* the level first, then the direction */
void pin_write(uint8_t pin, uint8_t level);
void pin_input(uint8_t pin, uint8_t pull_up);

/* bench.c: what works without an image ---------------------------------------------------------- */

/* The frame's width for servo 0: moves at most 8 us a frame, and ends when the host has gone silent. */
uint16_t bench_step(void);
/* Once in a turn of the main loop: counts the edges of a pin that the host asked about. */
void bench_watch(void);
/* A valid request came from the host, whatever it asked. */
void bench_heard(void);

/* pulses.c ------------------------------------------------------------------------------------ */

#define PULSE_SLOTS 6u
#define PULSE_EACH ((QJ_MAX_TRACKS + PULSE_SLOTS - 1u) / PULSE_SLOTS) /* servos a slot */
#define PULSE_SERVOS (PULSE_SLOTS * PULSE_EACH)

/* Starts Timer1 and its interrupt. The first frame plays an empty list. */
void pulses_start(void);
/* Makes `pin` the pin of servo `servo`: a low output from now on. 0 when it cannot be. */
uint8_t pulses_use_pin(uint8_t servo, uint8_t pin);
/* Makes `pin` input `input`, read six times a frame. */
void pulses_use_input(uint8_t input, uint8_t pin, uint8_t pull_up);
/* True when the last list given has begun to play: now is the time to work out the next one. */
uint8_t pulses_want_list(void);
/* The next frame's widths in 1/16 us, 0 = no pulse. Plays from the next frame's start. */
void pulses_give_list(const uint16_t *width, uint8_t servos);
/* From the next slot on every frame has so many cycles more than 320 000: -3200..3200. */
void pulses_trim(int16_t cycles);
/* When it is. */
void pulses_time(qj_time *now);
/* Frames that had to repeat the list before them because the next one was not ready. */
uint16_t pulses_late_frames(void);
/* Takes the oldest levels of the inputs (bit i: input i is high), of six a frame. 0 when none waits. */
uint8_t pulses_take_sample(uint8_t *levels);

/* clock.c ------------------------------------------------------------------------------------- */

/* After qj_open(): the image's own correction. */
void clock_start(const qj_player *p);
/* Once a frame: the next one's length. */
void clock_frame(void);

/* lamps.c ------------------------------------------------------------------------------------- */

/* Starts the lamps' timers, every lamp off, no pin driven yet. */
void lamps_start(void);
/* Drives a pin of a lamp timer, dark, lit when low if asked. 0 when the pin cannot dim. */
uint8_t lamps_use_pin(uint8_t pin, uint8_t lit_when_low);
/* Dark, and the pin is an ordinary low output again. */
void lamps_free_pin(uint8_t pin);
/* Whether a lamp uses the pin. */
uint8_t lamps_has_pin(uint8_t pin);
/* Sets a lamp pin's light, 0..4095. */
void lamps_set(uint8_t pin, uint16_t duty);

/* analog.c ------------------------------------------------------------------------------------ */

/* Starts the first conversion, when the show has analog inputs. */
void analog_start(const qj_player *p);
/* Hands a finished conversion to the player and starts the next one; never waits. */
void analog_poll(qj_player *p);

/* strings.c ----------------------------------------------------------------------------------- */

/* Every string's pin becomes a low output. */
void strings_start(const qj_player *p);
/* A frame has begun: the strings are to be written again. */
void strings_frame(void);
/* Writes a string when one waits and the time up to the next pulse edge lets it. */
void strings_poll(const qj_player *p);

/* sound.c ------------------------------------------------------------------------------------- */

/* The module's pin; after pulses_start(). */
void sound_start(const qj_player *p);
/* Once a frame, after qj_tick(). */
void sound_frame(const qj_player *p);
/* Sends the next byte when the one before is out. */
void sound_poll(void);
uint8_t sound_busy(void); /* a byte is going out */

/* uart.c -------------------------------------------------------------------------------------- */

/* 250 000 baud, both directions by interrupt. */
void uart_start(void);
/* Takes one received byte; 0 when none waits. */
uint8_t uart_get(uint8_t *byte);
/* Takes a byte out of the receiver when one is there: for those who keep interrupts off for longer. */
void uart_look(void);
/* How many bytes uart_put can take now. */
uint8_t uart_room(void);
/* Sends a byte; dropped when there is no room. */
void uart_put(uint8_t byte);

#endif
