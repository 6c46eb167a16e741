/* Arduino.h: the calls that the sketch of the I/O board makes, for a program of this computer. */
#ifndef ARDUINO_H
#define ARDUINO_H

#include <stddef.h>
#include <stdint.h>

enum { LOW, HIGH };
enum { INPUT, OUTPUT, INPUT_PULLUP };
enum { A0 = 54, A1, A2, A3, A4, A5, A6, A7 };

unsigned long micros(void);
unsigned long millis(void);
int digitalRead(uint8_t pin);
int analogRead(uint8_t pin);
void digitalWrite(uint8_t pin, uint8_t level);
void pinMode(uint8_t pin, uint8_t mode);

struct SerialLine {
    void begin(unsigned long baud);
    int available(void);
    int read(void);
    size_t write(uint8_t one);
    int availableForWrite(void);
};
extern SerialLine Serial;

void setup(void);
void loop(void);

#endif
