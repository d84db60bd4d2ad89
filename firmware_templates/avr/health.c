/* Is the program still itself? The watchdog, the canary, and the image read again and again.
 *
 * The watchdog is fed once a frame, from the main loop, and a frame begins there only when the pulse interrupt
 * has taken the last list: it bites when either stands still. It is armed for both its ways:
 *
 *   first, its interrupt: every output dead at once, a note in the memory that outlives it, and a start from
 *     address 0, as the boot loader would do. No loader takes part, so this is the same on every board; the
 *     Nano's old loader, which after a watchdog's reset is reset again and again, never notices.
 *   then, when interrupts are off and stay off, its reset, 0.12 s later. Where a loader cannot live with that
 *     the outputs float until the power is cut.
 *
 * After LAST_HANG hangs in a row, without any other reset between, the board stays dead and says QJ_HUNG.
 */
#include "board.h"
#include "qj_player.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#define SLICE 64u       /* bytes of the image a frame: 3200 a second, for 3 % of the processor */
#define CANARY 8u       /* bytes; a frame of the stack seldom has a larger hole */
#define SONG 0xC5u

extern uint8_t __heap_start[]; /* the linker's: the first byte behind all variables */

static qj_image_walk walk;

/* Every pin floats or is about to, no timer drives one. Timer1 goes on: it is the frames' clock. */
void outputs_dead(void) {
  CHIP_PINS_FLOAT();
  CHIP_LAMPS_DEAD();
}

ISR(WDT_vect, ISR_NAKED) {
  __asm__ volatile("clr __zero_reg__");
  SP = RAMEND; /* what stood there is given up */
  outputs_dead();
  boot_note_hang();
  __asm__ volatile("jmp 0");
}

void health_start(void) {
  uint8_t i;
  for (i = 0; i < CANARY; i++) __heap_start[i] = SONG;
  wdt_reset();
  WDTCSR = _BV(WDCE) | _BV(WDE);
  WDTCSR = _BV(WDIE) | _BV(WDE) | WDTO_120MS;
}

uint8_t health_at_boot(void) { return boot_hangs() >= LAST_HANG ? QJ_HUNG : QJ_OK; }

uint8_t health_frame(uint8_t idle) {
  uint8_t i;
  wdt_reset();
  for (i = 0; i < CANARY; i++) {
    if (__heap_start[i] != SONG) return QJ_RAM;
  }
  return idle && !qj_walk_image(&walk, SLICE) ? QJ_LOST_IMAGE : QJ_OK;
}
