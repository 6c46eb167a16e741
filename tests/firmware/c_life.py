"""A car of two nodes, one with a program in C that each test brings along as text."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from linkloss.firmware.answers import InputPin, OutputPin, Wiring
from linkloss.firmware.build import BuildOptions, Sources
from linkloss.firmware.program import Firmware

sys.path.insert(0, str(Path(__file__).parents[1] / "session"))

LAMP, HEATER, BRAKE, SWITCH = 4, 5, 6, 14
OUTPUTS = (OutputPin(LAMP, "lamp"), OutputPin(HEATER, "heater"), OutputPin(BRAKE, "brake"))
INPUTS = (InputPin(SWITCH, "switch", frozenset({"on"})),)
HEAD = """\
#include "board.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
enum { LAMP = 4, HEATER = 5, BRAKE = 6, SWITCH = 14 };
#line 1
"""


def firmware(
    folder: Path,
    text: str,
    *,
    cpp: bool = False,
    options: BuildOptions | None = None,
    long_bits: int = 32,
    **hardware: Any,
) -> Firmware:
    """A firmware from its text; line numbers are those of the text. ``hardware`` as in Wiring."""
    name = "unit.cpp" if cpp else "unit.c"
    (folder / name).write_text(HEAD + text, encoding="utf-8")
    sources = Sources(folder, (name,), long_bits=long_bits)
    usual = Wiring(outputs=OUTPUTS, inputs=INPUTS, call_ns=1_000)
    made = Firmware(sources, replace(usual, **hardware), options)
    assert made.path.is_file()
    return made


def printed(ran) -> list[str]:
    """The lines that the program under test gave out."""
    return [entry.text for entry in ran.recording.prints if entry.node == "unit"]
