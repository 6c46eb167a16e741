/* avr_pins.c: the ports of an AVR, what drives their pins, and what they drive. */
#include "avr.h"

static struct pwm {
    avr_timer_t *timer;
    avr_timer_comp_t *unit;
    int pin;
} pwms[24];
static int pwm_count;

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

unsigned word(avr_io_addr_t low, avr_io_addr_t high)
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

/* Where the program was when a pin became an output. */
static struct {
    uint32_t count;
    uint64_t places[sizeof board.places / sizeof *board.places];
} begun[8 * PORTS];

static _Noreturn void ends_by_twitch(int pin)
{
    static char text[160];
    memcpy(board.places, begun[pin].places, sizeof board.places);
    board.places_length = begun[pin].count;
    snprintf(text, sizeof text, "pin P%c%d becomes an output before it has its level: what hangs on it"
             " twitches", 'A' + pin / 8, pin % 8);
    crash(text, NULL);
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
    int begins = driven[pin] == NOTHING;
    driven[pin] = (int16_t)wanted;
    if (board.wired[pin] != 1)
        return;
    if (begins) {
        find_places(avr->pc);
        begun[pin].count = board.places_length;
        memcpy(begun[pin].places, board.places, sizeof board.places);
    }
    come_up();
    board.a = pin;
    board.b = wanted;
    ask(ASK_OUTPUT);
    if (board.result)
        ends_by_twitch(pin);
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

void port_written(avr_irq_t *irq, uint32_t value, void *param)
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

avr_irq_t *pin_irq(int pin)
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

void take_inputs(void)
{
    for (int i = 0; i < input_count; i++) {
        uint8_t pin = inputs[i], bit = (uint8_t)(1 << pin % 8), port = pin / 8;
        int before = outside_mask[port] & bit ? (outside_level[port] & bit) != 0 : NOTHING;
        if (before != (board.level[pin] != 0))
            processor_feed(pin, board.level[pin]);
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

void find_pwms(void)
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
