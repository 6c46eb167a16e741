"""The face between the bench and a processor that runs an image, in a process of its own.

A processor is a program that speaks ``c/processor.h`` over a socket: it gets its
:class:`Equipment` and then, in turn, a command and the bench's answers. All it does in between is
run instructions. It knows nothing of the vehicle, and the bench knows nothing of its instructions:
to the node's host it is one more program that asks by the numbers of ``c/machine.h``, as a program
in C does.

A second family of processors takes one file beside ``c/avr.c``, with the functions that
``c/processor.h`` declares: make, reset, run, the time that it has come to, a level for a pin, and
what to do when the horizon has moved. The way to the bench, twins and the SPI CAN controller are
there already. What it owes the bench:

- It runs ahead of ``now_ns`` up to ``horizon_ns``, before which nobody else does anything, and then
  waits (``ASK_WAIT``, ``idle``) until its own time, or until a timer that wakes it from its sleep.
- What others can notice, a level of a wired pin or a frame, it does when the bench has come up to
  its own time.
- It takes levels and analogue values of its inputs when it is resumed, and interrupts at the
  instant at which they come.
- The same commands make the same answers, to the byte: no clock of the machine, no address, no
  chance but what comes from the seed.

Where the bench forks (cases that part from a common beginning), each processor that runs is asked
for a twin before, which the child goes on with.
"""

from __future__ import annotations

import os
import socket
import subprocess
import tempfile
from contextlib import suppress
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any
from weakref import WeakSet, finalize

from linkloss.firmware.answers import interface

GO_ON, RESET, TWIN = range(3)
"""The commands of ``enum command``."""
CRASHED = 16
"""``ASK_CRASHED`` of ``enum request``."""
WITHOUT = 0xFF
"""No such pin."""


@dataclass(frozen=True, slots=True)
class Equipment:
    """What a processor is made of; the fields are those of ``struct equipment``. Pins have the
    numbers 8 x port + bit. Addresses in flash are in bytes; 0: not known. ``scalars`` are those of
    ``struct scalar_place``.
    """

    chip: str
    clock_hz: int
    flash: bytes
    eeprom: bytes = b""
    scalars: bytes = b""
    seed: int = 0
    main: int = 0
    bad_interrupt: int = 0
    allocate: int = 0
    millis: int = 0
    overflows: int = 0
    heap_end: int = 0
    free_pieces: int = 0
    static_end: int = 0
    vcc_mv: int = 5000
    watchdog_always: bool = False
    analog_pin: tuple[int, ...] = ()
    select: int = WITHOUT
    interrupt: int = WITHOUT
    oscillator_hz: int = 0
    bit_rate: int = 0
    sample_least: int = 0
    sample_most: int = 1000

    def packed(self) -> bytes:
        """All of it, as the process reads it."""
        ffi = interface()
        made = ffi.new("struct equipment *")
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name in ("flash", "eeprom", "scalars"):
                setattr(made, f"{field.name}_length", len(value))
            elif field.name == "analog_pin":
                made.analog_pin[0:16] = [*value, *([WITHOUT] * 16)][:16]
            else:
                setattr(made, field.name, value.encode() if isinstance(value, str) else value)
        return bytes(ffi.buffer(made)) + self.flash + self.eeprom + self.scalars


class Processor:
    """One processor. ``machine`` is the memory that the bench and it have in turn."""

    stops_hung = False
    """Of a program that hangs, its interrupts and timers go on by themselves."""

    def __init__(self, way: int) -> None:
        self._way = way
        self._twin: int | None = None
        self._image = interface().new("struct image *")
        self._buffer = interface().buffer(self._image)
        self.machine = self._image.board
        self.dead = False
        self.track = ""
        """A file for the way that its program takes: for each conditional branch of the main
        program its address in flash, plus one where it is taken; empty: none.
        """
        self.past_idle_ns = 0
        """Where several processors compute, this one runs ahead of the others by so much: what they
        do meanwhile it may notice so much later.
        """
        _alive.add(self)

    @classmethod
    def start(cls, program: Path, equipment: Equipment) -> Processor:
        """A processor in a new process, which runs the compiled ``program``."""
        ours, theirs = _pair()
        with theirs, tempfile.TemporaryFile() as given:
            given.write(equipment.packed())
            given.seek(0)
            process = subprocess.Popen(  # noqa: S603 - the bench's own program
                [str(program), str(theirs.fileno())],
                stdin=given,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
            )
        made = cls(ours)
        finalize(made, _end, process)
        return made

    def __del__(self) -> None:
        """Its process ends with its way to the bench."""
        os.close(self._way)

    def twin(self) -> Processor:
        """Another processor that is at the same instruction."""
        return Processor(self.fork())

    def fork(self) -> int:
        """The way to a twin of the process."""
        ours, theirs = _pair()
        before = bytes(self._buffer)
        self._image.command = TWIN
        with theirs, socket.socket(fileno=os.dup(self._way)) as way, suppress(OSError):
            socket.send_fds(way, [self._buffer], [theirs.fileno()])
            way.recv(len(self._buffer))  # who is dead has a dead twin
        self._buffer[:] = before
        return ours

    def before_fork(self) -> None:
        """The bench is about to fork: make the twin for its child."""
        self._twin = self.fork()

    def after_fork(self, *, child: bool) -> None:
        """The bench has forked: go on with the own process, in the child with the twin."""
        if self._twin is not None:
            self._way, self._twin, spare = (
                (self._twin, None, self._way) if child else (self._way, None, self._twin)
            )
            os.close(spare)

    def begin(self) -> None:
        """With the next :meth:`resume` it begins anew."""
        self._buffer[:] = bytes(len(self._buffer))
        self._image.command = RESET
        self._image.track = self.track.encode()

    def resume(self, _machine: Any) -> int:
        """Let it run until it asks for something; the number of the request."""
        got = 0
        with suppress(OSError):
            os.write(self._way, self._buffer)
            got = os.readv(self._way, [self._buffer])
        self._image.command = GO_ON
        if got != len(self._buffer):
            self.dead = True
            self._image.what = b"the processor's simulation ended by itself"
            self.machine.request = CRASHED
        return int(self.machine.request)

    @property
    def race(self) -> tuple[int, int]:
        """Of a crash: the variable in memory that an interrupt changed at the wrong instant, and
        the address in flash that did; zeros if it was none.
        """
        return self._image.variable, self._image.changed_at

    def failure(self) -> tuple[str, str, list[int]]:
        """What a crash was, its place if that is none in the program, and addresses in flash, the
        innermost first.
        """
        ffi, machine = interface(), self.machine
        what, where = (
            ffi.string(text).decode(errors="replace")
            for text in (self._image.what, self._image.where)
        )
        return what, where, list(machine.places[0 : machine.places_length])


_alive: WeakSet[Processor] = WeakSet()


def _pair() -> tuple[int, socket.socket]:
    """A way to a process: the bench's end, and the one to hand over."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    return ours.detach(), theirs


def _end(process: subprocess.Popen[bytes]) -> None:
    process.kill()
    process.wait()


def _before_fork() -> None:
    for each in list(_alive):
        each.before_fork()


def _after_fork(*, child: bool) -> None:
    for each in list(_alive):
        each.after_fork(child=child)


os.register_at_fork(
    before=_before_fork,
    after_in_parent=lambda: _after_fork(child=False),
    after_in_child=lambda: _after_fork(child=True),
)
