"""Boards: pins, inputs and outputs as one run of a program sees them.

A run is from one reset of a node to the next. A reset makes a new board (see
``linkloss_nodes.Board``). What an old program still does with its own, in a ``finally`` of a
coroutine for instance, has no effect: on real hardware it would not even run.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from math import nan
from typing import Any, Protocol

import can
from cantools.database import Database

from linkloss.clock import Event, EventQueue, OwnClock
from linkloss.problem import unknown
from linkloss.recording import Recording, Series
from linkloss.session.electrics import Power
from linkloss.vehicle.expression import Value
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.tables import InputTable

Edges = Callable[[Value, Value], list[tuple[int, Value]]]
"""What a line makes of a change: (delay in ns, value) pairs for old and new value."""


class InputLine:
    """The lead from one input to one node, with any faults on it."""

    __slots__ = ("_changed", "_queue", "_seen", "_stuck", "_truth", "_turn", "edges", "value")

    def __init__(
        self,
        queue: EventQueue,
        value: Value,
        seen: Series[Value],
        changed: Callable[[Value], None],
    ) -> None:
        self._queue = queue
        self._seen = seen
        self._changed = changed
        self._truth = value
        self._turn = 0
        self.value = value
        self._stuck: list[tuple[Value, object]] = []
        self.edges: Edges | None = None
        seen.set(queue.now_ns, value)

    def truth(self, value: Value) -> None:
        """The input changes at its far end."""
        old, self._truth = self._truth, value
        self._turn += 1
        if self.edges is None:
            self.show(value)
            return
        for delay_ns, edge in self.edges(old, value):
            self._queue.after(delay_ns, self._edge, self._turn, edge)

    def _edge(self, turn: int, value: Value) -> None:
        if turn == self._turn:  # a newer change has its own edges
            self.show(value)

    def show(self, value: Value) -> None:
        """Set what the node reads from now on, unless the line is stuck."""
        if self._stuck:
            value = self._stuck[-1][0]
        if value != self.value:
            self.value = value
            self._seen.set(self._queue.now_ns, value)
            self._changed(value)

    def stick(self, value: Value) -> Callable[[], None]:
        """Make the node read this value whatever the input does; returns a function that frees the
        line.

        Of several reasons to be stuck, the latest one counts.
        """
        reason = (value, object())
        self._stuck.append(reason)
        self.show(value)

        def free() -> None:
            self._stuck.remove(reason)
            self.show(self._truth)

        return free


class Inputs:
    """All inputs of the vehicle and their lines to the nodes."""

    def __init__(self, queue: EventQueue, recording: Recording) -> None:
        self._queue = queue
        self._recording = recording
        self._lines: dict[str, dict[str, InputLine]] = {}

    def add(
        self,
        name: str,
        table: InputTable,
        value: Value,
        changed: Callable[[str, str, Value], None],
    ) -> None:
        """Connect an input to its nodes; ``changed(node, input, value)`` is called for
        every edge.
        """
        self._recording.inputs[name] = Series()
        self._recording.inputs[name].set(self._queue.now_ns, value)
        self._lines[name] = {}
        for node in table.wired_to:
            seen = self._recording.seen.setdefault((name, node), Series())
            self._lines[name][node] = InputLine(
                self._queue,
                value,
                seen,
                lambda new, node=node: changed(node, name, new),  # type: ignore[misc]
            )

    def set(self, name: str, value: Value) -> None:
        """The driver or the engine changes an input."""
        self._recording.inputs[name].set(self._queue.now_ns, value)
        for line in self._lines[name].values():
            line.truth(value)

    def truth(self, name: str) -> Value:
        """The true value of an input now."""
        return self._recording.inputs[name].values[-1]

    def line(self, name: str, node: str) -> InputLine:
        """The line of an input to a node."""
        return self._lines[name][node]

    def lines(self, name: str) -> dict[str, InputLine]:
        """All lines of an input by node."""
        return self._lines[name]

    def read(self, node: str, name: str) -> Value:
        """What a node reads now. Raises LookupError with a text for the node's author."""
        try:
            return self._lines[name][node].value
        except KeyError:
            known = [key for key, lines in self._lines.items() if node in lines]
            raise LookupError(unknown(f"input of node '{node}'", name, known)) from None

    def values(self, node: str) -> dict[str, Value]:
        """All values that a node reads now."""
        return {name: lines[node].value for name, lines in self._lines.items() if node in lines}


