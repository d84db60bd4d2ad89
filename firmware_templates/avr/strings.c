/* Strings of addressable lamps (one wire, 24 bits a lamp), written only where no pulse has an edge.
 *
 * A string is written as a whole with interrupts off, and only when it ends well before the pulse interrupt is due:
 * between two edges, after a slot's last one, or in a slot without a servo. When it does not fit now it is tried again
 * at the next turn of the main loop. A slot of n servos has n + 1 such parts, so the longest of them has at least
 * (slot - n QUIET) / (n + 1) cycles, whatever the widths: 40 lamps beside one servo, 30 beside two, 21 beside three, 16
 * beside four (Python refuses more).
 * Between two lamps the receiver is looked at: a byte takes 640 cycles, a lamp
 * LED_CYCLES at most, so none is lost; uart.c's ring holds what comes meanwhile (MOST_LEDS). The lamps' dither
 * waits, which moves a lamp's light by less than a part in 4096 (6 of 156 periods one step off at most).
 *
 * One bit, in cycles of 62.5 ns from the edge up (datasheets of WS2812, WS2812B and SK6812: high 200..450 ns for 0,
 * 650..750 for 1; low 700..950 for 0, 450..600 for 1):
 *
 *     0: high  5 (312 ns), low 15 (938 ns)       1: high 11 (688 ns), low 8 (500 ns)
 */
#include "board.h"

#include "qj_player.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#define LED_CYCLES 520u /* 24 bits of at most 20, the receiver, and the loop; measured 503 */
#define SPARE 250u      /* to the pulse interrupt: this function's own beginning and end */
#define MOST_LEDS 40u   /* 35 bytes of the receive ring's 39 */

static uint8_t due; /* strings still to be written, the last one first */

static inline __attribute__((always_inline)) void send(volatile uint8_t *port, uint8_t high, uint8_t low, uint8_t one,
                                                       uint8_t two, uint8_t three) {
  uint8_t bits = 24;
  __asm__ volatile(
      "1: st %a[port], %[high]\n\t"
      "rjmp .+0\n\t"
      "sbrs %[one], 7\n\t"
      "st %a[port], %[low]\n\t" /* a 0 ends here */
      "lsl %[three]\n\t"
      "rol %[two]\n\t"
      "rol %[one]\n\t"
      "rjmp .+0\n\t"
      "st %a[port], %[low]\n\t" /* ... and a 1 here */
      "rjmp .+0\n\t"
      "nop\n\t"
      "dec %[bits]\n\t"
      "brne 1b\n\t"
      : [one] "+r"(one), [two] "+r"(two), [three] "+r"(three), [bits] "+r"(bits)
      : [port] "e"(port), [high] "r"(high), [low] "r"(low)
      : "memory");
}

void strings_start(const qj_player *p) {
  uint8_t light[3], pin, i;
  for (i = qj_strings(); i-- != 0;) {
    (void)qj_string_light(p, i, light, &pin);
    pin_output(pin, 0);
  }
}

void strings_frame(void) {
  if (due == 0) due = qj_strings();
}

void strings_poll(const qj_player *p) {
  uint8_t light[3], leds, pin, place, high, low, mask;
  uint16_t needed;
  volatile uint8_t *port;
  if (due == 0 || sound_busy()) return; /* a serial bit is shorter than a string: its byte goes out first */
  leds = qj_string_light(p, (uint8_t)(due - 1u), light, &pin);
  place = pin_place(pin);
  if (place == NO_PLACE || leds > MOST_LEDS) {
    due--;
    return;
  }
  port = CHIP_PORT(place);
  mask = pin_mask(place);
  needed = (uint16_t)(leds * LED_CYCLES + SPARE);
  __asm__ volatile("" : "+r"(port), "+r"(mask), "+r"(needed)); /* worked out here, not behind the cli */
  cli();
  if ((uint16_t)(OCR1A - TCNT1) >= needed && !(TIFR1 & _BV(OCF1A))) {
    high = *port | mask;
    low = (uint8_t)(high ^ mask);
    do {
      send(port, high, low, light[0], light[1], light[2]);
      uart_look();
    } while (--leds);
    due--;
  }
  sei();
}
