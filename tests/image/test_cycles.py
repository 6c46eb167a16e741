"""How long instructions, delays, timers and transfers take, against the data sheet of the
ATmega328P (DS40002061) and the instruction set manual (DS40002198): the sections are named beside.
"""

from __future__ import annotations

import pytest
from avr_lab import Table

HEAD = """
#include <avr/io.h>
#include <avr/interrupt.h>
#include <util/delay.h>
#define UP() (PORTB |= 1)    /* sbi: 2 cycles each */
#define DOWN() (PORTB &= ~1)
"""
SBI = 2


def high(tmp_path, body, before="", ms=3.0):
    """For how many cycles PB0 is high in a program."""
    text = f"{HEAD}{before}\nint main(void) {{ DDRB = 1; {body} for (;;); }}"
    return Table(tmp_path, text).run(ms, outputs=("PB0",)).high("PB0")


@pytest.mark.parametrize(
    ("instruction", "cycles"),
    [
        ("nop", 1), ("ldi r24, 5", 1), ("adiw r24, 1", 2), ("mul r24, r25", 2),
        ("lds r24, 0x0100", 2), ("sts 0x0110, r24", 2), ("push r24\\n pop r24", 4),
        ("rjmp .+0", 2), ("rcall 1f\\n rjmp 2f\\n 1: ret\\n 2:", 9), ("lpm r24, Z", 3),
        ("in r24, 0x3f", 1), ("cpse r24, r24\\n nop", 2), ("sbic 0x03, 7\\n nop", 2),
    ],
)  # fmt: skip
def test_an_instruction_takes_the_cycles_of_the_manual(tmp_path, instruction, cycles):
    """Instruction set manual, the table of each; sbi and cbi take two cycles."""
    body = (
        f'UP(); asm volatile("{instruction}" ::: "r24", "r25", "r0", "r1", "r30", "r31"); DOWN();'
    )
    assert high(tmp_path, body + ' asm volatile("clr r1");') == [SBI + cycles]


@pytest.mark.parametrize("us", [1, 10, 400, 1500])
def test_delays_of_the_library_are_exact(tmp_path, us):
    assert high(tmp_path, f"UP(); _delay_us({us}); DOWN();") == [16 * us + SBI]


@pytest.mark.parametrize(("bits", "prescaler"), [(1, 1), (2, 8), (3, 64), (4, 256)])
def test_a_timer_counts_every_so_many_cycles(tmp_path, bits, prescaler):
    """Section 16.9, clear timer on compare: a period is prescaler x (1 + OCR1A)."""
    isr = "ISR(TIMER1_COMPA_vect) { PORTB ^= 1; }"
    body = f"OCR1A = 99; TCCR1B = 1 << WGM12 | {bits}; TIMSK1 = 1 << OCIE1A; sei();"
    found = high(tmp_path, body, isr, ms=20)
    assert set(found[1:]) == {100 * prescaler}
    assert len(found) > 3


@pytest.mark.parametrize(
    ("divider", "control", "double"),
    [(2, 0, 1), (4, 0, 0), (8, 1, 1), (16, 1, 0), (32, 2, 1), (64, 2, 0), (128, 3, 0)],
)
def test_a_byte_on_spi_takes_eight_clocks(tmp_path, divider, control, double):
    """Section 19.5.1, table 19-5: the dividers of SCK; SPIF is polled every five cycles."""
    body = f"""DDRB |= 0x2C; SPCR = 1 << SPE | 1 << MSTR | {control}; SPSR = {double};
               UP(); SPDR = 0x55; while (!(SPSR & 1 << SPIF)); DOWN();"""
    (cycles,) = high(tmp_path, body)
    assert 8 * divider <= cycles <= 8 * divider + 13


def test_an_interrupt_is_answered_after_four_cycles_and_its_jump(tmp_path):
    """Section 7.7.1: four cycles at least until the vector; its jump takes three, the return four,
    and one instruction of the main program follows.
    """
    handler = 'ISR(INT0_vect, ISR_NAKED) { asm volatile("cbi 0x05, 0\\n reti"); }'
    body = 'EICRA = 3; EIMSK = 1; DDRD = 4; sei(); UP(); PORTD |= 4; asm volatile("nop");'
    (cycles,) = high(tmp_path, body, handler)
    assert SBI + 4 + 3 + SBI - 2 <= cycles - 2 <= SBI + 4 + 3 + SBI + 2


def test_the_converter_takes_thirteen_clocks_and_twenty_five_at_first(tmp_path):
    """Section 24.4, table 24-1; with a prescaler of 128."""
    one = "UP(); ADCSRA |= 1 << ADSC; while (ADCSRA & 1 << ADSC); DOWN();"
    first, second = high(tmp_path, f"ADMUX = 1 << REFS0; ADCSRA = 0x87; {one}{one}", ms=2)
    assert 25 * 128 - 8 <= first <= 26 * 128 + 8
    assert 13 * 128 - 8 <= second <= 14 * 128 + 8
