/* avr.h: what the parts of an 8-bit AVR know of one another. avr.c runs it; avr_pins.c is its ports
 * and the timers that drive them, avr_units.c converter, SPI, serial line, EEPROM and watchdog,
 * avr_races.c what interrupts do to what it reads and writes, avr_ends.c what ends it, and avr_made.c
 * makes and resets it.
 */
#ifndef AVR_H
#define AVR_H
#include "processor.h"

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/avr_watchdog.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_core.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { PORTS = 12, NOTHING = -1, EEPROM_WRITE_US = 3400, NO_INSTRUCTION = 0x9404, SPI_COLLISION_BIT = 6,
       SLEEP_CONTROL = 0x53, START_CYCLES = 16384, ADDRESSES = 0x10100,
       COUNT_DOWN = 0x9701, BACK_TO_COUNT = 0xF7F1, TURN = 4, LEVELS = 2, START_JITTER = 4096, ROUND_MS = 10000,
       SPREAD = 2531 /* of neighbouring seeds: the golden section of the jitter, and odd */ };

static const uint64_t PER_BILLION = 1000000000;

extern avr_t *avr;
extern avr_ioport_t *ports[PORTS];
extern avr_eeprom_t *eeprom_unit;
extern avr_watchdog_t *watchdog_unit;
extern avr_extint_t *edge_unit;
extern avr_adc_t *converter;
extern avr_spi_t *spi_unit;
extern avr_cycle_count_t spi_free;
extern const char *mistake; /* of the program; it ends it */
extern uint32_t mistake_at;
extern uint32_t after_program; /* flash from here on is erased */
extern avr_cycle_count_t base_cycle, horizon;
extern uint64_t base_ns;
extern avr_run_t own_run;
extern int due;       /* interrupts of machine.h that came while an instruction ran */
extern int poke;      /* the clock's start has yet to be set, at the beginning of main() */
extern int complaint;
extern uint32_t complained_at;
extern uint8_t outside_mask[PORTS], outside_level[PORTS];
extern int16_t driven[256];
extern uint8_t inputs[256];
extern int input_count;
extern int selected;
extern int selected_in; /* how many interrupts deep */
extern int slept_deep;
extern avr_cycle_count_t eeprom_free;
extern unsigned line_length;

avr_cycle_count_t cycle_at(uint64_t ns);
avr_irq_t *pin_irq(int pin);
unsigned word(avr_io_addr_t low, avr_io_addr_t high);
void take_inputs(void);
void port_written(avr_irq_t *irq, uint32_t value, void *param);
void find_pwms(void);
void converts(avr_irq_t *irq, uint32_t value, void *param);
void share_channels(void);
void spi_sends(avr_irq_t *irq, uint32_t value, void *param);
void spi_written(avr_irq_t *irq, uint32_t value, void *param);
void uart_sends(avr_irq_t *irq, uint32_t value, void *param);
void eeprom_written(avr_irq_t *irq, uint32_t value, void *param);
uint8_t eeprom_control(avr_t *same, avr_io_addr_t address, void *param);
void watchdog_written(avr_irq_t *irq, uint32_t value, void *param);
void set_watchdog(uint8_t value);
avr_cycle_timer_slot_t *timer_of(const void *unit);
void logged(avr_t *same, const int level, const char *format, va_list values);
_Noreturn void ends(const char *what, uint32_t pc);
_Noreturn void ends_by_complaint(void);
void mistakes(const char *what, uint32_t pc);
extern uint8_t *kinds;   /* of the instruction at each word of the flash; 0: it reads and writes no memory */
extern uint32_t steps[]; /* instructions of each level */
void run_access(void);
void begin_track(void);
void forget_races(void);
void know_program(const struct scalar_place *places);
uint16_t heap_end(void);
void find_places(uint32_t pc);
void heap_asked(unsigned bytes);
int finds_no_room(uint32_t pc);
void interrupt_begins(avr_irq_t *irq, uint32_t vector, void *param);
void on_write(avr_io_addr_t address, avr_irq_notify_t notify, void *param);
#endif
