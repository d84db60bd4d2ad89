/* Switches: events, and the longest time that each may stay on. */
#include "qj_inside.h"

/* Look at the event at `at`: its wait, or the stream's end. */
void qj_switch_stream(qj_switch *sw, qj_offset at) {
  qj_offset next = at;
  uint32_t value = 0;
  if (at != 0) {
    value = qj_varint(&next);
  }
  sw->at = 0;
  if (value != 0) {
    value = (value - (uint32_t)1) >> 1;
    sw->at = at;
    sw->wait = value > (uint32_t)0xFFFF ? (uint16_t)0xFFFF : (uint16_t)value;
  }
}

/* The state of this frame (it was `on` in the last one), and one frame on. max_on 0 = no limit. */
uint8_t qj_switch_frame(qj_switch *sw, uint8_t on, uint16_t max_on) {
  while (sw->at != 0 && sw->wait == 0) {
    qj_offset at = sw->at;
    const uint8_t told = (uint8_t)((uint8_t)~qj_varint(&at) & 1); /* v - 1 is odd when v is even */
    if (told != on) {
      sw->on_for = 0;
    }
    on = told;
    qj_switch_stream(sw, at);
  }
  if (sw->at != 0) {
    sw->wait = (uint16_t)(sw->wait - 1);
  }
  if (on != 0) {
    if (max_on != 0 && sw->on_for >= max_on) {
      on = 0;
    } else if (sw->on_for < (uint16_t)0xFFFF) {
      sw->on_for = (uint16_t)(sw->on_for + 1);
    }
  }
  return on;
}
