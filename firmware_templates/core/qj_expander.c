/* Output expanders as the image tells of them (FORMAT.md, "Expanders"): pulses in their own tick. */
#include "qj_inside.h"

uint8_t qj_expanders(void) {
  const qj_offset at = qj_extra(QJ_EXTRA_EXPANDERS);
  return at == 0 ? (uint8_t)0 : qj_read((qj_offset)(at + 1));
}

qj_offset qj_expander(uint8_t expander) {
  return (qj_offset)(qj_extra(QJ_EXTRA_EXPANDERS) + 2 + (qj_offset)(expander << 3));
}

/* Nearest counts: scale is 2^20 counts a sixteenth of a microsecond; 0 until the oscillator is calibrated. */
uint16_t qj_expander_counts(uint8_t expander, uint16_t sixteenths) {
  const uint16_t scale = qj_u16((qj_offset)(qj_expander(expander) + 6));
  return (uint16_t)(((uint32_t)sixteenths * (uint32_t)scale + (uint32_t)0x80000) >> 20);
}
