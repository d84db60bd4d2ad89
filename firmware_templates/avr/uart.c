/* The link's serial line: 250 000 baud (exact at 16 MHz), both directions by interrupt.
 *
 * Both interrupts are short: pulses.c counts on 93 cycles for the longest. A receive ring that is full
 * drops what comes; the frame's CRC then fails and the host asks again.
 */
#include "board.h"
#include "qj_link.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#define RX_RING 40u /* several requests */
#define TX_RING 40u /* one byte more than the longest report, at least */

#if TX_RING <= QJ_LINK_LONGEST
#error "the transmit ring must hold the longest report: raise TX_RING"
#endif

static uint8_t rx[RX_RING], tx[TX_RING];
static volatile uint8_t rx_in, rx_out, tx_in, tx_out;

static inline __attribute__((always_inline)) void receive(void) {
  uint8_t byte = UDR0;
  uint8_t in = rx_in;
  uint8_t after = (uint8_t)(in + 1u);
  if (after == RX_RING) after = 0;
  if (after != rx_out) {
    rx[in] = byte;
    rx_in = after;
  }
}

ISR(CHIP_RX_vect) { receive(); }

void uart_look(void) {
  if (UCSR0A & _BV(RXC0)) receive();
}

ISR(CHIP_UDRE_vect) {
  uint8_t out = tx_out;
  if (out != tx_in) {
    UDR0 = tx[out];
    if (++out == TX_RING) out = 0;
    tx_out = out;
  }
  /* Also when it was empty from the start: uart_put may switch this on after the ring ran dry. */
  if (out == tx_in) UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

void uart_start(void) {
  UCSR0B = 0;
  UCSR0A = _BV(U2X0); /* before the divider: the emulator works out its speed when that is written */
  UBRR0 = 7;          /* 16 MHz / 8 / 8 */
  UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
  UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

uint8_t uart_get(uint8_t *byte) {
  uint8_t out = rx_out;
  if (out == rx_in) return 0;
  IN_ORDER();
  *byte = rx[out];
  IN_ORDER();
  if (++out == RX_RING) out = 0;
  rx_out = out;
  return 1;
}

QJ_ONCE uint8_t uart_room(void) {
  uint8_t used = (uint8_t)(tx_in + TX_RING - tx_out);
  if (used >= TX_RING) used = (uint8_t)(used - TX_RING);
  return (uint8_t)(TX_RING - 1u - used);
}

void uart_put(uint8_t byte) {
  uint8_t in = tx_in;
  uint8_t after = (uint8_t)(in + 1u);
  if (after == TX_RING) after = 0;
  if (after == tx_out) return;
  tx[in] = byte;
  IN_ORDER();
  tx_in = after;
  UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0) | _BV(UDRIE0);
}
