/* The board under the player: what each small file of this layer offers to main.c. */
#ifndef QJ_AVR_BOARD_H
#define QJ_AVR_BOARD_H

#include "chip.h"

#include <stdint.h>

#if !defined(IMAGE_BASE) || !defined(IMAGE_LIMIT)
#error "build_avr.py says where the image lies: pass -DIMAGE_BASE and -DIMAGE_LIMIT"
#endif

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
/* A valid request came from the host, whatever it asked. */
void bench_heard(void);

/* pulses.c ------------------------------------------------------------------------------------ */

#define PULSE_SLOTS 6u
#define PULSE_SERVOS (2u * PULSE_SLOTS)

/* Starts Timer1 and its interrupt. The first frame plays an empty list. */
void pulses_start(void);
/* Makes `pin` the pin of servo `servo`: a low output from now on. 0 when it cannot be. */
uint8_t pulses_use_pin(uint8_t servo, uint8_t pin);
/* True when the last list given has begun to play: now is the time to work out the next one. */
uint8_t pulses_want_list(void);
/* The next frame's widths in 1/16 us, 0 = no pulse. Plays from the next frame's start. */
void pulses_give_list(const uint16_t *width, uint8_t servos);
/* Frames that had to repeat the list before them because the next one was not ready. */
uint16_t pulses_late_frames(void);
/* Takes the oldest reading of the ports, by chip.h's numbers (six a frame). 0 when none waits. */
uint8_t pulses_take_sample(uint8_t ports[CHIP_PORTS]);

/* lamps.c ------------------------------------------------------------------------------------- */

/* Starts Timer0 and Timer2 in step, every lamp off, no pin driven yet. */
void lamps_start(void);
/* Drives a pin of a lamp timer, dark, lit when low if asked. 0 when the pin cannot dim. */
uint8_t lamps_use_pin(uint8_t pin, uint8_t lit_when_low);
/* Dark, and the pin is an ordinary low output again. */
void lamps_free_pin(uint8_t pin);
/* Whether a lamp uses the pin. */
uint8_t lamps_has_pin(uint8_t pin);
/* Sets a lamp pin's light, 0..4095. */
void lamps_set(uint8_t pin, uint16_t duty);

/* uart.c -------------------------------------------------------------------------------------- */

/* 250 000 baud, both directions by interrupt. */
void uart_start(void);
/* Takes one received byte; 0 when none waits. */
uint8_t uart_get(uint8_t *byte);
/* How many bytes uart_put can take now. */
uint8_t uart_room(void);
/* Sends a byte; dropped when there is no room. */
void uart_put(uint8_t byte);

#endif
