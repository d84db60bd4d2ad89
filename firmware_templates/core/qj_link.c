/* The link: frames in, requests performed once, answers and news out. */
#include "qj_link.h"

#include "qj_inside.h"
#include "qj_keep.h"

/* A frame in the making: seq, type, body; the CRC is put behind it when it is sent. */
typedef struct {
  uint8_t bytes[QJ_LONGEST_TO_HOST + 4];
  uint8_t count;
} frame;

static void add8(frame *f, uint8_t value) {
  f->bytes[f->count] = value;
  f->count = (uint8_t)(f->count + 1);
}

static void add16(frame *f, uint16_t value) {
  add8(f, (uint8_t)(value & 0xFF));
  add8(f, (uint8_t)(value >> 8));
}

static void add32(frame *f, uint32_t value) {
  add16(f, (uint16_t)(value & (uint32_t)0xFFFF));
  add16(f, (uint16_t)(value >> 16));
}

static void start(frame *f, uint8_t seq, uint8_t type) {
  f->count = 0;
  add8(f, seq);
  add8(f, type);
}

static void send(frame *f) {
  uint8_t coded[QJ_LINK_LONGEST];
  uint16_t crc = 0xFFFF;
  uint8_t length;
  uint8_t i;
  for (i = 0; i < f->count; i++) {
    crc = qj_crc16(crc, f->bytes[i]);
  }
  add16(f, crc);
  length = qj_cobs_encode(f->bytes, f->count, coded);
  for (i = 0; i < length; i++) {
    qj_put(coded[i]);
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
  for (i = 0; i < 16; i++) {
    add8(&f, i < length ? qj_read((qj_offset)(names + (qj_offset)(i + 1))) : 0);
  }
  send(&f);
}

static void send_status(const qj_player *p, uint8_t seq) {
  const qj_layer *const layer = &p->layer[p->mode == QJ_LEAVE ? p->current ^ 1 : p->current];
  frame f;
  start(&f, seq, QJ_MSG_STATUS);
  add8(&f, p->state);
  add8(&f, p->fault);
  add8(&f, layer->scene);
  add32(&f, (uint32_t)layer->frame);
  add32(&f, (uint32_t)layer->frames);
  add16(&f, p->next_scene != QJ_NONE ? p->next_cue : p->cue); /* the last one accepted */
  add8(&f, p->repeats);
  add16(&f, p->late_frames);
  send(&f);
}

static void send_memory(uint8_t seq, uint16_t at) {
  frame f;
  uint8_t i;
  start(&f, seq, QJ_MSG_MEMORY);
  add16(&f, at);
  for (i = 0; i < 16; i++) {
    add8(&f, qj_memory((uint16_t)(at + (uint16_t)i)));
  }
  send(&f);
}

static void send_guard(const qj_player *p, uint8_t seq, uint8_t sensor) {
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

static void send_clock(uint8_t seq, uint16_t trim, uint16_t slew) {
  qj_time now;
  frame f;
  qj_board_clock(trim, slew, &now);
  start(&f, seq, QJ_MSG_CLOCK);
  add16(&f, now.frame);
  add8(&f, now.slot);
  add16(&f, now.into);
  send(&f);
}

static void send_edges(const qj_player *p, uint8_t seq, uint8_t pin) {
  frame f;
  start(&f, seq, QJ_MSG_EDGES);
  add16(&f, qj_on_bench(p) ? qj_board_edges(pin) : (uint16_t)0);
  send(&f);
}

static void send_news(qj_player *p) {
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

static uint16_t get16(const uint8_t *at) { return (uint16_t)(at[0] | (uint16_t)((uint16_t)at[1] << 8)); }

/* A request that changes something. */
static uint8_t perform(qj_player *p, uint8_t type, const uint8_t *body, uint8_t length) {
  switch (type) {
    case QJ_MSG_CUE:
      return length == QJ_MSG_CUE_LENGTH ? qj_cue(p, get16(body), body[2], body[3]) : QJ_BAD_ARGUMENT;
    case QJ_MSG_HOLD:
      return length == QJ_MSG_HOLD_LENGTH ? qj_hold(p) : QJ_BAD_ARGUMENT;
    case QJ_MSG_RESUME:
      return length == QJ_MSG_RESUME_LENGTH ? qj_resume(p) : QJ_BAD_ARGUMENT;
    case QJ_MSG_PARK:
      return length == QJ_MSG_PARK_LENGTH ? qj_park(p) : QJ_BAD_ARGUMENT;
    case QJ_MSG_RELEASE:
      return length == QJ_MSG_RELEASE_LENGTH ? qj_release(p) : QJ_BAD_ARGUMENT;
    case QJ_MSG_WORKSHOP:
      if (length == QJ_MSG_WORKSHOP_LENGTH) {
        const uint8_t result = qj_workshop(p);
        if (result == QJ_DONE) {
          qj_board_bench_open();
        }
        return result;
      }
      break;
    case QJ_MSG_SET_GUARD:
      if (length != QJ_MSG_SET_GUARD_LENGTH) {
        return QJ_BAD_ARGUMENT;
      }
      p->learning = body[0];
      return QJ_DONE;
    case QJ_MSG_KEEP_MEMORY:
      if (length == QJ_MSG_KEEP_MEMORY_LENGTH && get16(body) >= QJ_KEEP_HOSTS) {
        return p->state == QJ_HOLD || qj_on_bench(p) ? qj_memory_put(get16(body), body[2]) : QJ_REFUSED;
      }
      break;
    case QJ_MSG_BENCH_EXPANDER:
      if (length == QJ_MSG_BENCH_EXPANDER_LENGTH) {
        return qj_on_bench(p) ? qj_board_bench_expander(body[0], body[1], get16(body + 2)) : QJ_REFUSED;
      }
      break;
    case QJ_MSG_BENCH_SERVO:
      if (length == QJ_MSG_BENCH_SERVO_LENGTH) {
        return qj_on_bench(p) ? qj_board_bench_servo(body[0], get16(body + 1)) : QJ_REFUSED;
      }
      break;
    case QJ_MSG_BENCH_LAMP:
      if (length == QJ_MSG_BENCH_LAMP_LENGTH) {
        return qj_on_bench(p) ? qj_board_bench_lamp(body[0], body[1]) : QJ_REFUSED;
      }
      break;
    case QJ_MSG_BLOCK:
      /* Only where nothing plays: a show whose outside part is not there, or not yet. */
      if (length == QJ_MSG_BLOCK_LENGTH) {
        return p->fault == QJ_BAD_CRC
                   ? qj_board_store((uint32_t)get16(body) | (uint32_t)get16(body + 2) << 16, body + 4)
                   : QJ_REFUSED;
      }
      break;
    default:
      return QJ_UNKNOWN;
  }
  return QJ_BAD_ARGUMENT;
}

/* A complete frame: check, perform, answer. A frame that is not whole is dropped; the host asks again. */
static uint8_t handle(qj_link *l, qj_player *p) {
  uint8_t bytes[QJ_LINK_RECEIVE];
  const uint8_t length = qj_cobs_decode(l->buffer, l->count, bytes);
  uint16_t crc = 0xFFFF;
  uint16_t told;
  uint8_t i;
  if (length == QJ_NONE || length < 4) {
    return 0;
  }
  for (i = 0; i < (uint8_t)(length - 2); i++) {
    crc = qj_crc16(crc, bytes[i]);
  }
  told = get16(bytes + (length - 2));
  if (told != crc || bytes[0] == 0) {
    return 0;
  }
  if (bytes[1] == QJ_MSG_ASK_HELLO && length == QJ_MSG_ASK_HELLO_LENGTH + 4) {
    send_hello(l, p, bytes[0]);
    return 1;
  }
  if (bytes[1] == QJ_MSG_ASK_STATUS && length == QJ_MSG_ASK_STATUS_LENGTH + 4) {
    send_status(p, bytes[0]);
    return 1;
  }
  if (bytes[1] == QJ_MSG_ASK_MEMORY && length == QJ_MSG_ASK_MEMORY_LENGTH + 4) {
    send_memory(bytes[0], get16(bytes + 2));
    return 1;
  }
  if (bytes[1] == QJ_MSG_ASK_GUARD && length == QJ_MSG_ASK_GUARD_LENGTH + 4) {
    send_guard(p, bytes[0], bytes[2]);
    return 1;
  }
  if (bytes[1] == QJ_MSG_ASK_EDGES && length == QJ_MSG_ASK_EDGES_LENGTH + 4) {
    send_edges(p, bytes[0], bytes[2]);
    return 1;
  }
  if (bytes[1] == QJ_MSG_HOST_TIME && length == QJ_MSG_HOST_TIME_LENGTH + 4) {
    send_clock(bytes[0], get16(bytes + 2), get16(bytes + 4));
    return 1;
  }
  if (bytes[0] != l->last_seq || crc != l->last_crc) {
    l->last_result = perform(p, bytes[1], bytes + 2, (uint8_t)(length - 4));
    l->last_seq = bytes[0];
    l->last_crc = crc;
  }
  send_ack(bytes[0], l->last_result);
  return 1;
}

void qj_link_start(qj_link *l, qj_player *p, uint8_t reset_cause) {
  l->ready = 0;
  l->count = 0;
  l->bad = 0;
  l->last_seq = 0;
  l->last_crc = 0;
  l->last_result = QJ_DONE;
  l->hello_due = 1;
  l->reset_cause = reset_cause;
  p->happenings = 0;
}

void qj_link_receive(qj_link *l, uint8_t byte) {
  if (l->ready) { /* the host waits for its answer before it asks again: whatever comes now is noise */
    l->bad = (uint8_t)(byte != 0);
    return;
  }
  if (byte != 0) {
    if (l->count < QJ_LINK_RECEIVE) {
      l->buffer[l->count] = byte;
      l->count = (uint8_t)(l->count + 1);
    } else {
      l->bad = 1;
    }
    return;
  }
  if (l->bad || l->count == 0) {
    l->bad = 0;
    l->count = 0;
    return;
  }
  l->ready = 1;
}

/* Room that the answer to the waiting frame may need; only a hello is long. Neither seq nor type is zero in a
 * frame that gets one, so its type stands third in the encoded bytes too. */
static uint8_t answer_room(const qj_link *l) {
  return l->buffer[2] == QJ_MSG_ASK_HELLO ? QJ_LINK_LONGEST : QJ_MSG_MEMORY_LENGTH + 6;
}

uint8_t qj_link_poll(qj_link *l, qj_player *p) {
  uint8_t handled = 0;
  if (l->hello_due && qj_room() >= QJ_LINK_LONGEST) {
    l->hello_due = 0;
    send_hello(l, p, 0);
  }
  if (l->ready && qj_room() >= answer_room(l)) {
    handled = handle(l, p);
    l->count = 0;
    l->ready = 0;
  }
  if (p->happenings != 0 && qj_room() >= QJ_MSG_HAPPENED_LENGTH + 6) {
    send_news(p);
  }
  return handled;
}
