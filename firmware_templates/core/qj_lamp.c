/* Lamps: keyed steps, ramps and two flickers, and the dimming curve. */
#include "qj_inside.h"

uint16_t qj_curve(uint16_t lightness_q8) {
  const uint32_t q = lightness_q8 > (uint16_t)51200 ? (uint32_t)51200 : (uint32_t)lightness_q8;
  uint32_t x;
  uint32_t square;
  if (q <= (uint32_t)4096) {
    /* L = q / 512 per cent <= 8: Y = L / 903.3; 37137 / 2^22 = 4095 / (512 * 903.3) */
    return (uint16_t)((q * (uint32_t)37137 + (uint32_t)0x200000) >> 22);
  }
  /* (L + 16) / 116 = (q + 8192) / 59392; 59392^3 / 2^16 / 4095 = 780647 */
  x = q + (uint32_t)8192;
  square = (x * x + (uint32_t)0x8000) >> 16;
  return (uint16_t)((square * x + (uint32_t)390323) / (uint32_t)780647);
}

/* A number of frames: more than 65535 counts as 65535. */
static QJ_ONCE uint16_t short_varint(qj_offset *at) {
  const uint32_t value = qj_varint(at);
  return value > (uint32_t)0xFFFF ? (uint16_t)0xFFFF : (uint16_t)value;
}

static QJ_ONCE uint16_t q8(uint8_t lightness) {
  return (uint16_t)((uint16_t)(lightness > 200 ? 200 : lightness) << 8);
}

/* 0 .. below - 1 */
static QJ_ONCE uint8_t draw_below(qj_lamp *lamp, uint16_t below) {
  return (uint8_t)(((uint32_t)qj_random(&lamp->rng) * (uint32_t)below) >> 16);
}

static uint16_t level(const qj_lamp *lamp) {
  const uint8_t down = (uint8_t)(lamp->to < lamp->from);
  uint16_t part = down ? (uint16_t)(lamp->from - lamp->to) : (uint16_t)(lamp->to - lamp->from);
  if (lamp->run >= lamp->length) {
    return lamp->to;
  }
  part = (uint16_t)((uint32_t)part * (uint32_t)lamp->run / (uint32_t)lamp->length);
  return down ? (uint16_t)(lamp->from - part) : (uint16_t)(lamp->from + part);
}

/* Steady: no stream, no ramp, no flicker. */
static void steady(qj_lamp *lamp, uint16_t now) {
  lamp->at = 0;
  lamp->from = now;
  lamp->to = now;
  lamp->length = 0;
  lamp->run = 0;
  lamp->left = 0;
  lamp->dip = 0;
}

/* Steady at a whole lightness. */
void qj_lamp_clear(qj_lamp *lamp, uint8_t lightness) { steady(lamp, q8(lightness)); }

/* Look at the record at `at`: its wait, or the stream's end. */
void qj_lamp_stream(qj_lamp *lamp, qj_offset at) {
  lamp->at = 0;
  if (at != 0 && (uint8_t)(qj_read(at) - 1) < 3) {
    lamp->at = at;
    at = (qj_offset)(at + 1);
    lamp->wait = short_varint(&at);
  }
}

/* Perform the record that is due, and look at the next one. It ends whatever ran before. */
static void perform(qj_lamp *lamp) {
  qj_offset at = lamp->at;
  const uint8_t op = qj_read(at);
  uint8_t first;
  at = (qj_offset)(at + 1);
  (void)qj_varint(&at);
  first = qj_read(at);
  at = (qj_offset)(at + 1);
  steady(lamp, level(lamp));
  if (op == 3) {
    lamp->kind = first;
    lamp->depth = qj_read(at);
    if (lamp->depth > 200) {
      lamp->depth = 200;
    }
    lamp->rng = qj_u16((qj_offset)(at + 1));
    if (lamp->rng == 0) {
      lamp->rng = 1;
    }
    at = (qj_offset)(at + 3);
    lamp->left = short_varint(&at);
    lamp->hold = 0;
    /* a failing lamp begins at full light: as if a drop had just ended */
    lamp->dip = first == 2 ? q8(lamp->depth) : 0;
  } else {
    lamp->to = q8(first);
    if (op == 2) {
      lamp->length = short_varint(&at);
    }
  }
  qj_lamp_stream(lamp, at);
}

/* `dip` for the next frame. Every draw is one step of the generator. */
static void flicker(qj_lamp *lamp) {
  const uint8_t fails = (uint8_t)(lamp->kind == 2);
  if (lamp->hold == 0) {
    uint16_t longest = 4;
    uint8_t least = 2;
    if (!fails) {
      lamp->target = draw_below(lamp, (uint16_t)(lamp->depth + 1));
    } else if (lamp->dip == 0) {
      lamp->dip = q8(lamp->depth);
      longest = 6;
      least = 1;
    } else {
      lamp->dip = 0;
      longest = 32;
      least = 4;
    }
    lamp->hold = (uint8_t)(least + draw_below(lamp, longest));
  }
  lamp->hold = (uint8_t)(lamp->hold - 1);
  if (!fails) {
    const uint16_t target = q8(lamp->target);
    const uint16_t dip = lamp->dip;
    if (target >= dip) {
      lamp->dip = (uint16_t)(dip + (uint16_t)((uint16_t)(target - dip + 3) >> 2));
    } else {
      lamp->dip = (uint16_t)(dip - (uint16_t)((uint16_t)(dip - target + 3) >> 2));
    }
  }
}

/* The lightness of this frame, Q8, and one frame on. */
uint16_t qj_lamp_frame(qj_lamp *lamp) {
  uint16_t now;
  while (lamp->at != 0 && lamp->wait == 0) {
    perform(lamp);
  }
  if (lamp->at != 0) {
    lamp->wait = (uint16_t)(lamp->wait - 1);
  }
  now = level(lamp);
  if (lamp->run < lamp->length) {
    lamp->run = (uint16_t)(lamp->run + 1);
  }
  if (lamp->left != 0) {
    lamp->left = (uint16_t)(lamp->left - 1);
    flicker(lamp);
    now = lamp->dip < now ? (uint16_t)(now - lamp->dip) : 0;
  }
  return now;
}
