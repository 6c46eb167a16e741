"""A processor by itself on the table: a small program in C, pins that are driven, what comes out.

The bench around it is as small as can be: nobody else does anything but the inputs at their
instants and a look every millisecond.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from linkloss.firmware.avr import AvrSources, build_image, pin_number, processor_program
from linkloss.firmware.elf import read_image
from linkloss.firmware.image import Around, Image
from linkloss.firmware.processor import Processor

WAIT, OUTPUT, PRINT, CRASHED, BITE = 1, 2, 15, 16, 18
POWER_UP, EXTERNAL, WATCHDOG = range(3)
MS = 1_000_000
CYCLE = 62.5
"""Of 16 MHz, in ns."""


@dataclass
class Ran:
    """What a program did: (instant in ns, pin, level of 255), lines of text, how it ended."""

    outputs: list[tuple[int, str, int]] = field(default_factory=list)
    prints: list[str] = field(default_factory=list)
    crash: str = ""
    places: list[int] = field(default_factory=list)
    bitten_ns: int | None = None
    asked: int = 0

    def changes(self, pin: str) -> list[tuple[int, int]]:
        """The levels of one pin."""
        return [(at_ns, level) for at_ns, name, level in self.outputs if name == pin]

    def high(self, pin: str) -> list[int]:
        """For how long the pin was high, each time, in cycles of 16 MHz."""
        changes = self.changes(pin)
        pairs = pairwise(changes)
        return [round((b[0] - a[0]) / CYCLE) for a, b in pairs if a[1] == 255]


class Table:
    """A chip with a program, and power."""

    def __init__(
        self, folder: Path, text: str, chip: str = "atmega328p", name: str = "p.c", **own: Any
    ) -> None:
        (folder / name).write_text(text, encoding="utf-8")
        self.path = build_image(AvrSources(folder, (name,), chip, 16_000_000))
        self.chip = chip
        usual = Image(self.path, Around(chip, 16_000_000)).equipment(read_image(self.path))
        self.equipment = replace(usual, **{"seed": 0, **own})
        self.processor = Processor.start(processor_program(), self.equipment)
        self.now_ns = 0

    def run(
        self,
        ms: float,
        cause: int = POWER_UP,
        outputs: tuple[str, ...] = (),
        inputs: dict[str, list[tuple[int, int]]] | None = None,
        analog: dict[str, int] | None = None,
        clock_ns: int = 0,
        look_ns: int = MS,
        seed: int = 0,
        at_ns: int | None = None,
    ) -> Ran:
        """Reset it and run it for some time. ``inputs``: (ns after the reset, level) by pin;
        ``at_ns``: another instant of the bench at which that is.
        """
        self.now_ns = self.now_ns if at_ns is None else at_ns
        inputs = inputs or {}
        processor, machine, ran = self.processor, self.processor.machine, Ran()
        begun_ns, end_ns = self.now_ns, self.now_ns + int(ms * MS)
        processor.begin()
        names = {pin_number(self.chip, name): name for name in (*outputs, *inputs)}
        for name in outputs:
            machine.wired[pin_number(self.chip, name)] = 1
        for name, value in (analog or {}).items():
            machine.analog[pin_number(self.chip, name)] = value
        moves = sorted(
            (begun_ns + at_ns, pin_number(self.chip, name), level)
            for name, levels in inputs.items()
            for at_ns, level in levels
        )
        for name in inputs:
            machine.wired[pin_number(self.chip, name)] = 2
        machine.reset_cause, machine.clock_ns, machine.seed = cause, clock_ns, seed
        until_ns = self.now_ns
        while self.now_ns < end_ns:
            while moves and moves[0][0] <= self.now_ns:
                _, pin, level = moves.pop(0)
                machine.level[pin] = level
                machine.pending |= 4
            coming = moves[0][0] if moves else end_ns
            machine.now_ns = self.now_ns
            machine.horizon_ns = min(coming, self.now_ns + look_ns, end_ns)
            asked = processor.resume(machine)
            ran.asked += 1
            if asked == WAIT:
                until_ns = machine.until_ns
                self.now_ns = min(max(until_ns, self.now_ns), coming, end_ns)
            elif asked == OUTPUT:
                ran.outputs.append((self.now_ns - begun_ns, names[machine.a], machine.b))
            elif asked == PRINT:
                ran.prints.append(b"".join(machine.text[0 : machine.text_length]).decode())
            elif asked == CRASHED:
                ran.crash, where, ran.places = processor.failure()
                ran.crash += where
                return ran
            elif asked == BITE:
                ran.bitten_ns = self.now_ns - begun_ns
                return ran
            else:
                raise AssertionError(f"asked for {asked}")
        return ran
