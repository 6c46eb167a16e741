/* pins.h: which pin is which line, for each kind of board. Line 0 is the first of each list.
 *
 * Pins 0 and 1 are the serial line. Pin 13 has a lamp that a boot loader blinks: it is never used.
 */
#ifndef PINS_H
#define PINS_H

#if defined(__AVR_ATmega2560__) || defined(IO_BOARD_LARGE) /* 70 pins */
enum { DIGITAL_LINES = 16, ANALOG_LINES = 8, DRIVES = 12, RELAYS = 6 };
#define DIGITAL_PINS {22, 23, 24, 25, 26, 27, 28, 29, 30, 31, 32, 33, 34, 35, 36, 37}
#define ANALOG_PINS {A0, A1, A2, A3, A4, A5, A6, A7}
#define DRIVE_PINS {38, 39, 40, 41, 42, 43, 44, 45, 46, 47, 48, 49}
#define RELAY_PINS {2, 3, 4, 5, 6, 7}
#else /* 20 pins */
enum { DIGITAL_LINES = 6, ANALOG_LINES = 4, DRIVES = 4, RELAYS = 3 };
#define DIGITAL_PINS {2, 3, 4, 5, 6, 7}
#define ANALOG_PINS {A0, A1, A2, A3}
#define DRIVE_PINS {8, 9, 10, 11}
#define RELAY_PINS {12, A4, A5}
#endif

#endif
