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
 * - The first instruction comes up to 4096 cycles late, by the seed and by the clock that the node starts
 *   with, but for its whole rounds of 10 s, so that a case and the same one with an earlier clock
 *   compare. Events of others come at other instants of its loop in each case, and 4096 neighbouring
 *   seeds meet each cycle once.
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
#include "avr.h"

avr_t *avr;
avr_ioport_t *ports[PORTS];
avr_eeprom_t *eeprom_unit;
avr_watchdog_t *watchdog_unit;
avr_extint_t *edge_unit;
avr_adc_t *converter;
avr_spi_t *spi_unit;
avr_cycle_count_t spi_free;
const char *mistake;
uint32_t mistake_at;
uint32_t after_program; /* flash from here on is erased */
avr_cycle_count_t base_cycle, horizon;
uint64_t base_ns;
avr_run_t own_run;
int due;       /* interrupts of machine.h that came while an instruction ran */
int poke;      /* the clock's start has yet to be set, at the beginning of main() */
int complaint;
uint32_t complained_at;
uint8_t outside_mask[PORTS], outside_level[PORTS];
int16_t driven[256];
uint8_t inputs[256];
int input_count;
int selected;
int selected_in; /* how many interrupts deep */
int slept_deep;
avr_cycle_count_t eeprom_free;
unsigned line_length;

/* ---- time */

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

avr_cycle_count_t cycle_at(uint64_t ns)
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

/* ---- interrupts */

void interrupt_begins(avr_irq_t *irq, uint32_t vector, void *param)
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

/* Instruction by instruction up to the next timer, or until one of them changes the timers or the
 * interrupts. */
static void run_watched(avr_cycle_count_t until_timer)
{
    avr_cycle_count_t end = avr->cycle + (until_timer ? until_timer : 1);
    avr_cycle_timer_slot_t *first = avr->cycle_timers.timer;
    avr_cycle_count_t when = first ? first->when : 0;
    uint16_t lowest = poke ? 0 : heap_end();
    do {
        if (_avr_sp_get(avr) < lowest && _avr_sp_get(avr) < heap_end())
            ends("the stack has grown into static data or the heap", avr->pc);
        int level = avr->interrupts.running_ptr;
        steps[level < LEVELS ? level : LEVELS]++;
        if (kinds[avr->pc / 2])
            run_access();
        else {
            avr->run_cycle_count = 1;
            avr->pc = avr_run_one(avr);
        }
    } while (avr->cycle < end && avr->cycle < horizon && !avr->interrupt_state && !complaint
             && !poke && !due && !mistake && avr->state == cpu_Running && avr->run == own_run
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
        if (mistake)
            ends(mistake, mistake_at);
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
