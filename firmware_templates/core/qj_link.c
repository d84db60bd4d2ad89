/* The link: frames in, requests performed once, answers and news out. */
#include "qj_link.h"

#include "qj_inside.h"
#include "qj_keep.h"

/* A frame in the making, coded as it grows. Only the last few bytes of the longest one cannot be foreseen:
 * the CRC, and each zero costs nothing that the block before it has not paid. */
typedef struct {
  uint8_t bytes[QJ_LINK_LONGEST];
  uint8_t at;   /* next byte */
  uint8_t code; /* where the running block's length goes */
  uint16_t crc;
} frame;

static QJ_ONCE void code8(frame *f, uint8_t value) {
  if (value == 0) {
    f->bytes[f->code] = (uint8_t)(f->at - f->code);
    f->code = f->at;
  } else {
    f->bytes[f->at] = value;
  }
  f->at = (uint8_t)(f->at + 1);
}

static QJ_ONCE void add8(frame *f, uint8_t value) {
  f->crc = qj_crc16(f->crc, value);
  code8(f, value);
}

static QJ_ONCE void add16(frame *f, uint16_t value) {
  add8(f, (uint8_t)(value & 0xFF));
  add8(f, (uint8_t)(value >> 8));
}

static void add32(frame *f, uint32_t value) {
  add16(f, (uint16_t)(value & (uint32_t)0xFFFF));
  add16(f, (uint16_t)(value >> 16));
}

static QJ_ONCE void start(frame *f, uint8_t seq, uint8_t type) {
  f->code = 0;
  f->at = 1;
  f->crc = 0xFFFF;
  add8(f, seq);
  add8(f, type);
}

static QJ_ONCE void send(frame *f) {
  const uint16_t crc = f->crc;
  uint8_t i;
  add16(f, crc);
  f->bytes[f->code] = (uint8_t)(f->at - f->code);
  for (i = 0; i < f->at; i++) {
    qj_put(f->bytes[i]);
  }
  qj_put(0);
}

static void send_hello(const qj_link *l, const qj_player *p, uint8_t seq) {
  const uint8_t known = (uint8_t)(p->fault == QJ_OK);
  const qj_offset names = known ? qj_at(QJ_AT_NAMES) : 0;
  const uint8_t length = known ? qj_read(names) : 0;
  frame f;
  uint8_t i;
  start(&f, seq, QJ_MSG_HELLO);
  add8(&f, QJ_PROTOCOL);
  add16(&f, QJ_PLAYER_VERSION);
  add8(&f, qj_board_id());
  add8(&f, l->reset_cause);
  add8(&f, p->state);
  add8(&f, p->fault);
  add32(&f, p->fault == QJ_NO_IMAGE ? (uint32_t)0 : qj_u32(QJ_AT_CRC));
  add32(&f, qj_player_crc());
  add16(&f, qj_boot_number());
  for (i = 0; i < 16; i++) {
    add8(&f, i < length ? qj_read((qj_offset)(names + (qj_offset)(i + 1))) : 0);
  }
  send(&f);
}

/* The last cue that the host asked for and got. */
static QJ_ONCE uint16_t accepted(const qj_player *p) { return p->next_scene != QJ_NONE ? p->next_cue : p->cue; }

/* What the status and the telemetry begin with. */
static void add_doing(frame *f, const qj_player *p) {
  add8(f, p->state);
  add8(f, p->fault);
  add8(f, qj_scene_now(p));
}

static QJ_ONCE void send_status(const qj_player *p, uint8_t seq) {
  const qj_layer *const layer = qj_playing(p);
  frame f;
  start(&f, seq, QJ_MSG_STATUS);
  add_doing(&f, p);
  add32(&f, p->mode == QJ_LIVE_POINTS ? p->clock - p->live_from : (uint32_t)layer->frame);
  add32(&f, (uint32_t)layer->frames);
  add16(&f, accepted(p));
  add8(&f, p->repeats);
  add16(&f, p->late_frames);
  add8(&f, p->wants >> 4);
  send(&f);
}

static QJ_ONCE void send_telemetry(const qj_link *l, const qj_player *p, uint8_t seq) {
  frame f;
  start(&f, seq, QJ_MSG_TELEMETRY);
  add_doing(&f, p);
  add32(&f, p->clock);
  add16(&f, qj_supply(p, QJ_SUPPLY_MV));
  add16(&f, qj_supply(p, QJ_SUPPLY_MA));
  add16(&f, p->late_frames);
  add16(&f, qj_worst_latency());
  add16(&f, l->damaged);
  send(&f);
}

static QJ_ONCE void send_memory(uint8_t seq, uint16_t at) {
  frame f;
  uint8_t i;
  start(&f, seq, QJ_MSG_MEMORY);
  add16(&f, at);
  for (i = 0; i < 16; i++) {
    add8(&f, qj_memory((uint16_t)(at + (uint16_t)i)));
  }
  send(&f);
}

