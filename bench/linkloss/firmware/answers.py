"""Firmwares in memory, and the answers to what they ask of their boards.

:class:`Answers` has one method for each ``ASK_`` of ``c/machine.h``.

Each node has a private copy of its firmware, which is restored to its initial state at each reset.

No instruction of a firmware runs while it is loaded (``c/own_init.ld`` hides its constructors from
the loader), so its static memory after loading is its static memory after every reset. A copy that
no node uses any more is restored and used again; nothing is ever unloaded.

:class:`Wiring` says where each pin of a board leads: to a load, a switch contact or a sensor.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from math import isnan
from pathlib import Path
from typing import Any

import can

from linkloss.bus.controller import BusOff, ErrorState, MailboxesFull
from linkloss.clock import Event
from linkloss.firmware.build import C_FOLDER, runtime
from linkloss.firmware.guard import BoardFace

TICK_MS, TICKS = 100, 10
"""A firmware that makes no call to its board for ``TICKS`` ticks of ``TICK_MS`` processor time is
taken to be stuck.
"""
STACK_BYTES = 256 * 1024

_SHARED = ("machine.h", "processor.h")
_FUNCTIONS = """
struct machine *machine_new(uint64_t stack_bytes);
void machine_free(struct machine *machine);
void machine_begin(struct machine *machine, void (*start)(struct machine *));
int machine_resume(struct machine *machine);
void machine_watch(int tick_ms, int ticks);
void firmware_look(struct library *found);
void firmware_start(struct machine *machine);
void firmware_begin(void);
void firmware_dump(void);
"""


@cache
def interface() -> Any:
    """The cffi view of what the bench and a firmware share."""
    from cffi import FFI  # the extra 'firmware'

    text = "".join((C_FOLDER / name).read_text(encoding="utf-8") for name in _SHARED)
    text = re.sub(r"(?ms)^#ifndef CFFI$.*?^#endif$", "", text)
    ffi = FFI()
    ffi.cdef(re.sub(r"(?m)^#.*$", "", text) + _FUNCTIONS)
    return ffi


@cache
def switchboard() -> Any:
    """The C functions that switch stacks, loaded once. They watch for stuck firmware in this
    process and its children.
    """
    library = _open(str(runtime()))

    def watch() -> None:
        library.machine_watch(TICK_MS, TICKS)

    watch()
    os.register_at_fork(after_in_child=watch)
    return library


class Library:
    """One copy of a firmware in memory, with a stack."""

    stops_hung = True
    """A program that hangs is not resumed, but for an interrupt."""
    past_idle_ns = 0

    def __init__(self, path: Path) -> None:
        ffi = interface()
        self._functions = _load_copy(path)
        self._image_of = ffi.new("struct library *")
        self._functions.firmware_look(self._image_of)
        found = self._image_of
        self.has_program = bool(found.has_program)
        self.base = int(ffi.cast("uintptr_t", found.base))
        self._image = bytes(ffi.buffer(found.memory, found.memory_length))
        self.machine = switchboard().machine_new(STACK_BYTES)
        if self.machine == ffi.NULL:
            raise MemoryError("no memory for a firmware's stack")
        self.resume = switchboard().machine_resume

    def begin(self) -> None:
        """Reset it: restore static and thread-local memory, and empty the stack."""
        found = self._image_of
        interface().memmove(found.memory, self._image, len(self._image))
        functions = self._functions
        functions.firmware_begin()
        switchboard().machine_begin(self.machine, functions.firmware_start)
        self.machine.text_begin, self.machine.text_end = found.text_begin, found.text_end

    def dump(self) -> None:
        """Add the lines that ran to the coverage files."""
        self._functions.firmware_dump()


def _open(name: str) -> Any:
    """Load a library and never unload it: a signal may still enter it while the process ends."""
    return interface().dlopen(name, os.RTLD_NOW | os.RTLD_NODELETE)


def _load_copy(path: Path) -> Any:
    """Load a file under a new name; for a known name the loader would return the same memory."""
    handle, name = tempfile.mkstemp(prefix="copy-", suffix=".so", dir=path.parent)
    os.close(handle)
    try:
        shutil.copyfile(path, name)
        return _open(name)
    finally:
        Path(name).unlink()


@dataclass(frozen=True, slots=True)
class OutputPin:
    """A pin that drives an output of the node, named in ``output``. ``active_low``: the load is on
    while the pin is low.
    """

    pin: int
    output: str
    active_low: bool = False

    def level(self, duty: int) -> float | None:
        """The level of the output, 0.0 to 1.0, for a duty of 0 to 255. None for a negative duty:
        the pin does not drive.
        """
        if duty < 0:
            return None
        return (255 - duty if self.active_low else duty) / 255


@dataclass(frozen=True, slots=True)
class InputPin:
    """A pin that reads an input of the node.

    On a switch it is active in ``positions``. On a sensor it reads ``span``, linearly over the
    range of the converter.
    """

    pin: int
    name: str
    positions: frozenset[str] = frozenset()
    active_low: bool = False
    span: tuple[float, float] | None = None

    def high(self, value: str | float) -> bool:
        """Whether the pin is high. A sensor's pin is high in the upper half of its span."""
        if self.span is not None:
            return float(value) >= (self.span[0] + self.span[1]) / 2
        return (value in self.positions) is not self.active_low

    def counts(self, value: str | float, largest: int) -> int:
        """The converter's reading of the pin, 0 to ``largest``."""
        if self.span is None:
            return largest if self.high(value) else 0
        low, high = self.span
        share = (float(value) - low) / (high - low)
        return round(min(1.0, max(0.0, share)) * largest)


