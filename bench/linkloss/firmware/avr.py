"""8-bit AVR: its chips and boards, and the two things that are compiled for it on the user's
machine: the processor's own program, and a sketch or a program in C into an image.

The processor is ``c/avr.c`` over libsimavr (Debian ``libsimavr-dev``, GPL), which is therefore in a
process of its own, compiled where it runs, and no part of what is shipped. Sketches are compiled by
avr-gcc with the open Arduino core (Debian ``arduino-core-avr``), with the core's own flags.

Pins of chips: data sheets (DS40002061, DS40002211); of boards: the core's variants ``standard`` and
``mega``, which a test reads.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from linkloss.firmware.build import (
    C_FOLDER,
    HEADERS,
    SKETCH_HEADERS,
    BuildError,
    compile_file,
    compiler,
    digest_of,
    stamp,
    workplace,
)
from linkloss.firmware.sketch import as_cpp
from linkloss.shipped import cache_folder


@dataclass(frozen=True, slots=True)
class Chip:
    """One kind of processor. ``analog`` has the pins of its converter's channels, ``speeds`` the
    voltages from which it may run so fast (V, Hz); in between it is on the line.
    """

    ports: str
    analog: tuple[str, ...]
    speeds: tuple[tuple[float, int], ...]
    clock_hz: int = 16_000_000

    def least_volts(self, clock_hz: int) -> float:
        """The least supply at which it runs right with a clock, in V."""
        before, fast = 0.0, 0
        for volts, most_hz in self.speeds:
            if clock_hz <= most_hz:
                share = (clock_hz - fast) / (most_hz - fast)
                return volts if not fast else before + share * (volts - before)
            before, fast = volts, most_hz
        return before

    def detector(self, level: float, clock_hz: int) -> tuple[float, float]:
        """With a level of its brown-out detector in V, 0 for none: the supply below which it is
        held in reset, and that below which it may do anything. A level is tested to hold for the
        speed of its voltage, although its limits lie lower.
        """
        if not level:
            return POWER_ON_RESET_V, self.least_volts(clock_hz)
        holds = any(abs(level - volts) < 0.25 and clock_hz <= hz for volts, hz in self.speeds)
        return level, level if holds else max(level, self.least_volts(clock_hz))


@dataclass(frozen=True, slots=True)
class Board:
    """A board with such a chip. ``pins`` are by the board's numbers."""

    chip: str
    pins: tuple[str, ...]
    variant: str
    define: str


def _row(port: str, *bits: int) -> tuple[str, ...]:
    return tuple(f"P{port}{bit}" for bit in bits)


_UP, _DOWN = range(8), range(7, -1, -1)
CHIPS: Mapping[str, Chip] = {
    "atmega328p": Chip(
        "BCD", (*_row("C", *range(6)), "ADC6", "ADC7"),
        ((1.8, 4_000_000), (2.7, 10_000_000), (4.5, 20_000_000)),
    ),
    "atmega2560": Chip(
        "ABCDEFGHJKL", (*_row("F", *_UP), *_row("K", *_UP)),
        ((2.7, 8_000_000), (4.5, 16_000_000)),
    ),
}  # fmt: skip
"""Speeds: data sheets, "Speed grades" (from memory)."""
POWER_ON_RESET_V = 1.3
"""Falling threshold of the power-on reset, typical (data sheet, "Power-on reset", from memory)."""
BROWN_OUT_V = {"off": 0.0, "1.8 V": 1.8, "2.7 V": 2.7, "4.3 V": 4.3}
"""Levels of the fuses BODLEVEL, typical (data sheet, "BODLEVEL fuse coding", from memory)."""
BROWN_OUT_HYSTERESIS_V = 0.05
"""Of the detector (data sheet, "Brown-out detector", from memory)."""
_UNO = (*_row("D", *_UP), *_row("B", *range(6)), *_row("C", *range(6)))
_MEGA = (
    "PE0", "PE1", "PE4", "PE5", "PG5", "PE3", "PH3", "PH4", "PH5", "PH6",
    "PB4", "PB5", "PB6", "PB7", "PJ1", "PJ0", "PH1", "PH0", "PD3", "PD2", "PD1", "PD0",
    *_row("A", *_UP), *_row("C", *_DOWN), "PD7", "PG2", "PG1", "PG0", *_row("L", *_DOWN),
    "PB3", "PB2", "PB1", "PB0", *_row("F", *_UP), *_row("K", *_UP),
)  # fmt: skip
BOARDS: Mapping[str, Board] = {
    "uno": Board("atmega328p", _UNO, "standard", "AVR_UNO"),
    "nano": Board("atmega328p", (*_UNO, "ADC6", "ADC7"), "eightanaloginputs", "AVR_NANO"),
    "mega": Board("atmega2560", _MEGA, "mega", "AVR_MEGA2560"),
}
_NAME = re.compile(r"P([A-L])([0-7])")
_ADC_ONLY = {"ADC6": 254, "ADC7": 253}
"""Pins of the converter that belong to no port, and their numbers."""


