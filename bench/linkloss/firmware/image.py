"""A flash image as a node's program: it runs instruction by instruction, in place of its source.

The processor stays with its node through resets, with the RAM and the EEPROM that it has. Each run
of a vehicle begins with a twin of one that has just been made.
"""

from __future__ import annotations

import re
import shutil
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from struct import pack
from tempfile import TemporaryDirectory

from linkloss.clock.wallclock import ComputesElsewhere
from linkloss.firmware.answers import Wiring
from linkloss.firmware.avr import AvrSources, analog_pins, build_image, processor_program
from linkloss.firmware.build import BuildError, run_tool
from linkloss.firmware.dwarf import Scalar, scalars_of
from linkloss.firmware.elf import Contents, ImageError, read_image
from linkloss.firmware.guard import BoardFace, ProgramFailed
from linkloss.firmware.processor import WITHOUT, Equipment, Processor
from linkloss.firmware.program import FirmwareProgram

_KEPT = "processor"
_helpers = ComputesElsewhere()
SHORTEST_BITS = 44
"""Bits of the shortest frame there is, without its intermission: a processor that runs ahead of
others by less notices each frame before the next.
"""
_SHOWN = 4
"""Lines of a call stack."""
_NEAR = 80
"""Bytes of flash."""


@dataclass(frozen=True, slots=True)
class SpiCan:
    """An SPI CAN controller beside the processor: the pins that lead to it, its oscillator, and
    what its bus asks of its bit timing; sample points in thousandths of a bit.
    """

    select: int
    interrupt: int
    oscillator_hz: int
    bit_rate: int
    sample_least: int
    sample_most: int


@dataclass(frozen=True, slots=True)
class Around:
    """The processor of an image, and what is beside it."""

    chip: str
    clock_hz: int
    wiring: Wiring = field(default_factory=Wiring)
    spi_can: SpiCan | None = None
    vcc_mv: int = 5000
    watchdog_always: bool = False


