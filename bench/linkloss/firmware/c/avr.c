/* avr.c: an 8-bit AVR that runs an image, by libsimavr, in a process of its own.
 *
 * The library executes instructions and models timers, converter, SPI and serial line. What it lacks
 * or does in another way than the data sheet is done here, around its registers:
 *
 * - An interrupt takes four cycles (five with a program counter of 22 bits) until its vector.
 * - Of several pending interrupts one is taken after exactly one instruction behind SEI and RETI.
 * - A pin that is driven from outside keeps its level when its pull-up is switched on.
 * - A level interrupt is taken whenever its pin is low, also if it was before it was enabled.
 * - A byte on SPI takes eight periods of its clock; one written too early is lost.
 * - Writing a byte of the EEPROM takes 3.4 ms; meanwhile it can be neither read nor written.
 * - MCUSR collects the causes of resets until the program clears it, or power is lost.
 * - The first instruction comes up to 256 us late, by the seed.
 * - RAM keeps its content through a reset. After power-up it holds anything, and so do R0 to R31.
 * - In power-down the clock stands still for everything but the watchdog; the oscillator takes
 *   16384 cycles to start after it.
 * - The watchdog stays on while its reset flag is set, and for ever with the fuse WDTON.
 * - Phase correct modes of timers drive their pins; the timer itself counts up only in them.
 * - The reset vector and erased flash hold no instruction: a jump to them ends the program.
 *
 * Figures and behaviour: data sheet of the ATmega48A/PA/88A/PA/168A/PA/328/P (DS40002061), from
 * memory.
 */
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
       COUNT_DOWN = 0x9701, BACK_TO_COUNT = 0xF7F1, TURN = 4, SOMEWHERE = 0xFFFF, START_JITTER = 4096 };

static avr_t *avr;
static avr_ioport_t *ports[PORTS];
static struct pwm {
    avr_timer_t *timer;
    avr_timer_comp_t *unit;
    int pin;
} pwms[24];
static int pwm_count;
static avr_eeprom_t *eeprom_unit;
static avr_watchdog_t *watchdog_unit;
static avr_extint_t *edge_unit;
static avr_adc_t *converter;
static avr_spi_t *spi_unit;
static avr_cycle_count_t spi_free;
static uint8_t spi_data;
static int spi_mixed;
static uint32_t mixed_at;
static uint32_t after_program; /* flash from here on is erased */
static uint32_t entry;
static uint16_t ram_begin;

static avr_cycle_count_t base_cycle, horizon;
static uint64_t base_ns;
static avr_run_t own_run;
static int due;       /* interrupts of machine.h that came while an instruction ran */
static int poke;      /* the clock's start has yet to be set, at the beginning of main() */
static int complaint;
static uint32_t complained_at;
static char complaint_text[256];
static uint8_t outside_mask[PORTS], outside_level[PORTS];
static int16_t driven[256];
static uint8_t inputs[256];
static int input_count;
static int selected;
static int selected_in; /* how many interrupts deep */
static int slept_deep;
static avr_cycle_count_t eeprom_free;
static uint8_t eeprom_data;
static char line[sizeof board.text];
static unsigned line_length;

/* ---- time */

static const uint64_t PER_BILLION = 1000000000;

static unsigned __int128 rate(void)
{
    return (unsigned __int128)equipment.clock_hz * (PER_BILLION + board.clock_ppb);
}

static uint64_t ns_at(avr_cycle_count_t cycle)
{
    unsigned __int128 scale = rate();
    return base_ns
        + (uint64_t)(((unsigned __int128)(cycle - base_cycle) * PER_BILLION * PER_BILLION
                      + scale - 1) / scale);
}

static avr_cycle_count_t cycle_at(uint64_t ns)
{
    if (ns <= base_ns)
        return base_cycle;
    if (ns - base_ns > 1000000000000000ull)
        ns = base_ns + 1000000000000000ull; /* eleven days */
    return base_cycle
        + (avr_cycle_count_t)((unsigned __int128)(ns - base_ns) * rate() / PER_BILLION
                              / PER_BILLION);
}

uint64_t processor_ns(void)
{
    return ns_at(avr->cycle);
}

void processor_answered(void)
{
    due |= board.pending;
    board.pending = 0;
    horizon = cycle_at(board.horizon_ns);
    avr->run_cycle_count = 1;
}

/* ---- pins */

static int pin_of(avr_regbit_t bit)
{
    for (int port = 0; port < PORTS; port++)
        if (ports[port] && ports[port]->r_port == bit.reg)
            return 8 * port + bit.bit;
    return NOTHING;
}

