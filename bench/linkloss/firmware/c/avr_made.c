/* avr_made.c: an AVR is made, gets its image, and is reset. */
#include "avr.h"

static uint32_t entry;
static uint16_t ram_begin;

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
    noise_state = equipment.seed ^ board.now_ns ^ board.clock_ns / 1000000 % ROUND_MS << 32;
    for (int i = 0; i < 4; i++)
        noise(); /* neighbours part */
    uint64_t start = (noise() << 8 | noise()) + board.seed * SPREAD;
    noise_state += board.seed * 0x9E3779B97F4A7C15ull;
    noise();
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
    mistake = NULL;
    forget_races();
    begin_track();
    avr->run_cycle_limit = 1 << 30;
    base_cycle = avr->cycle;
    base_ns = board.now_ns;
    avr->cycle += 3; /* the jump of the reset vector */
    avr->cycle += start % START_JITTER; /* its oscillator never starts alike */
    poke = equipment.main != 0;
    horizon = cycle_at(board.horizon_ns);
}

static void hook(avr_irq_t *irq, avr_irq_notify_t notify, void *param)
{
    if (irq)
        avr_irq_register_notify(irq, notify, param);
}

void on_write(avr_io_addr_t address, avr_irq_notify_t notify, void *param)
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

void processor_make(const uint8_t *flash, const uint8_t *eeprom, const struct scalar_place *scalars)
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
    know_program(scalars);
}
