"""A crash of a program in C is a record with node, instant and line; the others go on."""

from __future__ import annotations

import faulthandler
import sys
from pathlib import Path

import pytest
from c_life import firmware
from life_car import run

from linkloss.firmware.build import BuildOptions

DELAY = "    board_delay_ms(30);\n"
LOOP = "void loop(void) { board_delay_ms(10); }\n"
CRASHES = {
    "segmentation fault at address 0x10": "    *(volatile int *)16 = 1;\n",
    "segmentation fault at address 0x0": "    int *none = 0; *none = 1;\n",
    "division by zero": "    volatile int a = 1, b = 0; a = a / b;\n",
    "abort()": "    abort();\n",
    "free() of memory that is not allocated": "    static int x; free(&x);\n",
    "endless loop without a call to the board": "    for (volatile int i = 0;; i++) ;\n",
    "exit(): a board has nothing to return to": "    exit(3);\n",
}


def crash_of(unit):
    ran = run(unit, lasts_ms=300)
    assert ran.beats()[-1] > 250  # the other node goes on
    (crash,) = ran.recording.crashes
    assert ran.states()[-1] == (crash.at_ns / 1e6, "crashed", crash.text)
    return crash


@pytest.mark.parametrize("text", CRASHES)
def test_a_crash_is_told_with_node_instant_and_line(tmp_path, text):
    source = "void setup(void) {\n" + DELAY + CRASHES[text] + "}\n" + LOOP
    crash = crash_of(firmware(tmp_path, source))
    assert (crash.node, crash.text) == ("unit", text)
    assert crash.at_ns == 50_000_000
    assert crash.where.endswith("unit.c:3")


def test_of_two_equal_programs_each_crash_names_its_own_place(tmp_path, monkeypatch):
    source = "void setup(void) { *(volatile int *)16 = 1; }\n" + LOOP
    for name in ("one", "two"):
        folder = tmp_path / name
        folder.mkdir()
        monkeypatch.chdir(folder)
        assert crash_of(firmware(Path(), source)).where == f"{folder}/unit.c:1"


def test_a_failed_assertion_names_the_claim(tmp_path):
    source = "#include <assert.h>\nvoid setup(void) {\n    assert(1 == 2);\n}\n" + LOOP
    crash = crash_of(firmware(tmp_path, source))
    assert crash.text == "assertion failed: 1 == 2"
    assert crash.where.endswith("unit.c:3")


def test_a_stack_overflow_is_told_as_such(tmp_path):
    source = (
        "static int deep(volatile int n) { volatile char a[500] = {0};\n"
        "    return a[1] + deep(n + 1) + 1;\n}\n"
        "void setup(void) { deep(0); }\n" + LOOP
    )
    crash = crash_of(firmware(tmp_path, source))
    assert crash.text == "stack overflow"
    assert crash.where.endswith(("unit.c:1", "unit.c:2"))


def test_a_crash_inside_the_c_library_names_the_line_that_called_it(tmp_path):
    source = (
        "void setup(void) {\n    volatile char *n = 0;\n    strcpy((char *)n, HEAD);\n}\n" + LOOP
    )
    crash = crash_of(firmware(tmp_path, '#define HEAD "text that goes nowhere at all"\n' + source))
    assert crash.text.startswith("segmentation fault")
    assert crash.where.endswith("unit.c:4")


def test_a_crash_after_a_crash_is_told_again(tmp_path):
    source = (
        "void setup(void) {\n    board_watchdog_start(20);\n    *(volatile int *)0 = 1;\n}\n" + LOOP
    )
    ran = run(firmware(tmp_path, source), lasts_ms=200)
    assert len(ran.recording.crashes) >= 3
    assert {crash.where.rpartition(":")[2] for crash in ran.recording.crashes} == {"3"}


UNDEFINED = {
    "signed addition overflows": "    volatile int a = 2147483647; a = a + 1;\n",
    "shift by more bits than there are, or of a negative number": (
        "    volatile int s = 40; volatile int a = 1 << s; (void)a;\n"
    ),
    "array index out of bounds": (
        "    static int a[3]; volatile int i = 3; volatile int b = a[i]; (void)b;\n"
    ),
}


@pytest.mark.parametrize("text", UNDEFINED)
def test_a_build_with_checks_finds_undefined_behaviour(tmp_path, text):
    source = "void setup(void) {\n" + UNDEFINED[text] + "}\n" + LOOP
    crash = crash_of(firmware(tmp_path, source, options=BuildOptions(sanitize=True)))
    assert crash.text == f"undefined behaviour: {text}"
    assert crash.where.endswith("unit.c:2")
    assert run(firmware(tmp_path, source)).recording.crashes == []


def test_a_crash_is_told_though_somebody_else_took_over_the_signals_meanwhile(tmp_path):
    source = "void setup(void) { *(volatile int *)16 = 1; }\n" + LOOP
    unit = firmware(tmp_path, source)
    assert crash_of(unit).text == "segmentation fault at address 0x10"
    was_on = faulthandler.is_enabled()
    faulthandler.disable()
    faulthandler.enable(file=sys.__stderr__)
    try:
        assert crash_of(unit).text == "segmentation fault at address 0x10"
    finally:
        if not was_on:
            faulthandler.disable()