static int is_output(int pin)
{
    return avr->data[ports[pin / 8]->r_ddr] >> pin % 8 & 1;
}

static int latch(int pin)
{
    return avr->data[ports[pin / 8]->r_port] >> pin % 8 & 1;
}

static unsigned word(avr_io_addr_t low, avr_io_addr_t high)
{
    return avr->data[low] | (high ? avr->data[high] << 8 : 0);
}

/* The share of the time for which a timer holds the pin high, of 255; NOTHING if none has it. */
static int timed(int pin)
{
    for (int i = 0; i < pwm_count; i++) {
        if (pwms[i].pin != pin)
            continue;
        avr_timer_t *timer = pwms[i].timer;
        int mode = avr_regbit_get(avr, pwms[i].unit->com);
        avr_timer_wgm_t kind = timer->mode;
        if (mode < avr_timer_com_clear || kind.kind < avr_timer_wgm_pwm)
            continue;
        unsigned top = kind.top == avr_timer_wgm_reg_ocra
            ? word(timer->comp[0].r_ocr, timer->comp[0].r_ocrh)
            : kind.top == avr_timer_wgm_reg_icr ? word(timer->r_icr, timer->r_icrh)
            : (1u << kind.size) - 1;
        unsigned compare = word(pwms[i].unit->r_ocr, pwms[i].unit->r_ocrh);
        int share = top ? (int)((compare > top ? top : compare) * 255 / top) : 255;
        return mode == avr_timer_com_clear ? share : 255 - share;
    }
    return NOTHING;
}

static void settle(int pin)
{
    int wanted = NOTHING;
    if (is_output(pin)) {
        int share = timed(pin);
        wanted = share != NOTHING ? share : latch(pin) ? 255 : 0;
    }
    if (wanted == driven[pin])
        return;
    driven[pin] = (int16_t)wanted;
    if (board.wired[pin] != 1)
        return;
    come_up();
    board.a = pin;
    board.b = wanted;
    ask(ASK_OUTPUT);
}

static void settle_port(int port)
{
    if (equipment.select / 8 == port) {
        int pin = equipment.select;
        int level = is_output(pin) ? latch(pin) : 1;
        if (level != !selected) {
            selected = !level;
            selected_in = avr->interrupts.running_ptr;
            chip_select(level);
        }
    }
    for (int pin = 8 * port; pin < 8 * port + 8; pin++)
        if (board.wired[pin] == 1)
            settle(pin);
}

static void port_written(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value;
    settle_port((int)(intptr_t)param);
}

static void timer_written(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value;
    for (int i = 0; i < pwm_count; i++)
        if (pwms[i].timer == param && board.wired[pwms[i].pin] == 1)
            settle(pwms[i].pin);
}

static avr_irq_t *pin_irq(int pin)
{
    return avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('A' + pin / 8), pin % 8);
}

void processor_feed(uint8_t pin, uint8_t level)
{
    int port = pin / 8;
    uint8_t bit = (uint8_t)(1 << pin % 8);
    outside_mask[port] |= bit;
    outside_level[port] = (uint8_t)((outside_level[port] & ~bit) | (level ? bit : 0));
    avr_ioport_external_t outside = {
        .name = (unsigned long)('A' + port), .mask = outside_mask[port],
        .value = outside_level[port],
    };
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(outside.name), &outside);
    if (!is_output(pin))
        avr_raise_irq(pin_irq(pin), level != 0);
}

static void take_inputs(void)
{
    for (int i = 0; i < input_count; i++) {
        uint8_t pin = inputs[i], bit = (uint8_t)(1 << pin % 8), port = pin / 8;
        int before = outside_mask[port] & bit ? (outside_level[port] & bit) != 0 : NOTHING;
        if (before != (board.level[pin] != 0))
            processor_feed(pin, board.level[pin]);
    }
}

/* ---- converter, SPI, serial line */

static void converts(avr_irq_t *irq, uint32_t value, void *param)
{
    union {
        uint32_t whole;
        avr_adc_mux_t mux;
    } which = {.whole = value};
    (void)irq, (void)param;
    if (which.mux.kind != ADC_MUX_SINGLE || which.mux.gain >= CHANNELS)
        return;
    uint8_t pin = equipment.analog_pin[which.mux.gain];
    if (pin == WITHOUT)
        return;
    if (board.wired[pin] == 3) {
        board.a = pin;
        ask(ASK_SENSE);
        board.analog[pin] = (uint16_t)board.result;
    }
    converter->adc_values[which.mux.src] = board.analog[pin];
}

