"""The sketch of the I/O board on virtual time, and a serial line between it and the bench with
delays, drift and losses that the test knows.
"""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path

import pytest

from linkloss.desk.io_board import IoBoard

HERE = Path(__file__).parent
SKETCH = HERE.parents[1] / "nodes" / "firmware" / "io_board"
MS, US = 1_000_000, 1_000
DIGITAL, DRIVES, RELAYS = (2, 3, 4, 5, 6, 7), (8, 9, 10, 11), (12, 58, 59)
"""Pins of the board of 20 pins, with A0 as 54."""
A0 = 54
STEP_NS = 250 * US
Way = list[tuple[int, bytes]]
"""Pieces that are on their way, with when they arrive."""


@cache
def built(*options: str) -> Path:
    """The sketch as a library of this computer."""
    compiler = shutil.which("g++")
    if compiler is None:
        pytest.skip("needs g++, to compile the sketch")
    library = Path(tempfile.mkdtemp(prefix="io_board")) / "io_board.so"
    sketch = ("-x", "c++", str(SKETCH / "io_board.ino"), str(HERE / "native" / "virtual_board.cpp"))
    wanted = ("-std=gnu++11", "-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", *options)
    where = ("-I", str(HERE / "native"), "-I", str(SKETCH), "-o", str(library))
    subprocess.run([compiler, *wanted, *where, *sketch], check=True)
    return library


class VirtualBoard:
    """One power-up of the sketch. ``began_us`` is what its counter shows then."""

    def __init__(self, began_us: int = 0, *options: str) -> None:
        copy = Path(tempfile.mkdtemp(prefix="io_board")) / "one.so"  # static memory of its own
        shutil.copy(built(*options), copy)
        self._library = ctypes.CDLL(str(copy))
        copy.unlink()
        for name in ("board_run", "board_now"):
            getattr(self._library, name).restype = ctypes.c_uint64
        self._library.board_run.argtypes = (ctypes.c_uint64,)
        self._library.board_begin.argtypes = (ctypes.c_uint64,)
        self._buffer = ctypes.create_string_buffer(4096)
        self.began_us = began_us
        self._library.board_begin(began_us)

    def run(self, until_us: int) -> None:
        self._library.board_run(until_us)

    def now_us(self) -> int:
        return int(self._library.board_now())

    def input(self, pin: int, level: int) -> None:
        self._library.board_input(pin, level)

    def analog(self, pin: int, value: int) -> None:
        self._library.board_analog(pin, value)

    def output(self, pin: int) -> int:
        return int(self._library.board_output(pin))

    def receive(self, data: bytes) -> None:
        self._library.board_receive(data, len(data))

    def sent(self) -> bytes:
        size = self._library.board_sent(self._buffer)
        return self._buffer.raw[:size]

    @property
    def overrun(self) -> int:
        return int(self._library.board_overrun())


class Line:
    """Bench and board with a serial line between them, on one true time (ns).

    ``there`` and ``back`` give the delay of each piece, ``rate`` is that of the board's clock.
    ``spoil(data)`` may alter what the board says.
    """

    def __init__(
        self,
        there: Callable[[], int] = lambda: 0,
        back: Callable[[], int] = lambda: 0,
        rate: float = 1.0,
        began_us: int = 0,
        spoil: Callable[[bytes], bytes] = lambda data: data,
        options: Sequence[str] = (),
    ) -> None:
        self.now_ns = 5_000 * MS
        self.rate, self.there, self.back, self.spoil = rate, there, back, spoil
        self._zero_ns = self.now_ns
        self.board = VirtualBoard(began_us, *options)
        self.host = IoBoard()
        self.cut = False
        self._to_board: Way = []
        self._to_host: Way = []

    def board_us(self, at_ns: int) -> int:
        """What the board's counter shows at a true instant, not rolled over."""
        return round(self.board.began_us + (at_ns - self._zero_ns) / US * self.rate)

    def restart(self) -> None:
        self.board = VirtualBoard(self.board_us(self.now_ns) % 7777)
        self._zero_ns = self.now_ns

    def step(self) -> None:
        out = self.host.output(self.now_ns)
        if out and not self.cut:
            self._later(self._to_board, out, self.there())
        self.now_ns += STEP_NS
        for data in self._arrived(self._to_board):
            self.board.receive(data)
        self.board.run(self.board_us(self.now_ns))
        data = self.board.sent()
        if data:
            self._later(self._to_host, self.spoil(data), self.back())
        for data in self._arrived(self._to_host):
            if not self.cut:
                self.host.receive(data, self.now_ns)

    def _later(self, way: Way, data: bytes, delay_ns: int) -> None:
        """Bytes never overtake each other."""
        at_ns = max(self.now_ns + delay_ns, way[-1][0] if way else 0)
        way.append((at_ns, data))

    def _arrived(self, way: Way) -> list[bytes]:
        found = [data for at_ns, data in way if at_ns <= self.now_ns]
        del way[: len(found)]
        return found

    def run(self, for_ms: float) -> None:
        until_ns = self.now_ns + round(for_ms * MS)
        while self.now_ns < until_ns:
            self.step()

    def settle(self, most_ms: float = 3000) -> None:
        """Until the board is known and alive."""
        until_ns = self.now_ns + round(most_ms * MS)
        while not self.host.alive and self.now_ns < until_ns:
            self.step()
        assert self.host.alive