@dataclass(frozen=True, slots=True)
class SensePin:
    """A pin of the converter that measures the current into an output, in A, or without one the
    node's supply voltage, in V. ``full_scale`` is what its largest reading stands for.
    """

    pin: int
    output: str | None
    full_scale: float

    def counts(self, value: float, largest: int) -> int:
        """The converter's reading, 0 to ``largest``; nothing is measured: 0."""
        return round(min(1.0, max(0.0, 0.0 if isnan(value) else value / self.full_scale)) * largest)


@dataclass(frozen=True, slots=True)
class Wiring:
    """All of a node's pins, and the figures of its hardware.

    ``call_ns`` is the processor time of one call to the board, ``clock_start_ns`` what the clock
    shows at power-up, ``memory_bytes`` the size of the memory that survives a reset.
    """

    outputs: tuple[OutputPin, ...] = ()
    inputs: tuple[InputPin, ...] = ()
    senses: tuple[SensePin, ...] = ()
    call_ns: int = 2_000
    clock_start_ns: int = 0
    memory_bytes: int = 1024
    analog_bits: int = 10


TIMER = 2
OK, FULL, IS_BUS_OFF, NOT_SENDING = range(4)
_STATES = {ErrorState.ACTIVE: 0, ErrorState.PASSIVE: 1, ErrorState.BUS_OFF: 2}
MEMORY = "firmware memory"
TWITCH_NS = 1_000_000
"""For less than this no program means to switch a load, when its pin has just become an output."""