/* The library has room for eight values. A value is set just before it is converted, so two
 * channels may share one; `gain`, which a single channel has none of, keeps the channel. */
static void share_channels(void)
{
    for (unsigned i = 0; converter && i < sizeof converter->muxmode / sizeof *converter->muxmode; i++) {
        avr_adc_mux_t *mux = &converter->muxmode[i];
        if (mux->kind != ADC_MUX_SINGLE)
            continue;
        mux->gain = mux->src;
        mux->src &= 7;
    }
}

static void spi_sends(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    avr_irq_t *in = avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT);
    avr_raise_irq(in, selected ? chip_transfer((uint8_t)value) : 0xFF);
}

static avr_cycle_timer_slot_t *timer_of(const void *unit)
{
    avr_cycle_timer_slot_t *slot = avr->cycle_timers.timer;
    while (slot && slot->param != unit)
        slot = slot->next;
    return slot;
}

/* A byte takes eight clocks of SCK, by the divider that is set when it is written. One that is
 * written while another is on its way is lost (WCOL). */
static void spi_written(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    avr_cycle_timer_slot_t *slot = timer_of(spi_unit);
    if (!slot)
        return; /* it is off */
    avr_int_table_t *table = &avr->interrupts;
    if (selected && table->running_ptr > selected_in
        && table->running[table->running_ptr - 1] != &spi_unit->spi) {
        spi_mixed = 1;
        mixed_at = avr->pc;
        avr->run_cycle_count = 1;
    }
    if (avr->cycle < spi_free) {
        avr->data[spi_unit->r_spsr] |= 1 << SPI_COLLISION_BIT;
        avr->data[spi_unit->r_spdr] = spi_data;
    } else {
        unsigned select = avr_regbit_get_array(avr, spi_unit->spr, 3);
        unsigned divider = (unsigned[]){4, 16, 64, 128}[select & 3] >> (select >> 2);
        spi_data = (uint8_t)value;
        spi_free = avr->cycle + 1 + 8 * divider;
    }
    avr_cycle_timer_register(avr, spi_free - avr->cycle, slot->timer, spi_unit);
}

static void uart_sends(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    char byte = (char)value;
    if (byte != '\n' && byte != '\r')
        line[line_length++] = byte;
    if (!line_length || (byte != '\n' && line_length < sizeof line))
        return;
    come_up();
    memcpy(board.text, line, line_length);
    board.text_length = line_length;
    line_length = 0;
    ask(ASK_PRINT);
}

/* ---- EEPROM: what the library does at once takes its time here */

static void eeprom_written(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    int busy = avr->cycle < eeprom_free;
    if (busy && value & 1 << eeprom_unit->eere.bit)
        avr->data[eeprom_unit->r_eedr] = eeprom_data; /* it cannot be read now */
    eeprom_data = avr->data[eeprom_unit->r_eedr];
    if (!busy && value & 1 << eeprom_unit->eepe.bit)
        eeprom_free = avr->cycle + (avr_cycle_count_t)equipment.clock_hz / 10000 * EEPROM_WRITE_US / 100;
}

static uint8_t eeprom_control(avr_t *same, avr_io_addr_t address, void *param)
{
    (void)same, (void)param;
    uint8_t busy = avr->cycle < eeprom_free ? (uint8_t)(1 << eeprom_unit->eepe.bit) : 0;
    return (uint8_t)((avr->data[address] & ~(1 << eeprom_unit->eepe.bit)) | busy);
}

/* ---- the watchdog */

static void set_watchdog(uint8_t value)
{
    avr_io_addr_t at = (avr_io_addr_t)watchdog_unit->wdce.reg;
    uint8_t change = (uint8_t)(1 << watchdog_unit->wdce.bit | 1 << watchdog_unit->wde.bit);
    avr->io[AVR_DATA_TO_IO(at)].w.c(avr, at, change, avr->io[AVR_DATA_TO_IO(at)].w.param);
    avr->io[AVR_DATA_TO_IO(at)].w.c(avr, at, value, avr->io[AVR_DATA_TO_IO(at)].w.param);
}

/* It cannot be switched off while its reset flag is set, or by the fuse. */
static void watchdog_written(avr_irq_t *irq, uint32_t value, void *param)
{
    static int busy;
    (void)irq, (void)param;
    uint8_t changes = (uint8_t)(1 << watchdog_unit->wdce.bit), on = (uint8_t)(1 << watchdog_unit->wde.bit);
    int held = equipment.watchdog_always || avr_regbit_get(avr, avr->reset_flags.wdrf);
    uint8_t now = avr->data[watchdog_unit->wde.reg];
    if (busy || !held || value & changes || now & on)
        return;
    busy = 1;
    set_watchdog((uint8_t)((now & ~changes) | on));
    busy = 0;
}

