/* avr_units.c: converter, SPI, serial line, EEPROM and watchdog of an AVR, around the library's. */
#include "avr.h"

static uint8_t spi_data;
static char line[sizeof board.text];

/* ---- converter, SPI, serial line */

void converts(avr_irq_t *irq, uint32_t value, void *param)
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
void share_channels(void)
{
    for (unsigned i = 0; converter && i < sizeof converter->muxmode / sizeof *converter->muxmode; i++) {
        avr_adc_mux_t *mux = &converter->muxmode[i];
        if (mux->kind != ADC_MUX_SINGLE)
            continue;
        mux->gain = mux->src;
        mux->src &= 7;
    }
}

void spi_sends(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    avr_irq_t *in = avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT);
    avr_raise_irq(in, selected ? chip_transfer((uint8_t)value) : 0xFF);
}

avr_cycle_timer_slot_t *timer_of(const void *unit)
{
    avr_cycle_timer_slot_t *slot = avr->cycle_timers.timer;
    while (slot && slot->param != unit)
        slot = slot->next;
    return slot;
}

/* A byte takes eight clocks of SCK, by the divider that is set when it is written. One that is
 * written while another is on its way is lost (WCOL). */
void spi_written(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    avr_cycle_timer_slot_t *slot = timer_of(spi_unit);
    if (!slot)
        return; /* it is off */
    avr_int_table_t *table = &avr->interrupts;
    if (selected && table->running_ptr > selected_in
        && table->running[table->running_ptr - 1] != &spi_unit->spi)
        mistakes("an interrupt sends bytes to the CAN controller in the middle of a command that the"
                 " program has begun", avr->pc);
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

void uart_sends(avr_irq_t *irq, uint32_t value, void *param)
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

void eeprom_written(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    int busy = avr->cycle < eeprom_free;
    if (busy && value & 1 << eeprom_unit->eere.bit)
        mistakes("the EEPROM is read before it has written the last byte: what is read is not what"
                 " it holds", avr->pc);
    if (busy && value & 1 << eeprom_unit->eepe.bit && value & 1 << eeprom_unit->eempe.bit)
        mistakes("a byte is written to the EEPROM before it has written the last one: it is lost",
                 avr->pc);
    if (!busy && value & 1 << eeprom_unit->eepe.bit)
        eeprom_free = avr->cycle + (avr_cycle_count_t)equipment.clock_hz / 10000 * EEPROM_WRITE_US / 100;
}

uint8_t eeprom_control(avr_t *same, avr_io_addr_t address, void *param)
{
    (void)same, (void)param;
    uint8_t busy = avr->cycle < eeprom_free ? (uint8_t)(1 << eeprom_unit->eepe.bit) : 0;
    return (uint8_t)((avr->data[address] & ~(1 << eeprom_unit->eepe.bit)) | busy);
}

/* ---- the watchdog */

void set_watchdog(uint8_t value)
{
    avr_io_addr_t at = (avr_io_addr_t)watchdog_unit->wdce.reg;
    uint8_t change = (uint8_t)(1 << watchdog_unit->wdce.bit | 1 << watchdog_unit->wde.bit);
    avr->io[AVR_DATA_TO_IO(at)].w.c(avr, at, change, avr->io[AVR_DATA_TO_IO(at)].w.param);
    avr->io[AVR_DATA_TO_IO(at)].w.c(avr, at, value, avr->io[AVR_DATA_TO_IO(at)].w.param);
}

/* It cannot be switched off while its reset flag is set, or by the fuse. */
void watchdog_written(avr_irq_t *irq, uint32_t value, void *param)
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