class Answers:
    """The board's side of one run of a firmware."""

    def __init__(
        self,
        board: BoardFace,
        machine: Any,
        wiring: Wiring,
        interrupt: Callable[[int], None],
        largest: int,
    ) -> None:
        """``largest``: the largest reading of the converter."""
        self._board = board
        self._controller = board.bus.controller
        self._machine = machine
        self._outputs: Mapping[int, OutputPin] = {entry.pin: entry for entry in wiring.outputs}
        self._senses: Mapping[int, SensePin] = {entry.pin: entry for entry in wiring.senses}
        self._largest = largest
        self._interrupt = interrupt
        self._driven: dict[int, tuple[int, float]] = {}
        self._timer: Event | None = None
        self._period_ns = 0
        self._sent = self._controller.sent
        self._overruns = self._controller.overruns
        kept = board.memory.setdefault(MEMORY, bytearray(b"\xff" * wiring.memory_bytes))
        self._memory = interface().from_buffer("uint8_t[]", kept, require_writable=True)
        machine.memory, machine.memory_size = self._memory, len(self._memory)

    def output(self) -> None:
        """Drive or release a pin. The load twitches if it soon has again the level that it has
        without a program, and had another one in between.
        """
        entry, board = self._outputs[self._machine.a], self._board
        level, now_ns = entry.level(self._machine.b), self._machine.now_ns
        since_ns, first = self._driven.get(entry.pin, (None, 0.0))
        released = board.released(entry.output)
        twitches = since_ns is not None and level == released != first
        twitches = twitches and now_ns - since_ns < TWITCH_NS
        self._machine.result = twitches
        if level is None:
            board.release(entry.output)
            self._driven.pop(entry.pin, None)
        else:
            board.write(entry.output, level)
            self._driven.setdefault(entry.pin, (now_ns, level))

    def send(self) -> None:
        """Put a frame into a mailbox."""
        machine = self._machine
        length = machine.length
        message = can.Message(
            arbitration_id=machine.id,
            is_extended_id=bool(machine.extended),
            is_remote_frame=bool(machine.remote),
            dlc=length,
            data=None if machine.remote else bytes(machine.data[0:length]),
        )
        try:
            self._board.bus.send(message)
        except can.CanOperationError as refusal:
            why = refusal.__cause__
            full, off = isinstance(why, MailboxesFull), isinstance(why, BusOff)
            machine.result = FULL if full else IS_BUS_OFF if off else NOT_SENDING
        else:
            machine.result = OK

    def receive(self) -> None:
        """Take the oldest frame from the receive FIFO."""
        machine = self._machine
        received = self._controller.receive()
        machine.result = received is not None
        if received is None:
            return
        frame = received[1]
        machine.id = frame.identifier
        machine.extended, machine.remote = frame.extended, frame.remote
        machine.length = min(frame.dlc, 8)
        data = frame.data
        machine.data[0:8] = (data + bytes(8))[:8]

    def abort(self) -> None:
        """Withdraw all frames that wait to be sent."""
        self._controller.abort_pending()

    def status(self) -> None:
        """Report the controller's state and counters."""
        machine, controller = self._machine, self._controller
        machine.state = _STATES[controller.state]
        machine.tec, machine.rec = controller.tec, controller.rec
        machine.sent = controller.sent - self._sent
        machine.overruns = controller.overruns - self._overruns
        machine.frames_pending = controller.pending()

    def recover(self) -> None:
        """Recover from bus-off."""
        self._board.recover_bus()

    def mode(self) -> None:
        """Set the controller to normal, listen-only or off."""
        controller, mode = self._controller, self._machine.a
        if mode == 2:
            controller.power_off()
            return
        controller.power_on()
        controller.listen(only=mode == 1)

    def one_shot(self) -> None:
        """Turn single shot on or off."""
        self._controller.single_shot = bool(self._machine.a)

    def filter(self) -> None:
        """Add a receive filter."""
        machine = self._machine
        entry = (machine.id, machine.a, bool(machine.extended))
        self._controller.filters = [*self._controller.filters, entry]

    def accept_all(self) -> None:
        """Remove all receive filters."""
        self._controller.filters = []

    def timer(self) -> None:
        """Restart or stop the hardware timer."""
        self.stop_timer()
        self._period_ns = self._machine.a * 1_000
        if self._period_ns:
            self._arm(self._board.clock.now_ns() + self._period_ns)

    def watchdog(self) -> None:
        """Start the watchdog."""
        self._board.start_watchdog(self._machine.a * 1_000_000)

    def restart(self) -> None:
        """Reset the board."""
        self._board.restart()

    def print(self) -> None:
        """Print a line of text on the serial line."""
        machine = self._machine
        text = bytes(interface().buffer(machine.text, machine.text_length))
        self._board.printed(text.decode("utf-8", errors="replace"))

    def sense(self) -> None:
        """What a pin measures of the node itself."""
        machine, board = self._machine, self._board
        entry = self._senses[machine.a]
        output = entry.output
        value = board.supply_volts() if output is None else board.current(output)
        machine.result = entry.counts(value, self._largest)

    def chip(self) -> None:
        """What a chip inside the program did with a frame."""
        watch = self._controller.chip
        if watch is not None:
            watch.told(self._machine.a, self._machine.b)

    def _arm(self, shown_ns: int) -> None:
        board = self._board
        at_ns = board.clock.instant(shown_ns)
        self._timer = board.queue.at(at_ns, board.host.call, self._due, shown_ns)

    def _due(self, shown_ns: int) -> None:
        self._arm(shown_ns + self._period_ns)
        self._interrupt(TIMER)

    def stop_timer(self) -> None:
        """Stop the hardware timer."""
        if self._timer is not None:
            self._board.queue.cancel(self._timer)
            self._timer = None


ANSWERS: Mapping[int, Callable[[Answers], None]] = {
    2: Answers.output,
    3: Answers.send,
    4: Answers.receive,
    5: Answers.abort,
    6: Answers.status,
    7: Answers.recover,
    8: Answers.mode,
    9: Answers.one_shot,
    10: Answers.filter,
    11: Answers.accept_all,
    12: Answers.timer,
    13: Answers.watchdog,
    14: Answers.restart,
    15: Answers.print,
    17: Answers.chip,
    19: Answers.sense,
}
"""The answers by the numbers of ``enum request``."""