/* ---- crashes */

static void logged(avr_t *same, const int level, const char *format, va_list values)
{
    (void)same;
    if (level != LOG_ERROR || complaint || !avr)
        return;
    complaint = 1;
    complained_at = avr->pc;
    vsnprintf(complaint_text, sizeof complaint_text, format, values);
    avr->run_cycle_count = 1;
}

static int is_call(uint32_t at)
{
    unsigned opcode = avr->flash[at] | avr->flash[at + 1] << 8;
    return (opcode & 0xF000) == 0xD000 || opcode == 0x9509 || opcode == 0x9519;
}

static int is_long_call(uint32_t at)
{
    return ((avr->flash[at] | avr->flash[at + 1] << 8) & 0xFE0E) == 0x940E;
}

/* Where the processor is and who called it: what looks like return addresses on the stack. */
static void find_places(uint32_t pc)
{
    unsigned width = avr->address_size, count = 0;
    board.places[count++] = pc;
    for (unsigned at = _avr_sp_get(avr) + 1u; at + width <= avr->ramend + 1u && count < 16; at++) {
        uint32_t back = 0;
        for (unsigned i = 0; i < width; i++)
            back = back << 8 | avr->data[at + i];
        back *= 2;
        if (back < 4 || back >= after_program)
            continue;
        if (is_call(back - 2) || is_long_call(back - 4)) {
            board.places[count++] = back - 2;
            at += width - 1;
        }
    }
    board.places_length = count;
}

static _Noreturn void ends(const char *what, uint32_t pc)
{
    find_places(pc);
    image.pc = pc;
    come_up();
    crash(what, NULL);
}

/* Where the heap ends, by the variable of avr-libc; 0 as long as nothing was allocated. */
static uint16_t allocated(void)
{
    uint32_t at = equipment.heap_end;
    return at ? (uint16_t)(avr->data[at] | avr->data[at + 1] << 8) : 0;
}

static uint16_t heap_end(void)
{
    uint16_t found = allocated();
    return found ? found : (uint16_t)equipment.static_end;
}

static _Noreturn void ends_by_complaint(void)
{
    static char text[200];
    uint32_t pc = complained_at;
    if (pc == 0)
        ends("a jump to address 0: a function pointer that is null, an interrupt without a handler,"
             " or a restart that resets nothing", pc);
    if (pc >= after_program) {
        snprintf(text, sizeof text, "it runs in erased flash, at address %#x", (unsigned)pc);
        ends(text, pc);
    }
    if (_avr_sp_get(avr) < heap_end() || _avr_sp_get(avr) > avr->ramend)
        ends("the stack has grown into static data or the heap", pc);
    if (strstr(complaint_text, "nvalid write")) {
        snprintf(text, sizeof text, "a write to an address where there is no memory");
        ends(text, pc);
    }
    if (strstr(complaint_text, "nvalid read") || strstr(complaint_text, "nvalid Read"))
        ends("a read from an address where there is no memory", pc);
    if (strstr(complaint_text, "nvalid Opcode") || strstr(complaint_text, "nvalid opcode")) {
        snprintf(text, sizeof text, "invalid instruction at address %#x", (unsigned)pc);
        ends(text, pc);
    }
    snprintf(text, sizeof text, "the processor's simulation gave up: %.150s", complaint_text);
    ends(text, pc);
}

/* ---- interrupts */

static void interrupt_begins(avr_irq_t *irq, uint32_t vector, void *param)
{
    (void)irq, (void)param;
    if (!vector)
        return;
    avr->cycle += avr->address_size == 3 ? 5 : 4;
    unsigned sp = _avr_sp_get(avr);
    uint32_t from = 0;
    for (unsigned i = 1; i <= avr->address_size; i++)
        from = from << 8 | avr->data[sp + i];
    uint32_t at = vector * avr->vector_size;
    unsigned opcode = avr->flash[at] | avr->flash[at + 1] << 8;
    uint32_t target = (opcode & 0xF000) == 0xC000
        ? (at + 2 + 2 * ((opcode & 0x0FFF) ^ 0x0800) - 0x1000) & avr->flashend
        : 2u * (avr->flash[at + 2] | avr->flash[at + 3] << 8);
    if (equipment.bad_interrupt && target == equipment.bad_interrupt) {
        static char text[80];
        snprintf(text, sizeof text, "interrupt %u came, and the program has no handler for it",
                 (unsigned)vector);
        ends(text, 2 * from);
    }
}