class Image:
    """A node's program: an image, and what is around it. It is read, or compiled from ``source``,
    when it is first needed. If that fails, the error is ``refused(text)``.
    """

    def __init__(
        self,
        source: Path | AvrSources,
        around: Around,
        refused: Callable[[str], Exception] = BuildError,
    ) -> None:
        self.source = source
        self.around = around
        self.wiring = around.wiring
        self.largest = around.vcc_mv
        self._refused = refused
        self._track = ""

    @cached_property
    def path(self) -> Path:
        """The image file; where it is compiled, now or earlier."""
        if isinstance(self.source, Path):
            return self.source
        try:
            return build_image(self.source)
        except BuildError as error:
            raise self._refused(str(error)) from None

    def built(self) -> Path:
        """The same; nothing of it runs."""
        return self.path

    def files(self) -> list[Path]:
        """The image file, or the sources that it is compiled from."""
        if isinstance(self.source, Path):
            return [self.source]
        return [(self.source.folder / name).resolve() for name in self.source.files]

    def compile(self) -> list[str]:
        """Compile and read all that is needed. No warnings come of it."""
        _ = self._first
        return []

    @cached_property
    def _first(self) -> Processor:
        """A processor that has not run yet."""
        try:
            return Processor.start(processor_program(), self.equipment(self._contents))
        except (BuildError, ImageError) as error:
            raise self._refused(str(error)) from None

    @cached_property
    def _contents(self) -> Contents:
        return read_image(self.path)

    @cached_property
    def _scalars(self) -> list[Scalar]:
        return scalars_of(self.path)

    def equipment(self, contents: Contents) -> Equipment:
        """What the processor of this image is made of."""
        around, symbols = self.around, contents.symbols
        can = around.spi_can
        return Equipment(
            chip=around.chip,
            clock_hz=around.clock_hz,
            flash=contents.flash + b"\xff" * (len(contents.flash) % 2),
            eeprom=contents.eeprom,
            scalars=b"".join(pack("<HH", each.address, each.size) for each in self._scalars),
            seed=zlib.crc32(contents.flash),
            main=symbols.get("main", 0),
            bad_interrupt=symbols.get("__bad_interrupt", 0),
            allocate=symbols.get("malloc", 0),
            millis=contents.memory("timer0_millis"),
            overflows=contents.memory("timer0_overflow_count"),
            heap_end=contents.memory("__brkval"),
            free_pieces=contents.memory("__flp"),
            static_end=contents.memory("_end"),
            vcc_mv=around.vcc_mv,
            watchdog_always=around.watchdog_always,
            analog_pin=analog_pins(around.chip),
            select=WITHOUT if can is None else can.select,
            interrupt=WITHOUT if can is None else can.interrupt,
            oscillator_hz=0 if can is None else can.oscillator_hz,
            bit_rate=0 if can is None else can.bit_rate,
            sample_least=0 if can is None else can.sample_least,
            sample_most=1000 if can is None else can.sample_most,
        )

    def __call__(self, board: BoardFace) -> FirmwareProgram[Processor]:
        """A run of the program on a board."""
        return FirmwareProgram(self, board)

    def take(self, board: BoardFace) -> Processor:
        """The processor of a board."""
        _helpers.more(1)
        kept: Processor | None = board.memory.get(_KEPT)
        if kept is None or kept.dead:
            board.memory[_KEPT] = kept = self._first.twin()
            can = self.around.spi_can
            kept.track = self._track
            kept.past_idle_ns = 0 if can is None else SHORTEST_BITS * 1_000_000_000 // can.bit_rate
        return kept

    def put_back(self, processor: Processor) -> None:
        """It stays with its board."""
        _helpers.more(-1)

    def failure(self, processor: Processor) -> ProgramFailed:
        """What a crash was, and where."""
        what, where, places = processor.failure()
        if where:
            return ProgramFailed(what, where)
        variable, changed_at = processor.race
        if variable:
            what = f"{what % self._named(variable)} ({_short(self._line(changed_at))})"
        lines = self._lines(self._stack(places)) or self._lines(places) or ["an unknown place"]
        innermost, *callers = lines
        shown = ", ".join(_short(line) for line in callers[:_SHOWN])
        return ProgramFailed(f"{what} (called from {shown})" if shown else what, innermost)

    def parts(self, first: Callable[[], object], second: Callable[[], object]) -> str:
        """Where two runs of the program part: the user's line of the first branch in its main
        program that goes another way in the second; empty if there is none.
        """
        ways = []
        for run in (first, second):
            with TemporaryDirectory() as folder:
                self._track = f"{folder}/way"
                try:
                    run()
                finally:
                    self._track = ""
                ways.append(memoryview(Path(folder, "way").read_bytes()).cast("I"))
        pairs = zip(*ways, strict=False)
        return next((self._line(one & ~1) for one, other in pairs if one != other), "")

    def _stack(self, places: list[int]) -> list[int]:
        """Of what looks like return addresses those that lead to one another."""
        found = places[:1]
        for place in places[1:]:
            if self._contents.calls(place, self._contents.function_of(found[-1])):
                found.append(place)
        return found

    def _lines(self, places: list[int]) -> list[str]:
        """The user's lines of some places, each once."""
        return [line for line in dict.fromkeys(map(self._line, places)) if line]

    def _named(self, variable: int) -> str:
        """The name of what is at an address in memory."""
        for each in self._scalars:
            if each.address <= variable < each.address + each.size:
                return f"'{each.name}'"
        return f"the byte at address {variable:#x}"

    def _line(self, place: int) -> str:
        """The user's line of an address in flash, ``file:line``. Where a library's header was
        inlined it is the line that calls it, or the one before. Empty if there is none.
        """
        tool = shutil.which("avr-addr2line") or shutil.which("addr2line")
        if tool is None:
            return ""
        near = [hex(at) for at in range(place, max(place - _NEAR, -1), -2)]
        done = run_tool([tool, "-f", "-i", "-a", "-e", str(self.path), *near])
        outermost = ""
        for told in re.split(r"(?m)^0x[0-9a-f]+\n", done.stdout)[1:]:
            lines = told.splitlines()
            frames = list(zip(lines[::2], lines[1::2], strict=False))
            outermost = outermost or frames[-1][0]
            for _, line in frames if frames[-1][0] == outermost else ():
                file, _, number = line.partition(" ")[0].rpartition(":")
                if number.isdigit() and not file.startswith(("/usr/", "?")):
                    return f"{file}:{number}"
        return ""


def _short(line: str) -> str:
    """A line without the folder of its file."""
    return line.rpartition("/")[2]