static QJ_ONCE void send_guard(const qj_player *p, uint8_t seq, uint8_t sensor) {
  frame f;
  if (sensor >= p->sensors) {
    sensor = QJ_NONE;
  }
  start(&f, seq, QJ_MSG_GUARD);
  add8(&f, sensor);
  add8(&f, p->sensors);
  add8(&f, p->learning);
  add8(&f, p->was_watched);
  add8(&f, p->was_slice);
  add8(&f, sensor == QJ_NONE ? (uint8_t)0 : p->sensor[sensor].ended);
  add16(&f, sensor == QJ_NONE ? (uint16_t)0xFFFF : qj_measured(p, sensor));
  send(&f);
}

static void send_ack(uint8_t seq, uint8_t result) {
  frame f;
  start(&f, seq, QJ_MSG_ACK);
  add8(&f, result);
  send(&f);
}

static QJ_ONCE void send_clock(uint8_t seq, uint16_t trim, uint16_t slew) {
  qj_time now;
  frame f;
  qj_board_clock(trim, slew, &now);
  start(&f, seq, QJ_MSG_CLOCK);
  add16(&f, now.frame);
  add8(&f, now.slot);
  add16(&f, now.into);
  send(&f);
}

static QJ_ONCE void send_edges(const qj_player *p, uint8_t seq, uint8_t pin) {
  frame f;
  start(&f, seq, QJ_MSG_EDGES);
  add16(&f, qj_on_bench(p) ? qj_board_edges(pin) : (uint16_t)0);
  send(&f);
}

static QJ_ONCE void send_news(qj_player *p) {
  const qj_happening *const h = &p->happened[0];
  frame f;
  uint8_t i;
  start(&f, 0, QJ_MSG_HAPPENED);
  add8(&f, h->what);
  add16(&f, h->cue);
  add8(&f, h->scene);
  add8(&f, h->input);
  send(&f);
  p->happenings = (uint8_t)(p->happenings - 1);
  for (i = 0; i < p->happenings; i++) {
    p->happened[i] = p->happened[i + 1];
  }
}

/* A request that changes something; its length is right. `points`: numbers behind its body. */
static QJ_ONCE uint8_t perform(qj_player *p, uint8_t type, const uint8_t *body, uint8_t points) {
  const uint16_t first = qj_get16(body); /* there is always a CRC behind a short body */
  switch (type) {
    case QJ_MSG_CUE:
      if (qj_get16(body + 4) != qj_boot_number()) {
        return QJ_OTHER_BOOT;
      }
      /* An inputs' cue has the number 0. A copy so late that a hello was copied before it is known by its own number. */
      return first != 0 && first == accepted(p) ? (uint8_t)QJ_DONE : qj_cue(p, first, body[2], body[3]);
    case QJ_MSG_HOLD:
      return qj_hold(p);
    case QJ_MSG_RESUME:
      return qj_resume(p);
    case QJ_MSG_PARK:
      return qj_park(p);
    case QJ_MSG_RELEASE:
      return qj_release(p);
    case QJ_MSG_LIVE:
      return qj_live(p, body[0], qj_get16(body + 1), body + 3, points);
    case QJ_MSG_WORKSHOP: {
      const uint8_t result = qj_workshop(p);
      if (result == QJ_DONE) {
        qj_board_bench_open();
      }
      return result;
    }
    case QJ_MSG_SET_GUARD:
      p->learning = body[0];
      return QJ_DONE;
    case QJ_MSG_KEEP_MEMORY:
      if (first < QJ_KEEP_HOSTS) {
        return QJ_BAD_ARGUMENT;
      }
      return p->state == QJ_HOLD || qj_on_bench(p) ? qj_memory_put(first, body[2]) : QJ_REFUSED;
    case QJ_MSG_BENCH_EXPANDER:
      return qj_on_bench(p) ? qj_board_bench_expander(body[0], body[1], qj_get16(body + 2)) : QJ_REFUSED;
    case QJ_MSG_BENCH_SERVO:
      return qj_on_bench(p) ? qj_board_bench_servo(body[0], qj_get16(body + 1)) : QJ_REFUSED;
    case QJ_MSG_BENCH_LAMP:
      return qj_on_bench(p) ? qj_board_bench_lamp(body[0], body[1]) : QJ_REFUSED;
    case QJ_MSG_BLOCK:
      /* Only where nothing plays: a show whose outside part is not there, or not yet. */
      return p->fault == QJ_BAD_CRC
                 ? qj_board_store((uint32_t)first | (uint32_t)qj_get16(body + 2) << 16, body + 4)
                 : QJ_REFUSED;
    default:
      return QJ_UNKNOWN;
  }
}

