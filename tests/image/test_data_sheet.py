"""What the processor does beside its instructions, against the data sheet of the ATmega328P
(DS40002061): the section stands at each test.
"""

from __future__ import annotations

import pytest
from avr_lab import EXTERNAL, MS, POWER_UP, WATCHDOG, Table

HEAD = """
#include <avr/io.h>
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/delay.h>
#define UP() (PORTB |= 1)
#define DOWN() (PORTB &= ~1)
/* Tells a number: that many pulses. */
static void tell(uint8_t n) { while (n--) { UP(); _delay_us(1); DOWN(); _delay_us(1); } }
"""


def table(tmp_path, body, before="", **own):
    text = f"{HEAD}{before}\nint main(void) {{ DDRB = 1; {body} for (;;); }}"
    return Table(tmp_path, text, **own)


def told(ran):
    """The number that a program tells."""
    return sum(level == 255 for _, level in ran.changes("PB0"))


def number(tmp_path, body, before="", ms=8.0, **settings):
    return told(table(tmp_path, body, before).run(ms, outputs=("PB0",), **settings))


def test_exactly_one_instruction_comes_between_sei_and_a_pending_interrupt(tmp_path):
    """Section 7.7: the instruction following SEI is executed before any pending interrupt."""
    isr = "volatile uint8_t seen = 99; ISR(INT0_vect) { seen = GPIOR0; }"
    body = """EICRA = 3; EIMSK = 1; DDRD = 4; PORTD |= 4; GPIOR0 = 0;
              asm volatile("ldi r24, 1\\n ldi r25, 2\\n ldi r26, 3\\n sei\\n out 0x1e, r24\\n"
                           "out 0x1e, r25\\n out 0x1e, r26" ::: "r24", "r25", "r26");
              tell(seen);"""
    assert number(tmp_path, body, isr) == 1


def test_the_flags_of_resets_add_up_until_they_are_cleared(tmp_path):
    """Section 10.9.1, MCUSR: each is reset by a power-on reset, or by writing a zero to it."""
    chip = table(tmp_path, "tell(MCUSR); wdt_enable(WDTO_15MS);")
    assert told(chip.run(5, POWER_UP, ("PB0",))) == 1  # PORF
    assert told(chip.run(5, EXTERNAL, ("PB0",))) == 3  # EXTRF too
    assert told(chip.run(5, WATCHDOG, ("PB0",))) == 11  # WDRF too
    assert told(chip.run(5, POWER_UP, ("PB0",))) == 1


def test_memory_outlives_a_reset_but_not_the_loss_of_power(tmp_path):
    """Section 8.3: SRAM; it is undefined after power-up. Registers have initial values."""
    before = 'uint8_t kept[4] __attribute__((section(".noinit"))); static uint8_t began;'
    body = """uint8_t right = kept[0] == 0x5A && kept[1] == 0xC3 && kept[2] == 0x17
                              && kept[3] == 0x99;
              kept[0] = 0x5A; kept[1] = 0xC3; kept[2] = 0x17; kept[3] = 0x99;
              tell(1 + right + 10 * began++);"""
    chip = table(tmp_path, body, before)
    found = [told(chip.run(2, cause, ("PB0",))) for cause in (POWER_UP, EXTERNAL, POWER_UP)]
    assert found == [1, 2, 1]


@pytest.mark.parametrize(("always", "disabled", "bites"), [
    (False, "", True), (False, "wdt_disable();", True),
    (False, "MCUSR = 0; wdt_disable();", False), (True, "MCUSR = 0; wdt_disable();", True),
])  # fmt: skip
def test_the_watchdog_is_still_on_after_its_reset(tmp_path, always, disabled, bites):
    """Section 10.9.2: WDE is always set when WDRF is set; it runs with the shortest period then.
    With the fuse WDTON (table 10-1) nothing switches it off.
    """
    chip = table(
        tmp_path,
        f"if (MCUSR & 8) {{ {disabled} _delay_ms(200); }} wdt_enable(WDTO_120MS); _delay_ms(1000);",
        watchdog_always=always,
    )
    first = chip.run(300)
    assert first.bitten_ns is not None
    expected_ms = 16 if always else 125
    assert first.bitten_ns == pytest.approx(expected_ms * MS, rel=0.1)
    again = chip.run(150, WATCHDOG)
    assert (again.bitten_ns is not None) is bites
    if bites:
        assert again.bitten_ns == pytest.approx(16 * MS, rel=0.1)


def test_a_byte_of_eeprom_takes_3_4_ms_to_write(tmp_path):
    """Section 8.6.3, table 8-1: 3.4 ms for erase and write; EEPE is set until then."""
    body = """EEAR = 3; EEDR = 0x42; EECR = 1 << EEMPE; UP(); EECR |= 1 << EEPE;
              while (EECR & 1 << EEPE); DOWN();"""
    (cycles,) = table(tmp_path, body).run(8, outputs=("PB0",)).high("PB0")
    assert cycles == pytest.approx(3400 * 16, rel=0.01)


WAIT = "while (EECR & 1 << EEPE);"
BUSY = "before it has written the last"


