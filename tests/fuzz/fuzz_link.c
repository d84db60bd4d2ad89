/* libFuzzer on the frame decoder and the link: arbitrary bytes and arbitrary requests, whole, spoilt and in pieces.
 *
 * Input: which board (bit 0: an image is on it; bits 1..: how much room its ring has), then a script.
 * fuzz_show.h holds the image: bytes that the harness is compiled with.
 */
#include "fuzz_board.h"
#include "fuzz_show.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  food script = {data, size};
  const uint8_t which = bite(&script);
  uint32_t frames = 0;
  if (size == 0) return 0;
  memcpy(x_image(), show, sizeof show);
  boot(which & 1u ? sizeof show : 0, QJ_LINK_LONGEST + (which >> 1));
  while (script.left != 0 && frames < MOST_FRAMES / 2u) frames += step(&script);
  return 0;
}