static void take_level_interrupts(void)
{
    if (!edge_unit || !avr->sreg[S_I])
        return;
    for (int i = 0; i < EXTINT_COUNT; i++) {
        __typeof__(edge_unit->eint[0]) *edge = &edge_unit->eint[i];
        if (!edge->port_ioctl || !avr_regbit_get(avr, edge->vector.enable)
            || avr_regbit_get_array(avr, edge->isc, 2) || edge->vector.pending)
            continue;
        avr_irq_t *pin = avr_io_getirq(avr, edge->port_ioctl, edge->port_pin);
        if (pin && !pin->value)
            avr_raise_interrupt(avr, &edge->vector);
    }
}

static void take_interrupts(void)
{
    take_level_interrupts();
    if (avr->interrupt_state == -1)
        avr_service_interrupts(avr);
    avr_service_interrupts(avr);
}

/* ---- running */

static void set_clock(void)
{
    uint64_t ms = board.clock_ns / 1000000;
    uint64_t overflow_ns = 64ull * 256 * PER_BILLION / equipment.clock_hz;
    uint32_t values[] = {(uint32_t)ms, (uint32_t)(board.clock_ns / overflow_ns)};
    uint32_t places[] = {equipment.millis, equipment.overflows};
    for (int i = 0; i < 2; i++)
        for (int byte = 0; places[i] && byte < 4; byte++)
            avr->data[places[i] + byte] = (uint8_t)(values[i] >> 8 * byte);
    poke = 0;
}

static avr_cycle_count_t halt(avr_t *same, avr_cycle_count_t when, void *param)
{
    (void)same, (void)when, (void)param;
    return 0;
}

static void bitten(void)
{
    image.pc = avr->pc;
    find_places(avr->pc);
    come_up();
    for (;;)
        ask(ASK_BITE);
}

/* Whether it sleeps without the clock of its timers: power-down, power-save, standby. */
static int deep(void)
{
    return avr->state == cpu_Sleeping && avr->data[SLEEP_CONTROL] & 4;
}

/* The time of a deep sleep up to now passes for the watchdog alone. */
static void sleep_deep(void)
{
    uint64_t since_ns = processor_ns();
    if (board.now_ns <= since_ns)
        return;
    avr_cycle_count_t passed = cycle_at(board.now_ns) - avr->cycle;
    avr_cycle_timer_slot_t *dog = timer_of(watchdog_unit);
    if (dog) {
        avr_cycle_count_t left = dog->when - avr->cycle;
        avr_cycle_timer_register(avr, left > passed ? left - passed : 0, dog->timer, dog->param);
    }
    base_ns += board.now_ns - since_ns;
    horizon = cycle_at(board.horizon_ns);
}

/* While nothing of the main program runs: to the next timer or the horizon. */
static void pass(avr_cycle_count_t until_timer)
{
    avr_cycle_count_t then = avr->cycle + (until_timer ? until_timer : 1);
    avr->cycle = then < horizon ? then : horizon;
}

static unsigned opcode_at(uint32_t at)
{
    return avr->flash[at] | avr->flash[at + 1] << 8;
}

/* In a loop that only counts down ("sbiw Rd, 1; brne" of delay loops, four cycles a turn) all turns
 * up to the next timer pass at once. */
static void skip_delay(avr_cycle_count_t until_timer)
{
    uint32_t pc = avr->pc;
    if (pc + 4 >= avr->flashend || opcode_at(pc) == BACK_TO_COUNT) {
        avr->run_cycle_count = 1; /* one step, then it stands at its first instruction */
        return;
    }
    if ((opcode_at(pc) & 0xFFCF) != COUNT_DOWN || opcode_at(pc + 2) != BACK_TO_COUNT)
        return;
    unsigned low = 24 + (opcode_at(pc) >> 4 & 3) * 2;
    avr_cycle_count_t end = avr->cycle + until_timer < horizon ? avr->cycle + until_timer : horizon;
    unsigned turns = avr->data[low] | avr->data[low + 1] << 8;
    avr_cycle_count_t room = (end - avr->cycle) / TURN;
    turns = turns ? turns : 0x10000;
    if (room < 3 || turns < 3)
        return;
    unsigned skipped = turns - 1 < room - 1 ? turns - 1 : (unsigned)(room - 1);
    turns -= skipped;
    avr->data[low] = (uint8_t)turns;
    avr->data[low + 1] = (uint8_t)(turns >> 8);
    avr->cycle += TURN * skipped;
    avr->run_cycle_count = 1;
}

