"""A node and an I/O board as processes of their own, on real time, with wires between them."""

from __future__ import annotations

import mmap
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest
from desk_car import REAR_C
from sketch_lab import HERE, SKETCH

NATIVE = HERE / "native"
FELT, DRIVEN, RELAY, SIZE = 0, 32, 48, 1024
PINS = (
    "out:2=0", "out:3=20", "out:4=21", "follow:5=1,32", "follow:6=2,34,35", "out:7=3", "out:8=4",
    "out:9=6", "out:10=7", "out:11=5",
    "in:14=32", "in:15=34", "in:16=35", "in:17=33",
)  # fmt: skip
"""The pins of the rear node in C, and the wires that lead to the lines of its table."""


def ensure_there() -> None:
    """Skip where this computer cannot do it."""
    if sys.platform != "linux" or not shutil.which("gcc") or not shutil.which("g++"):
        pytest.skip("needs Linux with gcc and g++, for programs behind pseudo-terminals")


@cache
def folder() -> Path:
    return Path(tempfile.mkdtemp(prefix="desk"))


def compiled(compiler: str, name: str, *words: str) -> Path:
    """A program of this computer."""
    program = folder() / name
    if not program.exists():
        where = ("-I", str(NATIVE), "-I", str(SKETCH), "-I", str(REAR_C.parent))
        options = ("-O1", "-Wall", "-Wextra", "-Werror", "-Wno-unused-function")
        subprocess.run(
            [compiler, *options, *where, *words, "-o", str(program), "-lpthread"], check=True
        )
    return program


def board_program() -> Path:
    sources = (str(SKETCH / "io_board.ino"), str(NATIVE / "real_board.cpp"))
    return compiled("g++", "io_board", "-std=gnu++11", "-x", "c++", *sources, "-x", "none")


def node_program(source: Path = REAR_C) -> Path:
    sources = (str(source), str(NATIVE / "real_node.c"))
    name = "node_" + source.stem
    return compiled("gcc", name, "-std=gnu11", "-Wno-error", *sources)


class Loom:
    """The wires between node and board, as memory that both share."""

    def __init__(self, path: Path) -> None:
        path.write_bytes(bytes(SIZE))
        self.path = path
        with path.open("r+b") as file:
            self._wires = mmap.mmap(file.fileno(), SIZE)

    def __getitem__(self, wire: int) -> int:
        return self._wires[wire]

    def __setitem__(self, wire: int, duty: int) -> None:
        self._wires[wire] = duty


class Process:
    """A program whose serial line is a pseudo-terminal."""

    def __init__(self, program: Path, *words: str) -> None:
        self.process = subprocess.Popen([program, *words], stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        self.line = self.process.stdout.readline().strip()

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


class Desk:
    """An I/O board, and a node once it is plugged in."""

    def __init__(self, rate: float = 1.0) -> None:
        ensure_there()
        place = Path(tempfile.mkdtemp(prefix="loom"))
        self.loom = Loom(place / "wires")
        self.board = Process(board_program(), str(self.loom.path), str(rate))
        self.node: Process | None = None

    @property
    def io(self) -> str:
        return self.board.line

    def plug_in(self, source: Path = REAR_C, pins: Sequence[str] = PINS, start_ms: int = 0) -> str:
        """Start a node. Returns the serial line of its adapter."""
        words = (str(self.loom.path), "20", str(start_ms), *pins)
        self.node = Process(node_program(source), *words)
        return self.node.line

    def end(self) -> None:
        for process in (self.board, self.node):
            if process is not None:
                process.end()


@contextmanager
def desk(rate: float = 1.0) -> Iterator[Desk]:
    made = Desk(rate)
    try:
        yield made
    finally:
        made.end()