/* Whether a body of `length` bytes is one of such a request; then how many numbers follow its beginning. */
static QJ_ONCE uint8_t fits(uint8_t type, uint8_t length, uint8_t *points) {
  static const uint8_t lengths[QJ_REQUESTS] QJ_FLASH = {QJ_REQUEST_LENGTHS};
  uint8_t due = QJ_FLASH_BYTE(&lengths[type]);
  *points = 0;
  if (due >= 0x80 && (uint8_t)(due & 0x7F) <= length) {
    due = (uint8_t)(due & 0x7F);
    length = (uint8_t)(length - due);
    *points = (uint8_t)(length >> 1);
    return (uint8_t)((length & 1) == 0);
  }
  return (uint8_t)(due == length);
}

/* A complete frame: check, perform, answer. A frame that is not whole is dropped; the host asks again. */
static QJ_ONCE uint8_t handle(qj_link *l, qj_player *p) {
  uint8_t *const bytes = l->buffer;
  uint8_t length = qj_cobs_decode(bytes, l->count, bytes);
  const uint8_t seq = bytes[0];
  const uint8_t type = bytes[1];
  uint16_t crc = 0xFFFF;
  uint8_t points;
  uint8_t result;
  uint8_t late;
  uint8_t i;
  if (length == QJ_NONE || length < 4) {
    return 0;
  }
  length = (uint8_t)(length - 4);
  for (i = 0; i < (uint8_t)(length + 2); i++) {
    crc = qj_crc16(crc, bytes[i]);
  }
  if (qj_get16(bytes + i) != crc || seq == 0) {
    return 0;
  }
  /* how many numbers before the newest one, which comes round from 255 to 1 */
  i = (uint8_t)(l->newest_seq - seq - (l->newest_seq < seq));
  late = (uint8_t)(l->newest_seq != 0 && i != 0 && i <= QJ_LATE_COPIES);
  if (!late || type == QJ_MSG_ASK_HELLO) { /* with a hello a host begins anew */
    if (!late && seq != l->last_seq) {
      l->last_seq = 0; /* what was performed is late from now on; when its number comes round it is another request */
    }
    l->newest_seq = seq;
  }
  result = type >= QJ_REQUESTS ? QJ_UNKNOWN : fits(type, length, &points) ? QJ_DONE : QJ_BAD_ARGUMENT;
  if (result == QJ_DONE) {
    switch (type) { /* questions are answered afresh and leave the memory of what was performed alone */
      case QJ_MSG_ASK_HELLO:
        send_hello(l, p, seq);
        return 1;
      case QJ_MSG_ASK_STATUS:
        send_status(p, seq);
        return 1;
      case QJ_MSG_ASK_TELEMETRY:
        send_telemetry(l, p, seq);
        return 1;
      case QJ_MSG_ASK_MEMORY:
        send_memory(seq, qj_get16(bytes + 2));
        return 1;
      case QJ_MSG_ASK_GUARD:
        send_guard(p, seq, bytes[2]);
        return 1;
      case QJ_MSG_ASK_EDGES:
        send_edges(p, seq, bytes[2]);
        return 1;
      case QJ_MSG_HOST_TIME:
        send_clock(seq, qj_get16(bytes + 2), qj_get16(bytes + 4));
        return 1;
      default:
        break;
    }
    if (late) {
      result = QJ_LATE; /* a copy that the line has kept back */
    } else {
      if (seq != l->last_seq || crc != l->last_crc) {
        l->last_result = perform(p, type, bytes + 2, points);
        l->last_seq = seq;
        l->last_crc = crc;
      }
      result = l->last_result;
    }
  }
  send_ack(seq, result);
  return 1;
}

QJ_ONCE void qj_link_start(qj_link *l, qj_player *p, uint8_t reset_cause) {
  l->ready = 0;
  l->count = 0;
  l->bad = 0;
  l->now = 0;
  l->heard = 0;
  l->newest_seq = 0;
  l->last_seq = 0;
  l->last_crc = 0;
  l->last_result = QJ_DONE;
  l->due = QJ_DUE_HELLO;
  l->damaged = 0;
  l->reset_cause = reset_cause;
  p->happenings = 0;
}

/* No frame of ours begins with a question mark: as COBS it would announce a block longer than the longest. */
#if QJ_LINK_RECEIVE >= 0x3F
#error "a frame could begin with a question mark: keep requests shorter than 58 bytes"
#endif