/* The memory address that an instruction stores to through a pointer register, or SOMEWHERE. */
static unsigned stores_to(unsigned opcode)
{
    if ((opcode & 0xD200) == 0x8200) { /* std Y+q, std Z+q */
        unsigned offset = (opcode & 7) | (opcode >> 7 & 0x18) | (opcode >> 8 & 0x20);
        return word(opcode & 8 ? R_YL : R_ZL, opcode & 8 ? R_YH : R_ZH) + offset;
    }
    if ((opcode & 0xFE00) != 0x9200)
        return SOMEWHERE;
    switch (opcode & 0xF) {
    case 0x1: return word(R_ZL, R_ZH);
    case 0x2: return word(R_ZL, R_ZH) - 1;
    case 0x9: return word(R_YL, R_YH);
    case 0xA: return word(R_YL, R_YH) - 1;
    case 0xC: case 0xD: return word(R_XL, R_XH);
    case 0xE: return word(R_XL, R_XH) - 1;
    default: return SOMEWHERE;
    }
}

/* Instruction by instruction up to the next timer, or until one of them changes the timers or the
 * interrupts. */
static void run_watched(avr_cycle_count_t until_timer)
{
    avr_cycle_count_t end = avr->cycle + (until_timer ? until_timer : 1);
    avr_cycle_timer_slot_t *first = avr->cycle_timers.timer;
    avr_cycle_count_t when = first ? first->when : 0;
    uint16_t lowest = poke ? 0 : heap_end();
    do {
        if (stores_to(opcode_at(avr->pc)) < 32)
            ends("a write through a pointer that is null", avr->pc);
        if (_avr_sp_get(avr) < lowest && _avr_sp_get(avr) < heap_end())
            ends("the stack has grown into static data or the heap", avr->pc);
        avr->run_cycle_count = 1;
        avr->pc = avr_run_one(avr);
    } while (avr->cycle < end && avr->cycle < horizon && !avr->interrupt_state && !complaint
             && !poke && !due && !spi_mixed && avr->state == cpu_Running && avr->run == own_run
             && avr->cycle_timers.timer == first && (!first || first->when == when));
}

static void run_to_horizon(void)
{
    while (avr->cycle < horizon) {
        if (slept_deep && !deep()) {
            slept_deep = 0; /* its oscillator starts */
            base_ns += START_CYCLES * PER_BILLION / equipment.clock_hz;
            processor_answered();
            continue;
        }
        avr_cycle_timer_register(avr, horizon - avr->cycle, halt, NULL);
        avr_cycle_count_t idle = avr_cycle_timer_process(avr);
        if (avr->run != own_run)
            bitten();
        if (avr->cycle >= horizon)
            return;
        take_interrupts();
        if (due) {
            due = 0;
            take_inputs();
            if (equipment.select != WITHOUT)
                chip_service();
            continue;
        }
        if (avr->state == cpu_Sleeping || (board.hung && !avr->interrupts.running_ptr)) {
            if (avr->state == cpu_Sleeping && avr_has_pending_interrupts(avr) && !avr->sreg[S_I])
                avr->state = cpu_Running;
            slept_deep = deep();
            if (slept_deep)
                return;
            pass(idle);
            continue;
        }
        if (poke) {
            avr->run_cycle_count = 1;
            if (avr->pc == equipment.main)
                set_clock();
        }
        if (!avr->interrupt_state)
            skip_delay(idle);
        run_watched(idle);
        if (complaint || avr->state == cpu_Crashed)
            ends_by_complaint();
        if (spi_mixed)
            ends("an interrupt sends bytes to the CAN controller in the middle of a command that the"
                 " program has begun", mixed_at);
    }
}

static uint64_t wakes_at(void)
{
    if (avr->state != cpu_Sleeping)
        return processor_ns();
    avr_cycle_timer_cancel(avr, halt, NULL);
    avr_cycle_timer_slot_t *next = deep() ? timer_of(watchdog_unit) : avr->cycle_timers.timer;
    return next ? ns_at(next->when) : UINT64_MAX;
}

_Noreturn void processor_run(void)
{
    for (;;) {
        take_inputs();
        if (horizon <= avr->cycle && board.now_ns >= processor_ns())
            horizon = avr->cycle + 1; /* others have more to do at this very instant */
        run_to_horizon();
        board.until_ns = wakes_at();
        board.idle = 1;
        ask(ASK_WAIT);
        board.idle = 0;
        if (deep()) {
            sleep_deep();
            continue;
        }
        avr_cycle_count_t now = cycle_at(board.now_ns);
        if (avr->state == cpu_Sleeping && avr->cycle < now)
            avr->cycle = now;
    }
}

