"""The electrical side of the nodes: switches and sensors in, switched feeds out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import nan

from linkloss.clock import EventQueue
from linkloss.model.expression import Value
from linkloss.model.load import LoadTable
from linkloss.model.problem import unknown
from linkloss.model.vehicle import InputTable
from linkloss.recording import Recording, Series
from linkloss.session.power import Power

Edges = Callable[[Value, Value], list[tuple[int, Value]]]
"""What a line makes of a change: (delay in ns, value) pairs for old and new value."""


class InputLine:
    """The lead from one input to one node, with whatever is wrong with it."""

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
        """The input has changed at its far end."""
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
        """What the node reads from now on, unless the line is stuck."""
        if self._stuck:
            value = self._stuck[-1][0]
        if value != self.value:
            self.value = value
            self._seen.set(self._queue.now_ns, value)
            self._changed(value)

    def stick(self, value: Value) -> Callable[[], None]:
        """The node reads this value whatever the input does; returns what frees the line again.

        Of several reasons to be stuck the latest one counts.
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
        """Bus an input to its nodes; ``changed(node, input, value)`` is told of every edge."""
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
        """What an input truly is now."""
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
        """All that a node reads now."""
        return {name: lines[node].value for name, lines in self._lines.items() if node in lines}


class Output:
    """One switched feed and the load on it. ``seen`` tells what the node's inputs read. Without
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
        """An input of the node has changed: a load that is wired to it follows by itself."""
        if self.command is None and self._table.hardware_default == "local":
            self._settle()

    def _settle(self) -> None:
        level = self.command if self.command is not None else self._hardware()
        if not self.powered:
            level = 0.0
        if self._circuit is None:
            self._levels.set(self._queue.now_ns, level)
        else:
            self._circuit.drive(self._name, level)

    def amps(self) -> float:
        """The current into the load, in A; not a number where nothing is known of it."""
        return nan if self._circuit is None else self._circuit.amps(self._name)

    def status(self) -> str:
        """What the switch reports of itself."""
        return "ok" if self._circuit is None else self._circuit.status(self._name)

    def _hardware(self) -> float:
        """What the load gets while no program drives the output."""
        if self._table.hardware_default == "local" and self._table.local is not None:
            return 1.0 if self._table.local(self._seen()) else 0.0
        return 1.0 if self._table.hardware_default == "on" else 0.0
