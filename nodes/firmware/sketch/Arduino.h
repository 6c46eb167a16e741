/* Arduino.h: the usual calls of a sketch, over board.h.
 *
 * Sketches in the usual style compile against it unchanged, and so do chip libraries that stay with
 * these calls and SPI.h. That is tested with sketches and a small chip library of our own in the
 * common call shapes, not with other people's libraries. Pins have the numbers that the vehicle file
 * gives them; A0 to A7 are 14 to 21. What is not here does not exist on the bench and fails to
 * compile: nothing is accepted and then ignored, except what no load could notice (clock divisors,
 * baud rates of reading, memory sections).
 */
#ifndef ARDUINO_H
#define ARDUINO_H

#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"

#ifndef ARDUINO
#define ARDUINO 10819
#endif

typedef uint8_t byte;
typedef bool boolean;
typedef uint16_t word;

enum { LOW, HIGH };
enum { INPUT, OUTPUT, INPUT_PULLUP };
enum { CHANGE = 1, FALLING, RISING };
enum { LSBFIRST, MSBFIRST };
enum { A0 = 14, A1, A2, A3, A4, A5, A6, A7 };
enum { LED_BUILTIN = 13 };
#ifndef SS
enum { SS = 10, MOSI, MISO, SCK };
#endif

#define PI 3.1415926535897932384626433832795
#define PROGMEM
#define IRAM_ATTR
#define ICACHE_RAM_ATTR
#define PGM_P const char *
#define PSTR(text) (text)
#define pgm_read_byte(address) (*(const uint8_t *)(address))
#define pgm_read_word(address) (*(const uint16_t *)(address))
#define pgm_read_dword(address) (*(const uint32_t *)(address))
#define memcpy_P memcpy
#define strcpy_P strcpy
#define strlen_P strlen

#define bit(n) (1UL << (n))
#define bitRead(value, n) (((value) >> (n)) & 1)
#define bitSet(value, n) ((value) |= (1UL << (n)))
#define bitClear(value, n) ((value) &= ~(1UL << (n)))
#define bitWrite(value, n, to) ((to) ? bitSet(value, n) : bitClear(value, n))
#define lowByte(value) ((uint8_t)((value) & 0xFF))
#define highByte(value) ((uint8_t)((value) >> 8))
#define constrain(x, low, high) ((x) < (low) ? (low) : (x) > (high) ? (high) : (x))
#define sq(x) ((x) * (x))
#define digitalPinToInterrupt(pin) (pin)
#define interrupts() board_interrupts(true)
#define noInterrupts() board_interrupts(false)
#define sei() board_interrupts(true)
#define cli() board_interrupts(false)
#define ISR_NOBLOCK

static inline unsigned long millis(void) { return board_ms(); }
static inline unsigned long micros(void) { return board_us(); }
static inline void delay(unsigned long ms) { board_delay_ms((uint32_t)ms); }
static inline void delayMicroseconds(unsigned int us) { board_delay_us(us); }
static inline void yield(void) { board_delay_us(0); }

static inline long map(long x, long from_low, long from_high, long to_low, long to_high)
{
    return (x - from_low) * (to_high - to_low) / (from_high - from_low) + to_low;
}

/* A chip on the board hears of pins that the sketch drives: see SPI.h. */
typedef void (*sketch_pin_listener)(uint8_t pin, uint8_t level);

#ifdef __cplusplus
#include "sketch_core.h"
#else
static inline void pinMode(uint8_t pin, uint8_t mode)
{
    board_pin_mode(pin, mode == OUTPUT ? BOARD_OUTPUT
                        : mode == INPUT_PULLUP ? BOARD_INPUT_PULLUP : BOARD_INPUT);
}
static inline void digitalWrite(uint8_t pin, uint8_t level) { board_pin_write(pin, level != LOW); }
#define min(a, b) ((a) < (b) ? (a) : (b))
#define max(a, b) ((a) > (b) ? (a) : (b))
#endif

static inline int digitalRead(uint8_t pin) { return board_pin_read(pin) ? HIGH : LOW; }
static inline int analogRead(uint8_t pin) { return board_analog_read(pin); }

static inline void analogWrite(uint8_t pin, int duty)
{
    board_pin_mode(pin, BOARD_OUTPUT);
    board_pwm_write(pin, (uint8_t)(duty < 0 ? 0 : duty > 255 ? 255 : duty));
}

static inline void attachInterrupt(uint8_t pin, void (*handler)(void), int mode)
{
    board_on_pin(pin, mode == RISING ? BOARD_RISING : mode == FALLING ? BOARD_FALLING
                      : BOARD_CHANGE, handler);
}

static inline void detachInterrupt(uint8_t pin) { board_on_pin(pin, BOARD_NO_EDGE, NULL); }

#endif
