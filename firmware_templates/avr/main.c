/* The board's player, in boot order.
 *
 * Everything below main() runs in one thread; the interrupts only play prepared lists (pulses.c, lamps.c)
 * and move bytes (uart.c).
 */
#include "board.h"
#include "expander.h"
#include "memory.h"
#include "qj_keep.h"
#include "qj_link.h"
#include "qj_player.h"

#include <avr/interrupt.h>

void flash_check_player(void);

static qj_player player;
static qj_link host;
static qj_keep keep;

static void set_switches(uint8_t first) {
  uint8_t i;
  for (i = 0; i < player.switch_count; i++) {
    uint8_t on = (uint8_t)((uint8_t)(player.switches >> i) & 1u);
    uint8_t level = (uint8_t)(on ^ (qj_switch_flags(i) & 1u));
    if (first)
      pin_output(qj_switch_pin(i), level);
    else
      pin_write(qj_switch_pin(i), level);
  }
}

/* Gives every pin its part; all of them are off. */
static void wire(void) {
  uint8_t i;
  if (player.fault != QJ_OK) return;
  for (i = 0; i < player.tracks; i++) pulses_use_pin(i, qj_track_pin(i));
  for (i = 0; i < player.lamps; i++) lamps_use_pin(qj_lamp_pin(i), qj_lamp_flags(i) & 1u);
  for (i = 0; i < player.input_count; i++) pulses_use_input(i, qj_input_pin(i), qj_input_flags(i) & 2u);
  set_switches(1);
}

static void read_inputs(void) {
  uint8_t levels;
  while (pulses_take_sample(&levels)) qj_sample(&player, levels);
}

/* A frame has just begun to play its pulses: lamps and switches follow, then the next frame is worked out. */
static QJ_ONCE void next_frame(void) {
  uint8_t i, fault = health_frame((uint8_t)(player.state == QJ_IDLE));
  if (fault) qj_fail(&player, fault);
  clock_frame();
  expander_frame();
  boot_keep_pulses(&player);
  qj_keep_frame(&keep, &player);
  if (qj_on_bench(&player)) {
    uint16_t width = bench_step();
    qj_tick(&player); /* a fault's clock */
    pulses_give_list(&width, 1);
    return;
  }
  for (i = 0; i < player.lamps; i++) lamps_set(qj_lamp_pin(i), player.lamp[i]);
  set_switches(0);
  if (player.fault != QJ_OK) {
    /* What is high now ends as it was meant to, since a pulse that is cut short would send its servo somewhere; strings
     * are told to be dark. The next frame has no pulses: then every pin floats. */
    if (player.countdown == 0)
      outputs_dead();
    else
      strings_frame();
    player.countdown = 0;
    pulses_give_list(0, 0);
    qj_tick(&player);
    return;
  }
  player.late_frames = pulses_late_frames();
  qj_tick(&player);
  if (memory_failed()) qj_fail(&player, QJ_LOST_IMAGE);
  sound_frame(&player);
  strings_frame();
  pulses_give_list(player.pulse, player.tracks);
}

static void talk(void) {
  uint8_t byte;
  while (!host.ready && uart_get(&byte)) qj_link_receive(&host, byte);
  if (qj_link_poll(&host, &player)) bench_heard();
}

void qj_put(uint8_t byte) { uart_put(byte); }

uint16_t qj_boot_number(void) { return qj_keep_boots(&keep); }

uint8_t qj_room(void) { return uart_room(); }

uint8_t qj_board_store(uint32_t at, const uint8_t *bytes) { return memory_write(at, bytes) ? QJ_DONE : QJ_REFUSED; }

int main(void) {
  uint8_t hung;
  outputs_dead();
  boot_begin();
  flash_check_player();
  qj_open(&player, qj_board_id());
  qj_keep_open(&keep);
  qj_start_from(&player, boot_pulses());
  qj_seed(&player, qj_boot_number());
  health_start();
  lamps_start();
  clock_start(&player);
  wire();
  expander_start(&player);
  hung = health_at_boot(); /* only now: the expanders must be known to be turned off */
  if (hung) qj_fail(&player, hung);
  analog_start(&player);
  uart_start();
  qj_link_start(&host, &player, boot_cause());
  pulses_start();
  if (player.fault == QJ_OK) {
    strings_start(&player);
    sound_start(&player);
  }
  sei();
  for (;;) {
    talk();
    if (player.fault == QJ_OK) {
      read_inputs();
      sound_poll(); /* not before sound_start() */
    }
    analog_poll(&player);
    strings_poll(&player);
    if (pulses_want_list()) next_frame();
    expander_step(&player);
    bench_watch();
  }
}
