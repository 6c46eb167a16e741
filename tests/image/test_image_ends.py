"""What an image does that ends it is a finding: what it was, the line, and who called it."""

from __future__ import annotations

from pathlib import Path

import pytest
from avr_lab import Table

from linkloss.firmware.answers import Wiring
from linkloss.firmware.image import Around, Image

PROGRAM = """
#include <avr/io.h>
#include <avr/interrupt.h>
#include <stdlib.h>
#include <string.h>
#include <util/delay.h>
typedef void (*handler)(void);
volatile uint8_t zero;
handler later;
%s
static void __attribute__((noinline)) inner(void)
{
    %s /* here */
    zero++;
}
int main(void)
{
    _delay_ms(2);
    inner(); /* called */
    for (;;);
}
"""
DEEP = """uint8_t __attribute__((noinline)) deep(uint8_t n)
{ volatile uint8_t a[40]; a[0] = n; uint8_t found = deep(n + 1) + a[0]; return found; }"""
ENDS = {
    "a null pointer is called": ("", "later();", "a jump to address 0"),
    "a wild pointer is called": ("", "((handler)0x3000)();", "it runs in erased flash"),
    "an invalid instruction": ("", 'asm volatile(".word 0x9404");', "invalid instruction"),
    "an interrupt without a handler": (
        "", "TIMSK0 = 1; TCCR0B = 1; sei(); _delay_ms(5);", "interrupt 16 came, and the program",
    ),
    "a null pointer is written to": (
        "", 'handler *p = 0; asm("" : "+r"(p)); *p = later;', "a write through a pointer",
    ),
    "a write behind the memory": ("", "*(volatile uint8_t *)0x3000 = 1;", "a write to an address"),
    "a stack that meets static data": (DEEP, "zero = deep(1);", "the stack has"),
}  # fmt: skip


def written(tmp_path: Path, before: str, body: str) -> tuple[Table, list[str]]:
    text = PROGRAM % (before, body)
    return Table(tmp_path, text), text.splitlines()


@pytest.mark.parametrize("kind", ENDS)
def test_what_ends_an_image_is_told_with_its_line_and_its_caller(tmp_path, kind):
    before, body, told = ENDS[kind]
    table, lines = written(tmp_path, before, body)
    ran = table.run(40)
    assert ran.crash.startswith(told)
    image = Image(table.path, Around("atmega328p", 16_000_000, Wiring()))
    failed = image.failure(table.processor)
    named = failed.where.rpartition(":")[2]
    if kind != "a stack that meets static data":
        here = next(n for n, line in enumerate(lines, 1) if "/* here */" in line)
        first = kind == "an invalid instruction"  # of its function, which begins in the line before
        assert int(named) in (here - first, here, here + 1), str(failed)
        called = next(n for n, line in enumerate(lines, 1) if "/* called */" in line)
        assert f"p.c:{called}" in str(failed) or f"p.c:{called + 1}" in str(failed)
    else:
        assert "p.c:" in failed.where


def test_a_right_image_ends_in_none_of_these_ways(tmp_path):
    body = """char *text = malloc(40); strcpy(text, "right"); zero = text[0]; free(text);
              later = 0; if (later) later();"""
    table, _ = written(tmp_path, "ISR(TIMER0_OVF_vect) { zero++; }", body)
    assert table.run(40).crash == ""


def test_a_processor_whose_simulation_ends_by_itself_is_a_finding(tmp_path):
    import os
    import signal
    import subprocess

    table, _ = written(tmp_path, "", "")
    table.run(5)
    listed = subprocess.run(
        ["ps", "--ppid", str(os.getpid()), "-o", "pid=,comm="],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    for line in listed.stdout.splitlines():
        number, _, name = line.strip().partition(" ")
        if name.startswith("linkloss"):
            os.kill(int(number), signal.SIGABRT)
    assert table.run(5).crash == "the processor's simulation ended by itself"
    assert table.processor.dead
