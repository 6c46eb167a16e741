/* The sketch on time that the test advances. What a call costs is that of an 8-bit chip at 16 MHz:
 * about 4 us for a pin, 112 us for the converter; the serial line moves a byte in 87 us and has
 * buffers of 64 bytes. */
#include "Arduino.h"

#include <string.h>

enum { PINS = 80, BUFFER = 63, BYTE_US = 87 };

static uint64_t now_us;
static uint8_t in_levels[PINS], out_levels[PINS], modes[PINS];
static uint16_t analog[PINS];
static uint8_t received[BUFFER], sent[4096];
static int received_size, sent_size, overrun;
static uint64_t line_free_us;

SerialLine Serial;

unsigned long micros(void) { return (uint32_t)(now_us += 2); }
unsigned long millis(void) { return (uint32_t)((now_us += 2) / 1000); }

int digitalRead(uint8_t pin)
{
    now_us += 4;
    return in_levels[pin];
}

int analogRead(uint8_t pin)
{
    now_us += 112;
    return analog[pin];
}

void digitalWrite(uint8_t pin, uint8_t level)
{
    now_us += 4;
    out_levels[pin] = level;
}

void pinMode(uint8_t pin, uint8_t mode) { modes[pin] = mode; }

void SerialLine::begin(unsigned long) { line_free_us = now_us; }
int SerialLine::available(void) { return received_size; }

int SerialLine::read(void)
{
    int one = received[0];
    memmove(received, received + 1, (size_t)--received_size);
    now_us += 4;
    return one;
}

static uint64_t behind_us(void) { return line_free_us > now_us ? line_free_us - now_us : 0; }

int SerialLine::availableForWrite(void)
{
    int waiting = (int)(behind_us() / BYTE_US);
    return waiting < BUFFER ? BUFFER - waiting : 0;
}

size_t SerialLine::write(uint8_t one)
{
    line_free_us = (line_free_us > now_us ? line_free_us : now_us) + BYTE_US;
    now_us += 20; /* the byte, and its part of the checksum */
    if (sent_size < (int)sizeof sent)
        sent[sent_size++] = one;
    return 1;
}

extern "C" {
void board_begin(uint64_t at_us)
{
    now_us = at_us;
    setup();
}

uint64_t board_run(uint64_t until_us)
{
    while (now_us < until_us)
        loop();
    return now_us;
}

uint64_t board_now(void) { return now_us; }
void board_input(int pin, int level) { in_levels[pin] = (uint8_t)level; }
void board_analog(int pin, int value) { analog[pin] = (uint16_t)value; }

/* What a transistor behind the pin gets: a resistor holds it off while the pin is an input. */
int board_output(int pin) { return modes[pin] == OUTPUT && out_levels[pin]; }

void board_receive(const uint8_t *data, int size)
{
    for (int i = 0; i < size; i++)
        if (received_size < BUFFER)
            received[received_size++] = data[i];
        else
            overrun++;
}

int board_overrun(void) { return overrun; }

int board_sent(uint8_t *to)
{
    int size = sent_size;
    memcpy(to, sent, (size_t)size);
    sent_size = 0;
    return size;
}
}