class Output:
    """One switched feed and the load on it. ``seen`` returns what the node's inputs read. Without
    ``power`` the load gets what the pin says; a node that is not ``powered`` drives nothing.
    """

    __slots__ = (
        "_circuit", "_commands", "_levels", "_name", "_queue", "_seen", "_table", "command",
        "powered",
    )  # fmt: skip

    def __init__(
        self,
        queue: EventQueue,
        name: str,
        table: LoadTable,
        recording: Recording,
        seen: Callable[[], Mapping[str, Value]],
        power: Power | None = None,
    ) -> None:
        self._queue = queue
        self._name = name
        self._circuit = power if power is not None and power.feeds(name) else None
        self._table = table
        self._seen = seen
        self._levels: Series[float] = recording.outputs.setdefault(name, Series())
        self._commands: Series[float | None] = recording.commands.setdefault(name, Series())
        self.command: float | None = None
        self.powered = True

    def drive(self, level: float | None) -> None:
        """The program drives the output, or lets go of it (None)."""
        self.command = level
        self._commands.set(self._queue.now_ns, level)
        self._settle()

    def input_changed(self) -> None:
        """An input of the node has changed; a load that is wired to it follows by itself."""
        if self.command is None and self._table.hardware_default == "local":
            self._settle()

    def _settle(self) -> None:
        level = self.command if self.command is not None else self.released()
        if not self.powered:
            level = 0.0
        if self._circuit is None:
            self._levels.set(self._queue.now_ns, level)
        else:
            self._circuit.drive(self._name, level)

    def amps(self) -> float:
        """The current into the load, in A; NaN where nothing is known of it."""
        return nan if self._circuit is None else self._circuit.amps(self._name)

    def status(self) -> str:
        """What the switch reports of itself."""
        return "ok" if self._circuit is None else self._circuit.status(self._name)

    def released(self) -> float:
        """What the load gets while no program drives the output."""
        if self._table.hardware_default == "local" and self._table.local is not None:
            return 1.0 if self._table.local(self._seen()) else 0.0
        return 1.0 if self._table.hardware_default == "on" else 0.0


class Restart(BaseException):
    """The program resets its board: nothing after the call runs."""


class Sleep(Restart):
    """The program puts its board to sleep until one of ``inputs`` changes (None: any input) or one
    of the messages ``frames`` is on the bus (True: any frame, False: none).
    """

    def __init__(self, inputs: Collection[str] | None, frames: bool | Collection[str]) -> None:
        self.inputs = inputs
        self.frames = frames


class GoneError(RuntimeError):
    """A program that has been reset still uses its old board."""


class Host(Protocol):
    """What a board needs of the node that it belongs to."""

    @property
    def state(self) -> str:
        """``running``, ``hung``, ``reset``, ``asleep`` or ``crashed``."""

    def call(self, action: Callable[..., object], *args: Any) -> None:
        """Run a piece of the program."""

    def bite(self, where: str = "") -> None:
        """The watchdog was not fed; ``where`` the program was, if that is known."""

    def recover_bus(self, bus: str | None = None) -> None:
        """Ask the controller on a bus (None: on each) to come back from bus-off."""

    def volts(self) -> float:
        """The voltage at the node's terminals, in V."""

    def printed(self, text: str) -> None:
        """The program printed a line of text."""


class BoardTimer:
    """A timer of a program; it dies with its board."""

    __slots__ = ("_action", "_args", "_board", "_event", "_interrupt", "_period_ns")

    def __init__(
        self,
        board: Board,
        action: Callable[..., object],
        args: tuple[Any, ...],
        period_ns: int | None,
        *,
        interrupt: bool,
    ) -> None:
        self._board = board
        self._action = action
        self._args = args
        self._event: Event | None = None
        self._period_ns = period_ns
        self._interrupt = interrupt

    def arm(self, shown_ns: int) -> None:
        """Make the timer due when the board's clock shows a time."""
        board = self._board
        self._event = board.queue.at(board.clock.instant(shown_ns), self._due, shown_ns)

    def cancel(self) -> None:
        """Stop the timer."""
        self._period_ns = None
        if self._event is not None:
            self._board.queue.cancel(self._event)
            self._event = None
        self._board.postponed.pop(self, None)

    def _due(self, shown_ns: int) -> None:
        self._event = None
        board = self._board
        if not board.alive:
            return
        state = board.host.state
        if state != "running" and not (self._interrupt and state == "hung"):
            board.postponed[self] = None
            return
        if self._period_ns is not None:
            self.arm(shown_ns + self._period_ns)
        board.host.call(self._action, *self._args)

    def catch_up(self) -> None:
        """Run now what could not run while the program hung."""
        self._due(self._board.now_ns())