QJ_ONCE void qj_link_receive(qj_link *l, uint8_t byte) {
  if (l->ready) { /* the host waits for its answer before it asks again: whatever comes now is noise */
    l->bad = (uint8_t)(byte != 0);
    return;
  }
  if ((uint8_t)(l->now - l->heard) >= QJ_LINK_PAUSE) {
    l->count = 0;
    l->bad = 0;
  }
  l->heard = l->now;
  if (byte != 0) {
    if (l->count == 0 && l->bad == 0) {
      if (byte == '?') {
        l->due = (uint8_t)(l->due | QJ_DUE_NAME | QJ_DUE_LINE | QJ_AFTER_LINE);
        return;
      }
      if ((l->due & QJ_AFTER_LINE) != 0 && (byte == '\r' || byte == '\n')) {
        return; /* the Enter that follows it */
      }
      l->due = (uint8_t)(l->due & (uint8_t)~QJ_AFTER_LINE);
    }
    if (l->count < QJ_LINK_RECEIVE) {
      l->buffer[l->count] = byte;
      l->count = (uint8_t)(l->count + 1);
    } else {
      l->bad = 1;
    }
    return;
  }
  if (l->bad == 0 && l->count != 0) {
    l->ready = 1;
    return;
  }
  l->damaged = (uint16_t)(l->damaged + l->bad);
  l->bad = 0;
  l->count = 0;
}

/* ---- for a person at a terminal --------------------------------------------------------------- */

static void put_number(uint8_t number) {
  uint8_t unit;
  for (unit = 100; unit != 0; unit = (uint8_t)(unit / 10)) {
    if (number >= unit || unit == 1) {
      qj_put((uint8_t)('0' + (uint8_t)(number / unit) % 10));
    }
  }
}

/* "Lantern Keeper idle fault 0 scene 255 player 2", in two parts that a small transmit ring holds. The zeros around it keep it
 * apart from frames. */
static QJ_ONCE void send_name(const qj_player *p) {
  qj_offset at = p->fault == QJ_OK ? qj_at(QJ_AT_NAMES) : 0;
  uint8_t left = at == 0 ? (uint8_t)0 : qj_read(at);
  qj_put(0);
  for (left = left > 16 ? (uint8_t)16 : left; left != 0; left--) {
    at = (qj_offset)(at + 1);
    qj_put(qj_read(at));
  }
  qj_put(' ');
}

static QJ_ONCE void send_line(const qj_player *p) {
  static const char text[] QJ_FLASH = "boot\0settle\0idle\0scene\0hold\0fault\0 fault \0 scene \0 player \0\r\n";
  const char *at = text;
  uint8_t word;
  for (word = 0; word < 10; word++) {
    uint8_t letter = QJ_FLASH_BYTE(at);
    for (; letter != 0; letter = QJ_FLASH_BYTE(at)) {
      if (word == p->state || word > 5) {
        qj_put(letter);
      }
      at++;
    }
    at++;
    if (word == 6) {
      put_number(p->fault);
    }
    if (word == 7) {
      put_number(qj_scene_now(p));
    }
    if (word == 8) {
      put_number(QJ_PLAYER_VERSION);
    }
  }
  qj_put(0);
}

/* Room that the answer to the waiting frame may need; only a hello is long. Neither seq nor type is zero in a
 * frame that gets one, so its type stands third in the encoded bytes too. */
static uint8_t answer_room(const qj_link *l) {
  return l->buffer[2] == QJ_MSG_ASK_HELLO ? QJ_LINK_LONGEST : QJ_MSG_MEMORY_LENGTH + 6;
}

QJ_ONCE uint8_t qj_link_poll(qj_link *l, qj_player *p) {
  uint8_t handled = 0;
  l->now = (uint8_t)(p->clock & (uint32_t)0xFF);
  if ((l->due & QJ_DUE_HELLO) != 0 && qj_room() >= QJ_LINK_LONGEST) {
    l->due = (uint8_t)(l->due & (uint8_t)~QJ_DUE_HELLO);
    send_hello(l, p, 0);
  }
  if ((l->due & QJ_DUE_NAME) != 0 && qj_room() >= QJ_LINK_LONGEST) {
    l->due = (uint8_t)(l->due & (uint8_t)~QJ_DUE_NAME);
    send_name(p);
  }
  if ((l->due & QJ_DUE_LINE) != 0) { /* nothing comes between the two parts */
    if ((l->due & QJ_DUE_NAME) != 0 || qj_room() < QJ_LINK_LONGEST) {
      return 0;
    }
    l->due = (uint8_t)(l->due & (uint8_t)~QJ_DUE_LINE);
    send_line(p);
  }
  if (l->ready && qj_room() >= answer_room(l)) {
    handled = handle(l, p);
    l->damaged = (uint16_t)(l->damaged + (uint8_t)(handled ^ 1));
    l->count = 0;
    l->ready = 0;
  }
  if (p->happenings != 0 && qj_room() >= QJ_MSG_HAPPENED_LENGTH + 6) {
    send_news(p);
  }
  return handled;
}