@pytest.mark.parametrize(
    ("then", "told_"),
    [
        ("EECR |= 1 << EERE;", "the EEPROM is read"),
        ("EECR = 1 << EEMPE; EECR |= 1 << EEPE;", "a byte is written to the EEPROM"),
    ],
)
def test_eeprom_that_is_used_while_it_writes_is_a_finding(tmp_path, then, told_):
    """Section 8.6.3, EERE and EEPE: while a write is in progress it is not possible to read the
    EEPROM, and EEPE must be zero before the next write.
    """
    body = "EEAR = 3; EEDR = 7; EECR = 1 << EEMPE; EECR |= 1 << EEPE; %s %s tell(EEDR);"
    ran = table(tmp_path, body % ("", then)).run(8, outputs=("PB0",))
    assert ran.crash.startswith(told_)
    assert BUSY in ran.crash
    assert told(ran) == 0
    right = table(tmp_path, body % (WAIT, then)).run(8, outputs=("PB0",))
    assert right.crash == ""
    assert told(right) == 7


def test_eeprom_outlives_the_loss_of_power(tmp_path):
    """Section 8.4."""
    body = "uint8_t n = eeprom_read_byte((uint8_t *)9); tell(n == 255 ? 20 : n);"
    chip = table(tmp_path, body + "eeprom_update_byte((uint8_t *)9, 6);")
    assert [told(chip.run(8, POWER_UP, ("PB0",))) for _ in range(2)] == [20, 6]


def test_a_level_interrupt_is_taken_although_its_pin_was_low_before(tmp_path):
    """Section 13.2: the low level triggers an interrupt as long as the pin is held low."""
    isr = "volatile uint8_t n; ISR(INT0_vect) { if (++n == 5) EIMSK = 0; }"
    body = "_delay_ms(1); EICRA = 0; EIMSK = 1; sei(); _delay_ms(1); tell(n);"
    assert number(tmp_path, body, isr, inputs={"PD2": [(0, 0)]}) == 5
    assert number(tmp_path, body, isr, inputs={"PD2": [(0, 1)]}) == 0


def test_a_pin_that_is_driven_low_stays_low_with_its_pull_up(tmp_path):
    """Section 14.2.1: the pull-up is a resistor; whoever drives the pin wins."""
    body = "_delay_ms(1); PORTD |= 4; _delay_us(5); tell(PIND & 4 ? 2 : 1);"
    assert number(tmp_path, body, inputs={"PD2": [(0, 0)]}) == 1
    assert number(tmp_path, body, inputs={"PD2": [(0, 1)]}) == 2


@pytest.mark.parametrize(("mode", "ticks"), [("IDLE", 156), ("PWR_DOWN", 0)])
def test_timers_stand_still_in_power_down(tmp_path, mode, ticks):
    """Section 9.3 and 9.6: idle keeps the timers going, power-down stops all generated clocks."""
    isr = "ISR(INT0_vect) { EIMSK = 0; }"
    body = f"""TCCR1B = 5; EICRA = 0; EIMSK = 1; sei(); set_sleep_mode(SLEEP_MODE_{mode});
               sleep_mode(); uint16_t t = TCNT1; tell(t > 200 ? 200 : t);"""
    inputs = {"PD2": [(0, 1), (10 * MS, 0)]}
    assert abs(number(tmp_path, body, isr, ms=14, inputs=inputs) - ticks) <= 1


def test_the_oscillator_takes_its_time_after_power_down(tmp_path):
    """Section 9.5 and table 9-3: a crystal starts within 16384 cycles."""
    body = """EICRA = 0; EIMSK = 1; sei(); set_sleep_mode(SLEEP_MODE_PWR_DOWN); sleep_mode();
              UP(); DOWN();"""
    ran = table(tmp_path, body, "ISR(INT0_vect) { EIMSK = 0; }").run(
        14, outputs=("PB0",), inputs={"PD2": [(0, 1), (10 * MS, 0)]}
    )
    at_ns = ran.changes("PB0")[1][0]
    assert at_ns - 10 * MS == pytest.approx(16384 * 62.5, rel=0.01)


def test_the_watchdog_wakes_from_power_down(tmp_path):
    """Section 10.8: it has an oscillator of its own."""
    body = """set_sleep_mode(SLEEP_MODE_PWR_DOWN); sei(); cli(); wdt_reset();
              WDTCSR = 1 << WDCE | 1 << WDE; WDTCSR = 1 << WDIE | 1; sei(); sleep_mode(); UP();"""
    ran = table(tmp_path, body, "EMPTY_INTERRUPT(WDT_vect)").run(60, outputs=("PB0",))
    at_ns = next(at_ns for at_ns, level in ran.changes("PB0") if level == 255)
    assert at_ns == pytest.approx(33 * MS, rel=0.1)


@pytest.mark.parametrize(("compare", "level"), [(0, 0), (64, 64), (255, 255)])
def test_a_timer_drives_its_pin_for_a_share_of_the_time(tmp_path, compare, level):
    """Section 15.7.4, phase correct PWM on OC0A."""
    text = f"{HEAD} int main(void) {{ TCCR0A = 0x81; TCCR0B = 3; OCR0A = {compare};"
    ran = Table(tmp_path, text + " DDRD = 0x40; for (;;); }").run(2, outputs=("PD6",))
    assert ran.changes("PD6")[-1][1] == level


def test_the_same_run_makes_the_same_answers(tmp_path):
    body = "for (uint8_t i = 0; i < 50; i++) { tell(i); _delay_us(7); }"
    chip, same = table(tmp_path, body), table(tmp_path, body)
    first, second = chip.run(20, outputs=("PB0",)), same.run(20, outputs=("PB0",))
    assert first.outputs == second.outputs
    assert len(first.outputs) > 2000
    finer = table(tmp_path, body).run(20, outputs=("PB0",), look_ns=33_333)
    assert finer.outputs == first.outputs
    assert finer.asked > first.asked
    assert chip.run(20, outputs=("PB0",)).outputs != first.outputs  # it starts at another instant
