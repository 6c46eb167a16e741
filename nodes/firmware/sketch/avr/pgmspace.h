/* avr/pgmspace.h: all of it is in Arduino.h. */
#ifndef SKETCH_AVR_PGMSPACE_H
#define SKETCH_AVR_PGMSPACE_H
#include "../Arduino.h"
#endif
