"""What an interrupt changes between two instructions that belong together: told with both lines
where it is wrong, and with nothing where the program is right.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from avr_lab import CYCLE, Table

from linkloss.firmware.image import Around, Image

TICKS = """
#include <avr/io.h>
#include <avr/interrupt.h>
#include <util/atomic.h>
#include <util/delay.h>
typedef struct { uint8_t kind; volatile uint32_t since; } load;
volatile uint32_t ms;
volatile uint16_t sequence, few;
volatile uint8_t pending, ready, got;
volatile load loads[2];
volatile struct { uint8_t head, tail; } queue;
volatile uint32_t now;
ISR(TIMER0_COMPA_vect)
{
    %s /* changes */
}
int main(void)
{
    TCCR0A = 2; TCCR0B = 1; OCR0A = 210; TIMSK0 = 2; sei(); DDRB = 1;
    for (uint8_t turn = 0;;) {
        %s /* here */
        _delay_us(5);
        for (uint8_t i = turn++ & 15; i; i--) asm volatile("nop");
    }
}
"""
LAST_ONES = "uint32_t a; uint32_t b; do { a = ms; b = ms; } while (a != b); now = a;"
SEQUENCE = "uint16_t s; uint32_t a; do { s = sequence; a = ms; } while (s != sequence); now = a;"
TORN, LOST = "is read in pieces", "that change is lost"
WRONG = {
    "a time of four bytes": ("ms += 7;", "now = ms;", "'ms' " + TORN),
    "a number in a table": (
        "loads[1].since += 77;",
        "now = loads[1].since;",
        "'loads[1].since' " + TORN,
    ),
    "a counter that both change": ("pending++;", "if (pending) pending--;", "'pending'"),
    "a number of two bytes": ("few++;", "few -= 3;", "'few'"),
    "bits of a port": ("PORTB ^= 2;", "PORTB = PORTB ^ got;", "'PORTB'"),
}
RIGHT = {
    "a time that is read with interrupts off":
        ("ms += 7;", "ATOMIC_BLOCK(ATOMIC_FORCEON) now = ms;"),
    "a time that is read until two agree": ("ms += 7;", LAST_ONES),
    "a time behind a number": ("sequence++; ms += 7; sequence++;", SEQUENCE),
    "a number that stays small": ("if (few < 200) few++; else few = 0;", "now = few;"),
    "one byte of a number": ("ms += 7;", "got = (uint8_t)ms;"),
    "a number that nobody uses": ("ms += 7;", "(void)ms;"),
    "two bytes that are no number":
        ("queue.head++; queue.tail += 3;", "got = queue.head ^ queue.tail;"),
    "a flag that is cleared": ("ready = 1;", "if (ready) ready = 0;"),
    "a mailbox": ("if (!ready) { ms += 7; ready = 1; }", "if (ready) { now = ms; ready = 0; }"),
    "a counter that is taken with interrupts off":
        ("pending++;", "ATOMIC_BLOCK(ATOMIC_FORCEON) { if (pending) pending--; }"),
    "a bit of a port in one instruction": ("PORTB ^= 2;", "PORTB |= 4; PORTB &= ~4;"),
    "two counters": ("pending++;", "static uint8_t done; if (done != pending) done++;"),
}  # fmt: skip


def ran(tmp_path, changes, here, seed=0):
    table = Table(tmp_path, TICKS % (changes, here), seed=seed)
    return table, table.run(60)


@pytest.mark.parametrize("kind", WRONG)
def test_it_is_told_with_both_lines(tmp_path, kind):
    changes, here, told = WRONG[kind]
    table, _ = ran(tmp_path, changes, here)
    failed = Image(table.path, Around("atmega328p", 16_000_000)).failure(table.processor)
    text = (TICKS % (changes, here)).splitlines()
    at = {word: next(n for n, line in enumerate(text, 1) if word in line)
          for word in ("/* changes */", "/* here */")}  # fmt: skip
    assert told in str(failed)
    assert f"(p.c:{at['/* changes */']})" in str(failed)
    assert failed.where.endswith(f"p.c:{at['/* here */']}")


@pytest.mark.parametrize("kind", RIGHT)
def test_a_right_program_is_told_nothing(tmp_path, kind):
    assert ran(tmp_path, *RIGHT[kind])[1].crash == ""


EVENT = """
#include <avr/io.h>
#include <avr/interrupt.h>
#include <util/delay.h>
volatile uint8_t count;
ISR(INT0_vect) { count++; }
int main(void)
{
    EICRA = 3; EIMSK = 1; DDRB = 1; PORTB = 1; sei();
    for (;;) { count -= 3; _delay_us(60); }
}
"""
LOOP, WINDOW = 8 + 60 * 16, 3
"""Cycles of a turn of the loop; those of lds and subi, behind which an interrupt spoils it."""


def test_neighbouring_seeds_move_an_event_over_the_whole_loop(tmp_path):
    """One event in each run, at the same instant of the bench: it is early or late for the program
    as its start is. The change is lost in as many runs as the window is part of the loop.
    """
    table, starts, lost = Table(tmp_path, EVENT), [], []
    for seed in range(4096):
        ran = table.run(0.6, outputs=("PB0",), inputs={"PD2": [(500_000, 1)]}, seed=seed, at_ns=0)
        starts.append(round(next(at_ns for at_ns, level in ran.changes("PB0") if level) / CYCLE))
        lost.append(bool(ran.crash))
    assert sorted(starts) == list(range(min(starts), min(starts) + 4096))
    first = sorted(starts[:64])
    assert max(b - a for a, b in pairwise(first)) <= 2 * 4096 / 64
    turns = 4096 // LOOP
    assert WINDOW * turns <= sum(lost) <= WINDOW * (turns + 1)
    assert lost.index(True) <= 2 * LOOP / WINDOW  # runs
