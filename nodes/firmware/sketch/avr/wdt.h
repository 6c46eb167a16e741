/* avr/wdt.h: the watchdog. */
#ifndef SKETCH_AVR_WDT_H
#define SKETCH_AVR_WDT_H
#include "board.h"

enum { /* times that the hardware offers, by their numbers */
    WDTO_15MS, WDTO_30MS, WDTO_60MS, WDTO_120MS, WDTO_250MS, WDTO_500MS, WDTO_1S, WDTO_2S,
    WDTO_4S, WDTO_8S
};

static inline void wdt_enable(uint8_t time)
{
    static const uint16_t ms[] = {15, 30, 60, 120, 250, 500, 1000, 2000, 4000, 8000};
    board_watchdog_start(ms[time > WDTO_8S ? WDTO_8S : time]);
}

static inline void wdt_reset(void) { board_watchdog_feed(); }

#endif
