/* libFuzzer on the image reader: any bytes as an image, opened, then played with arbitrary requests.
 *
 * Input: flags, length of the script, the script, the image. Bit 0 of the flags leaves the image as it is;
 * otherwise magic, version, board, length and CRC are put right, so that the content is what is tested.
 */
#include "fuzz_board.h"

static uint32_t crc32_of(const uint8_t *at, size_t count) {
  static uint32_t table[256];
  uint32_t crc = 0xFFFFFFFFu;
  if (table[1] == 0) {
    uint32_t i;
    for (i = 0; i < 256; i++) {
      uint32_t c = i, bit;
      for (bit = 0; bit < 8; bit++) c = c & 1u ? c >> 1 ^ 0xEDB88320u : c >> 1;
      table[i] = c;
    }
  }
  while (count-- != 0) crc = crc >> 8 ^ table[(crc ^ *at++) & 255u];
  return ~crc;
}

static void put32(uint8_t *at, uint32_t value) {
  uint8_t i;
  for (i = 0; i < 4; i++) at[i] = (uint8_t)(value >> 8 * i);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  food script;
  uint8_t *const image = x_image();
  uint32_t frames = 0;
  size_t length;
  if (size < 2 + 16 || size > 60000) return 0;
  length = data[1] < size - 2 ? data[1] : size - 2;
  script.at = data + 2;
  script.left = length;
  length = size - 2 - length;
  memcpy(image, data + size - length, length);
  if ((data[0] & 1u) == 0 && length >= 16) {
    memcpy(image, "QJK1", 4);
    put32(image + 4, (uint32_t)length);
    image[12] = QJ_FORMAT;
    image[13] = 1;
    put32(image + 8, crc32_of(image + 12, length - 12));
  }
  boot((uint32_t)length, QJ_LINK_LONGEST + 2u);
  while (script.left != 0 && frames < MOST_FRAMES) frames += step(&script);
  return 0;
}
