"""One run of a firmware on a board: it runs until it asks for something, and gets an answer.

The firmware runs on its own stack and asks by number; the answers are methods of
:class:`linkloss.firmware.answers.Answers`. Between two waits it may run ahead of the clock by the
time that its calls take, but never past the next event.

An address in a firmware is traced to a line of its source.
"""

from __future__ import annotations

import shutil
import signal
from collections.abc import Callable, Sequence
from functools import cached_property
from math import isnan
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

from linkloss.clock import Event
from linkloss.firmware.answers import (
    ANSWERS,
    Answers,
    InputPin,
    Library,
    OutputPin,
    Wiring,
    interface,
)
from linkloss.firmware.build import (
    C_FOLDER,
    SKETCH_HEADERS,
    BuildError,
    BuildOptions,
    Sources,
    build,
    files_read,
    run_tool,
    warnings_of,
)
from linkloss.firmware.guard import BlockingProgram, BoardFace, ProgramFailed

_OURS = (str(C_FOLDER), str(SKETCH_HEADERS))


def source_line(program: Path, offsets: Sequence[int]) -> str:
    """``file:line`` of the first of some offsets that is in the user's own source, or a text that
    says that the place is unknown.
    """
    tool = shutil.which("addr2line")
    if tool is None:
        return "a place that only 'addr2line' (package binutils) could name"
    done = run_tool([tool, "-e", str(program), *(hex(offset) for offset in offsets)])
    for line in done.stdout.splitlines():
        file, _, number = line.partition(" ")[0].rpartition(":")
        if file not in ("", "??") and number.isdigit() and not file.startswith(_OURS):
            return f"{file}:{number}"
    return "an unknown place"


FOREVER = 2**64 - 1
FRAME, TIMER, PIN = 1, 2, 4
"""The bits of ``enum interrupt``."""
RISING, FALLING = 1, 2
RECEIVED, SENT, STATE = 1, 2, 4
_CAUSES = {"power-up": 0, "supply": 0, "fault": 1, "watchdog": 2, "program": 3}
_SIGNALS = {
    signal.SIGSEGV: "segmentation fault",
    signal.SIGBUS: "bus error",
    signal.SIGFPE: "division by zero",
    signal.SIGILL: "illegal instruction",
    signal.SIGABRT: "abort",
}


class Firmware:
    """A node's program: a firmware, and the wiring of its board. It is compiled when it is first
    needed. If that fails, the error is ``refused(text)``.
    """

    def __init__(
        self,
        sources: Sources,
        wiring: Wiring,
        options: BuildOptions | None = None,
        refused: Callable[[str], Exception] = BuildError,
    ) -> None:
        self.sources = sources
        self.wiring = wiring
        self.largest = (1 << wiring.analog_bits) - 1
        self._options = options
        self._refused = refused
        self._unused: list[Library] = []

    def built(self) -> Path:
        """The shared object, compiled now or earlier; it is not loaded."""
        try:
            return build(self.sources, self._options)
        except BuildError as error:
            raise self._refused(str(error)) from None

    @cached_property
    def path(self) -> Path:
        """The shared object, compiled now or earlier. A copy of it is loaded."""
        path = self.built()
        try:
            first = Library(path)
        except BuildError as error:
            raise self._refused(str(error)) from None
        if not first.has_program:
            files = ", ".join(self.sources.files)
            raise self._refused(f"no program in {files}: neither setup() and loop() nor main()")
        self._unused.append(first)
        return path

    def compile(self) -> list[str]:
        """Compile it now, if that is not done yet, and return what the compiler warned of."""
        return warnings_of(self.path)

    def files(self) -> list[Path]:
        """The sources and headers that it was compiled from."""
        return files_read(self.path)

    def __call__(self, board: BoardFace) -> FirmwareProgram[Library]:
        """A run of the program on a board."""
        return FirmwareProgram(self, board)

    def take(self, _board: BoardFace) -> Library:
        """A copy in memory for one run of the program on a board."""
        path = self.path
        return self._unused.pop() if self._unused else Library(path)

    def put_back(self, library: Library) -> None:
        """Return a copy after a run, and add the lines that ran to the coverage files."""
        library.dump()
        self._unused.append(library)

    def failure(self, library: Library) -> ProgramFailed:
        """The failure for a crash of a copy: what it was, and where."""
        machine, ffi = library.machine, interface()
        text = _text(ffi, machine.what) or _signal_text(machine)
        if machine.file != ffi.NULL:
            return ProgramFailed(text, f"{_text(ffi, machine.file)}:{machine.line}")
        places = machine.places[0 : machine.places_length]
        return ProgramFailed(text, source_line(self.path, [each - library.base for each in places]))


