/* avr/interrupt.h: all of it is in Arduino.h. */
#ifndef SKETCH_AVR_INTERRUPT_H
#define SKETCH_AVR_INTERRUPT_H
#include "../Arduino.h"
#endif