/* ---- the beginning */

static uint64_t noise_state;

static uint8_t noise(void)
{
    noise_state = noise_state * 6364136223846793005ull + 1442695040888963407ull;
    return (uint8_t)(noise_state >> 56);
}

void processor_reset(void)
{
    avr_io_addr_t status = avr->reset_flags.porf.reg;
    int power = board.reset_cause == 0;
    uint8_t causes = power ? 0 : avr->data[status];
    static const uint8_t CAUSE[] = {1, 2, 8, 2}; /* PORF, EXTRF, WDRF; nothing else resets it */
    causes |= CAUSE[board.reset_cause & 3];

    avr_reset(avr);
    for (uint8_t i = 0; edge_unit && i < EXTINT_COUNT; i++)
        edge_unit->eint[i].strict_lvl_trig = 0; /* it would look at every cycle */
    avr->run = own_run;
    avr->data[status] = causes;
    if (equipment.watchdog_always && watchdog_unit)
        set_watchdog((uint8_t)(1 << watchdog_unit->wde.bit));
    noise_state = (equipment.seed ^ board.now_ns) + board.seed * 0x9E3779B97F4A7C15ull;
    for (int i = 0; i < 4; i++)
        noise(); /* neighbouring seeds part */
    if (power) {
        for (unsigned at = ram_begin; at <= avr->ramend; at++)
            avr->data[at] = noise();
    }
    for (int i = 0; i < 32; i++)
        avr->data[i] = noise();
    for (int pin = 0; pin < 8 * PORTS; pin++)
        if (ports[pin / 8])
            avr_irq_set_flags(pin_irq(pin), avr_irq_get_flags(pin_irq(pin)) | IRQ_FLAG_INIT);
    memset(outside_mask, 0, sizeof outside_mask);
    memset(driven, 0xFF, sizeof driven); /* NOTHING */
    input_count = 0;
    for (int pin = 0; pin < 8 * PORTS; pin++)
        if (board.wired[pin] == 2 && ports[pin / 8])
            inputs[input_count++] = (uint8_t)pin;
    complaint = due = selected = slept_deep = 0;
    line_length = 0;
    eeprom_free = spi_free = 0;
    spi_mixed = 0;
    avr->run_cycle_limit = 1 << 30;
    base_cycle = avr->cycle;
    base_ns = board.now_ns;
    avr->cycle += 3; /* the jump of the reset vector */
    avr->cycle += (noise() << 8 | noise()) % START_JITTER; /* its oscillator never starts alike */
    poke = equipment.main != 0;
    horizon = cycle_at(board.horizon_ns);
}

static void hook(avr_irq_t *irq, avr_irq_notify_t notify, void *param)
{
    if (irq)
        avr_irq_register_notify(irq, notify, param);
}

static void on_write(avr_io_addr_t address, avr_irq_notify_t notify, void *param)
{
    if (address)
        hook(avr_iomem_getirq(avr, address, NULL, AVR_IOMEM_IRQ_ALL), notify, param);
}

static void find_units(void)
{
    for (avr_io_t *unit = avr->io_port; unit; unit = unit->next) {
        if (!strcmp(unit->kind, "port")) {
            avr_ioport_t *port = (avr_ioport_t *)unit;
            if (port->name >= 'A' && port->name < 'A' + PORTS)
                ports[port->name - 'A'] = port;
        }
        if (!strcmp(unit->kind, "eeprom"))
            eeprom_unit = (avr_eeprom_t *)unit;
        if (!strcmp(unit->kind, "watchdog"))
            watchdog_unit = (avr_watchdog_t *)unit;
        if (!strcmp(unit->kind, "adc"))
            converter = (avr_adc_t *)unit;
        if (!strcmp(unit->kind, "spi") && !spi_unit)
            spi_unit = (avr_spi_t *)unit;
        if (!strcmp(unit->kind, "extint"))
            edge_unit = (avr_extint_t *)unit;
    }
}

