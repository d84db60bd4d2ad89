/* Test only: the shipped interrupts, and a main that does nothing but keep both of them busy.
 *
 * Twelve pulses of fixed widths, four lamps, and every received byte sent back: so the line can be full in both
 * directions, which the player itself, busy with its frames, does not reach.
 */
#include "board.h"

#include <avr/interrupt.h>

int main(void) {
  static const uint8_t pins[] = {2, 4, 7, 8, 9, 10, 14, 15, 16, 17, 18, 12};
  /* by slot: far apart, equal, one cycle apart, within the guard, the shortest and the longest */
  static const uint16_t widths[] = {24000, 24016, 17001, 8000, 40003, 24100, 31007, 24016, 17000, 39999, 40000, 23002};
  static const uint8_t lamps[] = {3, 5, 6, 11};
  uint8_t i;
  lamps_start();
  for (i = 0; i < sizeof pins; i++) pulses_use_pin(i, pins[i]);
  for (i = 0; i < sizeof lamps; i++) {
    lamps_use_pin(lamps[i], 0);
    lamps_set(lamps[i], (uint16_t)(500u + 777u * i));
  }
  uart_start();
  pulses_start();
  sei();
  for (;;) {
    uint8_t byte;
    if (uart_room() && uart_get(&byte)) uart_put(byte);
    if (pulses_want_list()) pulses_give_list(widths, sizeof pins);
  }
}