def pin_number(chip: str, name: str) -> int | None:
    """8 x port + bit of a pin such as ``PD4``; None for one that the chip does not have."""
    if name in _ADC_ONLY:
        return _ADC_ONLY[name] if name in CHIPS[chip].analog else None
    found = _NAME.fullmatch(name)
    if found is None or found[1] not in CHIPS[chip].ports:
        return None
    return 8 * (ord(found[1]) - ord("A")) + int(found[2])


def analog_pins(chip: str) -> tuple[int, ...]:
    """The pins of the converter's channels, by their numbers."""
    return tuple(pin_number(chip, name) or 0 for name in CHIPS[chip].analog)


# ---- the processor's program

_PARTS = (
    "avr.c", "avr_pins.c", "avr_units.c", "avr_ends.c", "avr_made.c", "avr_races.c",
    "processor.c", "chip.cpp",
)  # fmt: skip
_HIDDEN = ("-O2", "-fvisibility=hidden")
"""The library calls functions of its own whose names are common words."""
_LIBRARY_HEADER = Path("/usr/include/simavr/sim_avr.h")
NEEDS = "an image needs libsimavr: apt install libsimavr-dev"
NEEDS_COMPILER = "an image is compiled by avr-gcc: apt install gcc-avr avr-libc"
NEEDS_CORE = "a sketch as an image needs the Arduino core: apt install arduino-core-avr"


def missing() -> str:
    """What an image lacks here; empty if nothing."""
    return "" if _LIBRARY_HEADER.is_file() else NEEDS


@cache
def processor_program() -> Path:
    """The compiled program of a processor. Raises BuildError."""
    if missing():
        raise BuildError(missing())
    headers = ("avr.h", "processor.h", "machine.h", "inside.h")
    read = [*(C_FOLDER / name for name in (*_PARTS, *headers)), HEADERS / "board.h"]
    read += [SKETCH_HEADERS / "spi_can.h", _LIBRARY_HEADER]
    texts = [path.read_text(encoding="utf-8") for path in read]
    parts = [*texts, *_HIDDEN, stamp(compiler(cpp=False)), stamp(compiler(cpp=True))]
    folder = cache_folder("firmware") / digest_of(parts)
    made = folder / "avr"
    if not made.is_file():
        with workplace(folder) as place:
            objects = []
            for name in _PARTS:
                cpp = name.endswith(".cpp")
                objects.append(str(place / f"{name}.o"))
                command = [compiler(cpp=cpp), *_HIDDEN, "-w", f"-I{C_FOLDER}", f"-I{HEADERS}"]
                command += [f"-I{SKETCH_HEADERS}", "-c", str(C_FOLDER / name), "-o", objects[-1]]
                compile_file(command)
            compile_file([compiler(cpp=True), *objects, "-lsimavr", "-o", str(place / made.name)])
    return made


# ---- images from sources

_FLAGS = ("-gdwarf-2", "-Os", "-w", "-ffunction-sections", "-fdata-sections", "-DARDUINO=10819",
          "-DARDUINO_ARCH_AVR", "-DDECIMAL_DIG=__DECIMAL_DIG__")  # fmt: skip
_C, _CPP = ("-std=gnu11",), (
    "-std=gnu++11", "-fpermissive", "-fno-exceptions", "-fno-threadsafe-statics",
)  # fmt: skip
_CORE = Path("/usr/share/arduino/hardware/arduino/avr")
_LIBRARIES = ("SPI", "EEPROM", "SoftwareSerial", "Wire")


@dataclass(frozen=True, slots=True)
class AvrSources:
    """What an image is made of. Relative names start at ``folder``."""

    folder: Path
    files: tuple[str, ...]
    chip: str
    clock_hz: int
    board: str | None = None
    definitions: tuple[str, ...] = ()
    includes: tuple[str, ...] = ()
    std: str | None = None