class Runner(Protocol):
    """What runs a program: it asks through the memory that it has in turn with the bench."""

    machine: Any
    stops_hung: bool
    """Whether the bench itself holds a program that hangs, and tells it what outputs draw."""
    past_idle_ns: int
    """How far it may run ahead of others that do nothing but compute."""

    @property
    def resume(self) -> Callable[[Any], int]:
        """Let it run until it asks for something; what returns the number of the request."""

    def begin(self) -> None:
        """Reset it."""


R = TypeVar("R", bound=Runner)


class Runs(Protocol[R]):
    """A program that can be run on a board."""

    wiring: Wiring
    largest: int

    def take(self, board: BoardFace) -> R:
        """What runs it there."""

    def put_back(self, runner: R) -> None:
        """Return it after a run."""

    def failure(self, runner: R) -> ProgramFailed:
        """What a crash was, and where."""


class FirmwareProgram(BlockingProgram, Generic[R]):
    """One run of a firmware or an image."""

    def __init__(self, firmware: Runs[R], board: BoardFace) -> None:
        self._firmware = firmware
        self._board = board
        self._queue = board.queue
        self._controller = board.bus.controller
        self._runner: R | None = firmware.take(board)
        self._machine: Any = self._runner.machine
        self._resume = self._runner.resume
        self._stops_hung = self._runner.stops_hung
        self._past_idle_ns = self._runner.past_idle_ns
        self._runner.begin()
        self._event: Event | None = None
        self._busy = False
        self._inputs: dict[str, list[InputPin]] = {}
        self._sensed: list[OutputPin] = []
        self._largest = firmware.largest
        self._answers = Answers(
            board, self._machine, firmware.wiring, self.interrupt, self._largest
        )
        self._prepare()

    def _prepare(self) -> None:
        wiring, machine, board = self._firmware.wiring, self._machine, self._board
        machine.begun_ns = self._queue.now_ns
        first_ns = wiring.clock_start_ns if board.cause == "power-up" else 0
        machine.clock_ns = board.clock.start_ns or first_ns
        machine.clock_ppb = board.clock.ppb
        machine.call_ns = wiring.call_ns
        machine.reset_cause = _CAUSES.get(board.cause, 1)
        machine.seed = board.seed & 0xFFFFFFFF
        watch = self._controller.chip
        machine.watched, machine.roomy = watch is not None, watch is not None and watch.roomy
        lets_in = None if watch is None else watch.lets_in
        machine.lets_in = lets_in is not None
        machine.lets_in_id, machine.lets_in_extended = lets_in or (0, False)
        for number in range(len(machine.output_ma)):
            machine.output_ma[number] = _NOT_SENSED
        for entry in wiring.senses:
            machine.wired[entry.pin] = 3
        for output in wiring.outputs:
            machine.wired[output.pin] = 1
            if self._stops_hung and not isnan(board.current(output.output)):
                self._sensed.append(output)
        self._sense()
        for pin in wiring.inputs:
            machine.wired[pin.pin] = 2
            self._inputs.setdefault(pin.name, []).append(pin)
        for name in self._inputs:
            self._read(name, board.read(name))

    def _sense(self) -> None:
        """Pass on voltage and currents, which hold until the next event."""
        machine, board = self._machine, self._board
        machine.supply_mv = round(1000 * min(65.0, max(0.0, board.supply_volts())))
        for output in self._sensed:
            amps = max(0.0, board.current(output.output))
            machine.output_ma[output.pin] = min(_NOT_SENSED - 1, round(1000 * amps))

    def _read(self, name: str, value: str | float) -> int:
        """Set the levels of the pins of an input. Return ``PIN`` if one made an edge that the
        program waits for, else 0.
        """
        machine, found = self._machine, 0
        for entry in self._inputs.get(name, ()):
            pin, high = entry.pin, entry.high(value)
            machine.analog[pin] = entry.counts(value, self._largest)
            if machine.level[pin] != high:
                machine.level[pin] = high
                if machine.edge[pin] & (RISING if high else FALLING):
                    machine.edge_pending[pin] = 1
                    found = PIN
        return found

    # ---- called by the host

    def start(self) -> None:
        self._controller.on_sent = self._frame_sent
        self._go()

    def received(self) -> None:
        self._later(RECEIVED)

    def controller_changed(self) -> None:
        self._can_event(STATE)

    def _frame_sent(self, _frame: object) -> None:
        self._later(SENT)

    def _later(self, event: int) -> None:
        """Tell the program about a CAN event after the bus has finished its work at this
        instant.
        """
        if self._machine.can_events & event:
            self._queue.at(self._queue.now_ns, self._board.host.call, self._can_event, event)

    def input_changed(self, name: str, value: str | float) -> None:
        if self._runner is not None:
            self.interrupt(self._read(name, value))

    def hang(self) -> None:
        self._machine.hung = 1
        if self._stops_hung and not self._machine.in_interrupt:
            self._wait_for(FOREVER)

    def resume(self) -> None:
        self._machine.hung = 0
        self._wait_for(max(self._machine.until_ns, self._queue.now_ns))

    def end(self) -> None:
        runner, self._runner = self._runner, None
        if runner is not None:
            self._wait_for(FOREVER)
            self._answers.stop_timer()
            self._controller.on_sent = None
            self._firmware.put_back(runner)

    # ---- running

    def interrupt(self, sources: int) -> None:
        """Interrupt the program, now or as soon as it allows it."""
        machine = self._machine
        if not sources or self._runner is None:
            return
        machine.pending |= sources
        if not machine.masked and not machine.in_interrupt and not self._busy:
            self._go()

    def _can_event(self, event: int) -> None:
        if self._runner is not None and self._machine.can_events & event:
            self.interrupt(FRAME)

    def _wake(self) -> None:
        self._forget()
        self._go()

    def _forget(self) -> None:
        if self._event is not None:
            self._queue.idle.discard(self._event[2])
            self._event = None

    def _wait_for(self, until_ns: int, *, idle: bool = False) -> None:
        """Be woken at this instant and at no other. ``idle``: to do nothing but compute then."""
        if self._event is not None:
            self._queue.cancel(self._event)
            self._forget()
        if until_ns != FOREVER:
            self._event = self._queue.at(until_ns, self._board.host.call, self._wake)
            if idle:
                self._queue.idle.add(self._event[2])

    def _go(self) -> None:
        """Let the program run until it waits."""
        self._busy = True
        try:
            self._run()
        finally:
            self._busy = False

    def _run(self) -> None:
        machine, queue, inbox = self._machine, self._queue, self._controller.inbox
        machine.now_ns = queue.now_ns
        self._sense()
        while True:
            machine.horizon_ns = queue.quiet_until(self._past_idle_ns)
            machine.waiting = len(inbox)
            asked = self._resume(machine)
            if machine.fed:
                machine.fed = 0
                self._board.feed_watchdog(machine.fed_ns)
            if asked == _WAIT:
                hung = self._stops_hung and machine.hung and not machine.in_interrupt
                self._wait_for(FOREVER if hung else machine.until_ns, idle=bool(machine.idle))
                return
            if asked == _CRASHED:
                raise self._failure()
            if asked == _BITTEN:
                assert self._runner is not None, "only a program that runs is bitten"
                self._board.host.bite(self._firmware.failure(self._runner).where)
                return
            ANSWERS[asked](self._answers)

    def _failure(self) -> ProgramFailed:
        """The failure for a crash, after which nothing of the program runs."""
        runner, self._runner = self._runner, None
        assert runner is not None, "only a program that is alive can fail"
        self._wait_for(FOREVER)
        self._answers.stop_timer()
        failed = self._firmware.failure(runner)
        self._firmware.put_back(runner)
        return failed


_WAIT, _CRASHED, _BITTEN = 1, 16, 18
_NOT_SENSED = 65535


def _text(ffi: Any, pointer: Any) -> str:
    return "" if pointer == ffi.NULL else ffi.string(pointer).decode(errors="replace")


def _signal_text(machine: Any) -> str:
    if machine.signal == signal.SIGSYS:
        return f"call {machine.fault_address} of the operating system, which a board does not have"
    name = _SIGNALS.get(machine.signal, f"signal {machine.signal}")
    if machine.signal in (signal.SIGSEGV, signal.SIGBUS):
        return f"{name} at address {machine.fault_address:#x}"
    return name