class Board:
    """Pins, clock, controller, memory and watchdog of one run of a program."""

    def __init__(
        self,
        *,
        host: Host,
        name: str,
        queue: EventQueue,
        clock: OwnClock,
        inputs: Inputs,
        outputs: Mapping[str, Output],
        buses: Mapping[str, can.BusABC],
        messages: Database,
        settings: Mapping[str, Any],
        memory: dict[str, Any],
        cause: str = "power-up",
        seed: int = 0,
    ) -> None:
        self.host = host
        self.name = name
        self.queue = queue
        self.clock = clock
        self.messages = messages
        self.settings = settings
        self.cause = cause
        self.seed = seed
        self.alive = True
        self.postponed: dict[BoardTimer, None] = {}
        self._inputs = inputs
        self._outputs = outputs
        self._buses = buses
        self._memory = memory
        self._dog_timeout_ns = 0
        self._dog_deadline_ns = 0
        self._dog: Event | None = None

    def die(self) -> None:
        """End the run: timers and watchdog stop, and the board no longer responds."""
        self.alive = False
        self.postponed.clear()
        if self._dog is not None:
            self.queue.cancel(self._dog)
            self._dog = None

    def catch_up(self) -> None:
        """Run the timers that came due while the program hung."""
        for timer in list(self.postponed):
            if timer in self.postponed:  # no earlier one has cancelled it
                del self.postponed[timer]
                timer.catch_up()

    @property
    def bus(self) -> can.BusABC:
        return next(iter(self.buses.values()))

    @property
    def buses(self) -> Mapping[str, can.BusABC]:
        self._must_live()
        return self._buses

    @property
    def memory(self) -> dict[str, Any]:
        self._must_live()
        return self._memory

    def now_ns(self) -> int:
        return self.clock.now_ns()

    def after(self, delay_ns: int, action: Callable[..., object], *args: Any) -> BoardTimer:
        timer = BoardTimer(self, action, args, None, interrupt=False)
        timer.arm(self.now_ns() + max(0, delay_ns))
        return timer

    def every(
        self,
        period_ns: int,
        action: Callable[..., object],
        *args: Any,
        first_ns: int | None = None,
        interrupt: bool = False,
    ) -> BoardTimer:
        if period_ns <= 0:
            raise ValueError(f"got a period of {period_ns} ns; expected more than zero")
        timer = BoardTimer(self, action, args, period_ns, interrupt=interrupt)
        timer.arm(self.now_ns() + (period_ns if first_ns is None else first_ns))
        return timer

    def read(self, name: str) -> Value:
        return self._inputs.read(self.name, name)

    def write(self, name: str, level: float) -> None:
        self._output(name).drive(min(1.0, max(0.0, float(level))))

    def release(self, name: str) -> None:
        self._output(name).drive(None)

    def released(self, name: str) -> float:
        """What a load gets while no program drives its output."""
        return self._output(name).released()

    def _output(self, name: str) -> Output:
        self._must_live()
        try:
            return self._outputs[name]
        except KeyError:
            text = unknown(f"output of node '{self.name}'", name, self._outputs)
            raise LookupError(text) from None

    def supply_volts(self) -> float:
        return self.host.volts()

    def current(self, name: str) -> float:
        return self._output(name).amps()

    def output_status(self, name: str) -> str:
        return self._output(name).status()

    def recover_bus(self, bus: str | None = None) -> None:
        self._must_live()
        if bus is not None and bus not in self._buses:
            raise LookupError(unknown(f"bus of node '{self.name}'", bus, self._buses))
        self.host.recover_bus(bus)

    def start_watchdog(self, timeout_ns: int) -> None:
        self._must_live()
        if self._dog is not None:
            self.queue.cancel(self._dog)
        self._dog_timeout_ns = timeout_ns
        self._dog_deadline_ns = self.clock.after(timeout_ns)
        self._dog = self.queue.at(self._dog_deadline_ns, self._dog_due)

    def feed_watchdog(self, at_ns: int | None = None) -> None:
        """Feed the watchdog; a program that runs ahead of the bench says at which instant."""
        ahead_ns = 0 if at_ns is None else at_ns - self.queue.now_ns
        self._dog_deadline_ns = self.clock.after(self._dog_timeout_ns) + ahead_ns

    def _dog_due(self) -> None:
        if self.queue.now_ns < self._dog_deadline_ns:  # fed meanwhile: check again when it expires
            self._dog = self.queue.at(self._dog_deadline_ns, self._dog_due)
            return
        self._dog = None
        self.host.bite()

    def printed(self, text: str) -> None:
        """Record a line of text that the program printed."""
        self._must_live()
        self.host.printed(text)

    def restart(self) -> None:
        self._must_live()
        raise Restart

    def sleep(
        self, inputs: Collection[str] | None = None, frames: bool | Collection[str] = False
    ) -> None:
        self._must_live()
        for name in inputs or ():
            self._inputs.read(self.name, name)
        for name in () if isinstance(frames, bool) else frames:
            self.messages.get_message_by_name(name)
        raise Sleep(inputs, frames)

    def _must_live(self) -> None:
        if not self.alive:
            raise GoneError(f"node '{self.name}' was reset; its program uses a board of before")