/* The modes that the library's chips leave out; it would overflow with every count in them. */
static void add_modes(avr_timer_t *timer)
{
    static const avr_timer_wgm_t SHORT[16] = {
        [1] = AVR_TIMER_WGM_FCPWM8(), [5] = AVR_TIMER_WGM_OCPWM(),
    };
    static const avr_timer_wgm_t LONG[16] = {
        [1] = AVR_TIMER_WGM_FCPWM8(), [2] = AVR_TIMER_WGM_FCPWM9(), [3] = AVR_TIMER_WGM_FCPWM10(),
        [8] = AVR_TIMER_WGM_ICPWM(), [9] = AVR_TIMER_WGM_OCPWM(),
        [10] = AVR_TIMER_WGM_ICPWM(), [11] = AVR_TIMER_WGM_OCPWM(),
    };
    for (int i = 0; i < 16; i++)
        if (timer->wgm_op[i].kind == avr_timer_wgm_none)
            timer->wgm_op[i] = timer->r_tcnth ? LONG[i] : SHORT[i];
}

static void find_pwms(void)
{
    for (avr_io_t *unit = avr->io_port; unit; unit = unit->next) {
        if (strcmp(unit->kind, "timer"))
            continue;
        avr_timer_t *timer = (avr_timer_t *)unit;
        add_modes(timer);
        for (int i = 0; i < AVR_TIMER_COMP_COUNT && pwm_count < 24; i++) {
            int pin = timer->comp[i].com_pin.reg ? pin_of(timer->comp[i].com_pin) : NOTHING;
            if (pin == NOTHING)
                continue;
            pwms[pwm_count++] = (struct pwm){timer, &timer->comp[i], pin};
            on_write((avr_io_addr_t)timer->comp[i].com.reg, timer_written, timer);
            on_write(timer->comp[i].r_ocr, timer_written, timer);
        }
    }
}

static void connect(void)
{
    for (int port = 0; port < PORTS; port++)
        if (ports[port]) {
            on_write(ports[port]->r_port, port_written, (void *)(intptr_t)port);
            on_write(ports[port]->r_ddr, port_written, (void *)(intptr_t)port);
            on_write(ports[port]->r_pin, port_written, (void *)(intptr_t)port);
        }
    find_pwms();
    share_channels();
    hook(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), converts, NULL);
    hook(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_OUTPUT), spi_sends, NULL);
    for (char name = '0'; name < '4'; name++) {
        uint32_t flags = 0;
        avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS(name), &flags);
        hook(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ(name), UART_IRQ_OUTPUT), uart_sends, NULL);
    }
    if (watchdog_unit)
        on_write((avr_io_addr_t)watchdog_unit->wde.reg, watchdog_written, NULL);
    if (spi_unit)
        on_write(spi_unit->r_spdr, spi_written, NULL);
    if (eeprom_unit) {
        on_write(eeprom_unit->r_eecr, eeprom_written, NULL);
        avr_register_io_read(avr, eeprom_unit->r_eecr, eeprom_control, NULL);
    }
    hook(avr->interrupts.irq + AVR_INT_IRQ_RUNNING, interrupt_begins, NULL);
}

static void load(const uint8_t *flash, const uint8_t *eeprom)
{
    after_program = equipment.flash_length;
    for (uint32_t at = 0; at <= avr->flashend; at += 2) {
        avr->flash[at] = NO_INSTRUCTION & 0xFF;
        avr->flash[at + 1] = NO_INSTRUCTION >> 8;
    }
    memcpy(avr->flash, flash, equipment.flash_length);
    unsigned opcode = flash[0] | flash[1] << 8;
    if ((opcode & 0xFE0E) == 0x940C)
        entry = 2u * (flash[2] | flash[3] << 8);
    else if ((opcode & 0xF000) == 0xC000)
        entry = (2 + 2 * (opcode & 0x0FFF)) & avr->flashend;
    if (entry) { /* who comes here without a reset has lost its way */
        avr->flash[0] = NO_INSTRUCTION & 0xFF;
        avr->flash[1] = NO_INSTRUCTION >> 8;
        avr->reset_pc = entry;
    }
    if (equipment.eeprom_length) {
        avr_eeprom_desc_t all = {(uint8_t *)eeprom, 0, equipment.eeprom_length};
        avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &all);
    }
}

void processor_make(const uint8_t *flash, const uint8_t *eeprom)
{
    avr_global_logger_set(logged);
    avr_t *made = avr_make_mcu_by_name(equipment.chip);
    if (!made)
        exit(2);
    avr_init(made);
    made->frequency = equipment.clock_hz;
    made->vcc = made->avcc = made->aref = equipment.vcc_mv;
    avr = made;
    avr->data = realloc(avr->data, ADDRESSES); /* it writes past the end before it complains */
    if (!avr->data)
        exit(1);
    own_run = avr->run;
    ram_begin = avr->ioend + 1;
    find_units();
    connect();
    load(flash, eeprom);
}
