/* avr/io.h: all of it is in Arduino.h. */
#ifndef SKETCH_AVR_IO_H
#define SKETCH_AVR_IO_H
#include "../Arduino.h"
#endif
