/* Test only: the core on an AVR, driven byte by byte, telling its outputs as bytes.
 *
 * 't' levels: six samples and one frame; answers state, switches, pulses, lamps, and per track P V A J.
 * 'p' levels frames: the same for that many frames, in one go, of the show's own tracks and lamps only.
 * 'c' scene: cue. 'h' / 'r': hold, resume. 'o': open. 'a' sensor counts (u16): what it reads from now on.
 * 's' a u16 a track: start from these pulses; answers 0.
 */
#include "qj_player.h"

#include <avr/io.h>

static qj_player p;
static uint16_t counts[QJ_MAX_SENSORS];

uint16_t qj_boot_number(void) { return 0; }

static uint8_t get(void) {
  while (!(UCSR0A & _BV(RXC0)));
  return UDR0;
}

static void put(uint8_t b) {
  while (!(UCSR0A & _BV(UDRE0)));
  UDR0 = b;
}

static uint16_t get16(void) {
  uint8_t low = get();
  return (uint16_t)(low | (uint16_t)(get() << 8));
}

static void put16(uint16_t v) {
  put((uint8_t)v);
  put((uint8_t)(v >> 8));
}

static void frame(uint8_t levels, uint8_t tracks, uint8_t lamps) {
  uint8_t i;
  for (i = 0; i < 6; i++) qj_sample(&p, levels);
  for (i = 0; i < p.sensors; i++) {
    uint8_t reading;
    for (reading = 0; reading < 64 && counts[i] <= 1023; reading++) qj_reading(&p, i, counts[i]);
  }
  qj_tick(&p);
  put(p.state);
  put(p.switches);
  for (i = 0; i < tracks; i++) put16(p.pulse[i]);
  for (i = 0; i < lamps; i++) put16(p.lamp[i]);
  for (i = 0; i < tracks; i++) {
    qj_motion m = {0, 0, 0, 0};
    if (i < p.tracks) qj_motion_now(&p, i, &m);
    put16((uint16_t)m.position), put16((uint16_t)((uint32_t)m.position >> 16));
    put16((uint16_t)m.velocity), put16((uint16_t)((uint32_t)m.velocity >> 16));
    put16((uint16_t)m.acceleration), put16((uint16_t)((uint32_t)m.acceleration >> 16));
    put16((uint16_t)m.jerk), put16((uint16_t)((uint32_t)m.jerk >> 16));
  }
}

int main(void) {
  UBRR0 = 0;
  UCSR0A = _BV(U2X0);
  UCSR0B = _BV(RXEN0) | _BV(TXEN0);
  for (;;) {
    switch (get()) {
      case 'o': {
        uint8_t i;
        for (i = 0; i < QJ_MAX_SENSORS; i++) counts[i] = 0xFFFF;
        put(qj_open(&p, QJ_ANY_BOARD));
        break;
      }
      case 'a': {
        uint8_t sensor = get();
        counts[sensor % QJ_MAX_SENSORS] = get16();
        put(0);
        break;
      }
      case 's': {
        uint16_t pulse[QJ_MAX_TRACKS];
        uint8_t i;
        for (i = 0; i < p.tracks; i++) pulse[i] = get16();
        qj_start_from(&p, pulse);
        put(0);
        break;
      }
      case 'c': put(qj_cue(&p, 1, get(), 1)); break;
      case 'h': put(qj_hold(&p)); break;
      case 'r': put(qj_resume(&p)); break;
      case 't': frame(get(), QJ_MAX_TRACKS, QJ_MAX_LAMPS); break;
      case 'p': {
        uint8_t levels = get(), count = get();
        for (; count > 0; count--) frame(levels, p.tracks, p.lamps);
        break;
      }
      default: break;
    }
  }
}
