/* What outlives a reset: why it came, and where the servos stood. (The boot's number: keep.c.)
 *
 * The record lies in RAM that the start-up code leaves alone, behind all other variables, where no boot loader
 * writes (their own variables begin at the bottom of RAM, their stacks at its top). A CRC guards it: after a
 * power cut RAM holds anything, and then the board knows nothing about its past.
 *
 * Hangs are counted apart from the record, so that a hang that has spoilt the record is counted too.
 */
#include "board.h"
#include "qj_link.h"

#include <avr/io.h>
#include <avr/wdt.h>
#include <stddef.h>

/* A power cut while page 0 is written may leave it erased. Erased words do nothing, so the processor comes to page 1:
 * there it stays, as in the uploader's trap (rjmp .-2). The table of vectors ends before; what is between is filled
 * alike. */
#define TEXT_OF(number) TEXT(number)
#define TEXT(number) #number
__asm__(".pushsection .vectors,\"ax\",@progbits\n"
        "\t.fill (" TEXT_OF(SPM_PAGESIZE) " - " TEXT_OF(_VECTORS_SIZE) ") / 2 + 1, 2, 0xCFFF\n"
        "\t.popsection");

#define NO_INIT __attribute__((section(".noinit")))
#define JUST_NOW 0x80u /* in `hangs`: the run before this one ended so */

typedef struct {
  uint16_t pulse[QJ_MAX_TRACKS]; /* 1/16 us, as in qj_player; 0 = none */
  uint16_t crc;
} past;

static past kept NO_INIT;
static uint8_t hangs NO_INIT, not_hangs NO_INIT; /* in a row; and its complement */
static uint8_t cause NO_INIT;

/* Runs before RAM is cleared. Boot loaders that skip to the program leave MCUSR cleared; newer ones pass it
 * in r2, which the compiler is told to leave alone: a reset does not clear it, so an older loader leaves the
 * nothing there that we left. (After a power cut it may be anything: what only r2 tells is marked by bit 7.)
 * Who builds the sketch tells the compiler nothing, and what is in r2 then is the program's: nobody is asked.
 * Interrupts: the Mega's loader leaves them on. */
void take_reset_cause(void) __attribute__((naked, used, section(".init3")));
void take_reset_cause(void) {
  uint8_t told, first = MCUSR;
#ifdef R2_IS_THE_COMPILERS
  told = 0;
  __asm__ volatile("cli");
#else
  __asm__ volatile("cli\n\tmov %0, r2\n\tclr r2" : "=r"(told));
#endif
  MCUSR = 0;
  wdt_disable();
  if (first == 0 && told != 0 && told < 16) first = (uint8_t)(0x80u | told);
  cause = first;
}

/* Of the record and of the image that it belongs to: another show's pulses say nothing about this one. */
static uint16_t crc_of(const past *of) {
  const uint8_t *byte = (const uint8_t *)of;
  uint16_t crc = (uint16_t)(qj_read(8) | (uint16_t)(qj_read(9) << 8)); /* the low half of the image's own CRC */
  uint8_t i;
  for (i = 0; i < offsetof(past, crc); i++) crc = qj_crc16(crc, byte[i]);
  return crc;
}

/* 0 for what no count of ours can be: a loader may hide that the power came only now. */
static uint8_t hangs_so_far(void) {
  return (uint8_t)(hangs ^ not_hangs) == 0xFF && (hangs & (uint8_t)~JUST_NOW) <= LAST_HANG ? hangs : 0;
}

static uint8_t one_more(uint8_t n) { return n < LAST_HANG ? (uint8_t)(n + 1u) : LAST_HANG; }

static void set_hangs(uint8_t n) {
  hangs = n;
  not_hangs = (uint8_t)~n;
}

void boot_begin(void) {
  uint8_t n = hangs_so_far();
  if ((cause & (_BV(PORF) | _BV(BORF))) || crc_of(&kept) != kept.crc) {
    uint8_t *byte = (uint8_t *)&kept, i;
    for (i = 0; i < sizeof kept; i++) byte[i] = 0;
  }
  /* The watchdog's interrupt leaves a note; its reset shows where the loader lets it through. (With EXTRF the
   * reset was the loader's own way to leave.) */
  if (cause & (_BV(PORF) | _BV(BORF)))
    n = 0; /* RAM holds anything */
  else if (n & JUST_NOW)
    cause = _BV(WDRF);
  else if ((cause & (_BV(WDRF) | _BV(EXTRF))) == _BV(WDRF))
    n = one_more(n);
  else
    n = 0;
  set_hangs(n & (uint8_t)~JUST_NOW);
}

uint8_t boot_cause(void) { return cause; }

uint8_t boot_hangs(void) { return hangs; }

const uint16_t *boot_pulses(void) { return kept.pulse; }

/* A track without pulses stands where it was sent last, or where it falls; of a dead figure nothing is known. A reset
 * between the first byte and the last would cost the record: so it is made elsewhere, and copied in a few microseconds. */
void boot_keep_pulses(const qj_player *p) {
  past made;
  uint8_t i;
  for (i = 0; i < QJ_MAX_TRACKS; i++) {
    made.pulse[i] = 0;
    if (i < p->tracks && p->fault == QJ_OK) made.pulse[i] = p->pulse[i] ? p->pulse[i] : qj_standing(p, i);
  }
  made.crc = crc_of(&made);
  kept = made;
}

void boot_note_hang(void) { set_hangs((uint8_t)(one_more(hangs_so_far()) | JUST_NOW)); }
