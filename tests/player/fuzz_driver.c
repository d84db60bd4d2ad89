/* Reads cases (u32 image length, u32 wire length, image, wire) and plays each: for the sanitizers. */
#include <stdint.h>
#include <stdio.h>
#include <string.h>

uint8_t *x_image(void);
uint8_t *x_in(void);
uint32_t x_boot(uint32_t size, uint32_t board, uint32_t cause, uint32_t crc);
void x_receive(uint32_t count);
uint32_t x_transmit(void);
void x_tick(void);
uint32_t x_play(uint32_t frames);
void x_levels(uint32_t levels);
uint32_t x_prove_leave(uint32_t left, uint32_t entered, uint32_t fade, uint32_t delay, uint32_t enter,
                       uint32_t early);
uint32_t x_prove_stop(uint32_t scene, uint32_t frames, uint32_t early);

int main(void) {
  uint32_t head[2];
  unsigned cases = 0;
  while (fread(head, 4, 2, stdin) == 2) {
    uint8_t wire[4096];
    uint32_t i;
    if (head[0] > 65536 || head[1] > sizeof wire || fread(x_image(), 1, head[0], stdin) != head[0] ||
        fread(wire, 1, head[1], stdin) != head[1]) {
      return 2;
    }
    (void)x_boot(head[0], 1, 0, 0);
    for (i = 0; i < head[1]; i++) {
      x_in()[0] = wire[i];
      x_receive(1);
      x_levels(i & 255u);
      x_tick();
      (void)x_transmit();
    }
    (void)x_play(300);
    (void)x_prove_leave(0, 1, 60, 12, 0, 0);
    (void)x_prove_stop(1, 30, 1);
    cases++;
  }
  printf("%u cases\n", cases);
  return 0;
}
