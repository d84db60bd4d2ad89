/* What differs between the chips: ports, timers, interrupt vectors, flash beyond 64 KB, and who has which pin.
 *
 * A pin's *place* is one byte below 0x80 that says port and bit (bits 0..2); 0 is the place of no pin. How the port
 * is coded is the chip's own affair.
 */
#ifndef QJ_CHIP_H
#define QJ_CHIP_H

#include <avr/io.h>

#define NO_PLACE 0u

#if defined(__AVR_ATmega328P__)

/* Uno and Nano: D2..D12 are 2..12, A0..A5 are 14..19. D0 and D1 belong to the link, D13 is the boot loader's to
 * blink. */
#define CHIP_BOARD_ID 1u
#define CHIP_SISTER_ID 2u /* the Nano: the same player; which of the two it is stands in the show image */
#define CHIP_PINS 20u
#define CHIP_A0 14u /* ... and the Nano's A6 and A7, which are nothing but analog, 20 and 21 */
#define CHIP_PLACES                                                                              \
  NO_PLACE, NO_PLACE, 0x6A, 0x6B, 0x6C, 0x6D, 0x6E, 0x6F,                  /* D0..D7: port D */  \
      0x08, 0x09, 0x0A, 0x0B, 0x0C, NO_PLACE,                              /* D8..D13: port B */ \
      0x38, 0x39, 0x3A, 0x3B, 0x3C, 0x3D                                   /* A0..A5: port C */
/* PORTB, PORTC and PORTD are three apart: bits 4..6 are 0, 3 or 6; bit 3 is always set. */
#define CHIP_PORT(place) ((volatile uint8_t *)(uint16_t)(uint8_t)(_SFR_MEM_ADDR(PORTB) + (((place) >> 4) & 7u)))
#define CHIP_PINS_FLOAT() \
  DDRB = DDRC = DDRD = 0; \
  PORTB = PORTC = PORTD = 0
/* Every timer but Timer1 lets go of its pins. */
#define CHIP_LAMPS_DEAD() \
  TIMSK0 = TIMSK2 = 0;    \
  TCCR0A = TCCR2A = 0
#define CHIP_RX_vect USART_RX_vect
#define CHIP_UDRE_vect USART_UDRE_vect
#define CHIP_OC1B 10 /* Timer1's second compare output */
#define CHIP_FLASH_BYTE(at) pgm_read_byte((uint16_t)(at))

/* I2C: A4 and A5. */
#define CHIP_TWI(reg) reg##C
#define CHIP_SDA _BV(4)
#define CHIP_SCL _BV(5)

#elif defined(__AVR_ATmega2560__)

/* Mega: D2..D12, D14..D53, A0..A15 as 54..69. D0 and D1 belong to the link, D13 is the boot loader's to blink. */
#define CHIP_BOARD_ID 3u
#define CHIP_PINS 70u
#define CHIP_A0 54u
#define CHIP_PLACES                                                                                \
  NO_PLACE, NO_PLACE, 0x2C, 0x2D, 0x3D, 0x2B, 0x43, 0x44, 0x45, 0x46,  /* D0..D9: E E E E G E H H H H */ \
      0x14, 0x15, 0x16, NO_PLACE, 0x49, 0x48, 0x41, 0x40, 0x23, 0x22,  /* D10..D19: B B B B J J H H D D */ \
      0x21, 0x20, 0x08, 0x09, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F,      /* D20..D29: D D, A */ \
      0x1F, 0x1E, 0x1D, 0x1C, 0x1B, 0x1A, 0x19, 0x18, 0x27, 0x3A,      /* D30..D39: C, D, G */ \
      0x39, 0x38, 0x5F, 0x5E, 0x5D, 0x5C, 0x5B, 0x5A, 0x59, 0x58,      /* D40..D49: G G, L */ \
      0x13, 0x12, 0x11, 0x10,                                          /* D50..D53: B */ \
      0x30, 0x31, 0x32, 0x33, 0x34, 0x35, 0x36, 0x37,                  /* A0..A7: F */ \
      0x50, 0x51, 0x52, 0x53, 0x54, 0x55, 0x56, 0x57                   /* A8..A15: K */
/* I2C: D20 and D21. */
#define CHIP_TWI(reg) reg##D
#define CHIP_SDA _BV(1)
#define CHIP_SCL _BV(0)
/* Bits 3..6: the port's number, from 1 = A. Their registers are three apart: A..G from 0x22, H..L from 0x102. */
#define CHIP_PORT(place)                                                                        \
  ((volatile uint8_t *)(uint16_t)((((place) & 0x40u) ? _SFR_MEM_ADDR(PORTH) - 24u               \
                                                     : _SFR_MEM_ADDR(PORTA) - 3u) +             \
                                  3u * (uint8_t)(((place) >> 3) & 15u)))
#define CHIP_PINS_FLOAT()                                                                 \
  DDRA = DDRB = DDRC = DDRD = DDRE = DDRF = DDRG = DDRH = DDRJ = DDRK = DDRL = 0;         \
  PORTA = PORTB = PORTC = PORTD = PORTE = PORTF = PORTG = PORTH = PORTJ = PORTK = PORTL = 0
#define CHIP_LAMPS_DEAD()                               \
  TIMSK0 = TIMSK2 = TIMSK3 = TIMSK4 = TIMSK5 = 0;       \
  TCCR0A = TCCR2A = TCCR3A = TCCR4A = TCCR5A = 0
#define CHIP_RX_vect USART0_RX_vect
#define CHIP_UDRE_vect USART0_UDRE_vect
#define CHIP_OC1B 12
#define CHIP_FLASH_BYTE(at) pgm_read_byte_far((uint32_t)(at))

#else
#error "this layer knows the ATmega328P and the ATmega2560"
#endif

#endif