def build_image(sources: AvrSources) -> Path:
    """The ELF file of sketches or programs in C and C++, compiled now or earlier.

    :raises BuildError: if it cannot be built, or a package is missing.
    """
    gcc, gpp = shutil.which("avr-gcc"), shutil.which("avr-g++")
    if gcc is None or gpp is None:
        raise BuildError(NEEDS_COMPILER)
    sketch = any(name.endswith(".ino") for name in sources.files)
    if sketch and not _CORE.is_dir():
        raise BuildError(NEEDS_CORE)
    base = [f"-mmcu={sources.chip}", f"-DF_CPU={sources.clock_hz}UL", *_FLAGS]
    if sketch:
        board = BOARDS[sources.board or ("mega" if sources.chip == "atmega2560" else "uno")]
        base += [f"-DARDUINO_{board.define}", f"-I{_CORE / 'cores/arduino'}"]
        base += [f"-I{_CORE / 'variants' / board.variant}"]
        base += [f"-I{_CORE / 'libraries' / name / 'src'}" for name in _LIBRARIES]
    flags = [*base, *(f"-D{definition}" for definition in sources.definitions)]
    flags += [f"-I{sources.folder / include}" for include in sources.includes]
    files = [(name, sources.folder / name) for name in sources.files]
    texts = [_preprocessed(name, path, flags, sources.std) for name, path in files]
    core = [str(_core(tuple(base)))] if sketch else []
    folder = cache_folder("firmware") / digest_of([*texts, *flags, *core, stamp(gcc)])
    made = folder / "image.elf"
    if not made.is_file():
        with workplace(folder) as place:
            objects = []
            for number, ((name, _), text) in enumerate(zip(files, texts, strict=True)):
                made_of = place / f"{number}.{'ii' if _cpp(name) else 'i'}"
                made_of.write_text(text, encoding="utf-8")
                objects.append(str(place / f"{number}.o"))
                command = [_tool(name), *flags, *_language(name, sources.std), "-c", str(made_of)]
                compile_file([*command, "-o", objects[-1]], sources.folder)
            command = [gpp, *flags, "-Wl,--gc-sections", *objects, *core, "-lm", "-o"]
            compile_file([*command, str(place / made.name)], sources.folder)
    return made


def _cpp(name: str) -> bool:
    return not name.endswith((".c", ".S"))


def _language(name: str, std: str | None) -> Sequence[str]:
    usual = _CPP if _cpp(name) else _C
    if std is not None and ("++" in std) is _cpp(name):
        return (f"-std={std}", *usual[1:])
    return usual


@cache
def _core(flags: tuple[str, ...]) -> Path:
    """The library of the core and of what belongs to it, compiled now or earlier."""
    found = [*(_CORE / "cores/arduino").glob("*"), _CORE / "libraries/SPI/src/SPI.cpp"]
    files = sorted(path for path in found if path.suffix in (".c", ".cpp", ".S"))
    stamps = [stamp(str(path)) for path in (Path(_tool("x.c")), *files)]
    folder = cache_folder("firmware") / digest_of([*flags, *stamps])
    made = folder / "core.a"
    if not made.is_file():
        with workplace(folder) as place:
            objects = []
            for path in files:
                objects.append(str(place / f"{path.name}.o"))
                command = [_tool(path.name), *flags, *_language(path.name, None), "-c", str(path)]
                compile_file([*command, "-o", objects[-1]])
            archiver = shutil.which("avr-ar") or "avr-ar"
            compile_file([archiver, "rcs", str(place / made.name), *objects])
    return made


def _tool(name: str) -> str:
    tool = "avr-g++" if _cpp(name) else "avr-gcc"
    return shutil.which(tool) or tool


def _preprocessed(name: str, path: Path, flags: Sequence[str], std: str | None) -> str:
    if not path.is_file():
        raise BuildError(f"there is no file '{path}'")
    command = [_tool(name), "-E", *flags, *_language(name, std)]
    if path.suffix == ".ino":
        text = as_cpp(path.read_text(encoding="utf-8", errors="replace"), str(path))
        made = compile_file([*command, f"-I{path.parent}", "-x", "c++", "-"], path.parent, text)
        return made.replace('"<stdin>"', f'"{path}"')
    return compile_file([*command, "-x", "c++" if _cpp(name) else "c", str(path)])
