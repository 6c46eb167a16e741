/* The sketch of the I/O board on real time: its serial line is a pseudo-terminal, its pins are
 * wires of the loom.   real_board LOOM [RATE OF ITS CLOCK] */
#include "Arduino.h"
#include "loom.h"
#include "pins.h"

#include <string.h>

enum { PINS = 80, PWM_US = 2040, NAP_US = 150 };

static const uint8_t felt_digital[] = DIGITAL_PINS;
static const uint8_t felt_analog[] = ANALOG_PINS;
static const uint8_t driven[] = DRIVE_PINS;
static const uint8_t relay[] = RELAY_PINS;

static volatile uint8_t *wires;
static int line = -1;
static double rate = 1.0;
static uint64_t began_us;
static int16_t wire_of[PINS];
static uint8_t outputs[PINS], levels[PINS];
static char received[256], sent[64];
static ssize_t received_size, received_read;
static size_t sent_size;
static bool busy;

SerialLine Serial;

unsigned long micros(void) { return (uint32_t)((double)(clock_us() - began_us) * rate); }
unsigned long millis(void) { return (uint32_t)((double)(clock_us() - began_us) * rate / 1000); }

int digitalRead(uint8_t pin)
{
    uint8_t duty = wires[wire_of[pin]];
    return duty == 255 || (duty && clock_us() % PWM_US * 255 < (uint64_t)duty * PWM_US);
}

int analogRead(uint8_t pin) { return wires[wire_of[pin]] * 4; }

static void show(uint8_t pin)
{
    if (wire_of[pin] >= 0)
        wires[wire_of[pin]] = outputs[pin] && levels[pin] ? 255 : 0;
}

void digitalWrite(uint8_t pin, uint8_t level)
{
    levels[pin] = level;
    show(pin);
}

void pinMode(uint8_t pin, uint8_t mode)
{
    outputs[pin] = mode == OUTPUT;
    show(pin);
}

void SerialLine::begin(unsigned long) {}

int SerialLine::available(void)
{
    if (received_read == received_size) {
        received_read = 0;
        received_size = ::read(line, received, sizeof received);
        if (received_size < 0)
            received_size = 0;
    }
    return (int)(received_size - received_read);
}

int SerialLine::read(void)
{
    busy = true;
    return (uint8_t)received[received_read++];
}

int SerialLine::availableForWrite(void) { return sent_size < sizeof sent; }

size_t SerialLine::write(uint8_t one)
{
    busy = true;
    sent[sent_size++] = (char)one;
    if (one == '\n' || sent_size == sizeof sent) {
        if (::write(line, sent, sent_size) < 0) { /* nobody reads: the line is lost */
        }
        sent_size = 0;
    }
    return 1;
}

int main(int count, char **words)
{
    wires = open_loom(words[1]);
    if (count > 2)
        rate = atof(words[2]);
    memset(wire_of, -1, sizeof wire_of);
    for (int i = 0; i < DIGITAL_LINES; i++)
        wire_of[felt_digital[i]] = (int16_t)(FELT + i);
    for (int i = 0; i < ANALOG_LINES; i++)
        wire_of[felt_analog[i]] = (int16_t)(FELT + DIGITAL_LINES + i);
    for (int i = 0; i < DRIVES; i++)
        wire_of[driven[i]] = (int16_t)(DRIVEN + i);
    for (int i = 0; i < RELAYS; i++)
        wire_of[relay[i]] = (int16_t)(RELAY + i);
    line = open_line();
    began_us = clock_us();
    setup();
    for (int idle = 0;; idle = busy ? 0 : idle + 1) {
        busy = false;
        loop();
        if (idle > 16)
            usleep(NAP_US);
    }
}
