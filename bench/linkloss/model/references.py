"""What the names in a vehicle file refer to: signals and inputs, alone and in conditions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from linkloss.model.expression import Condition, split_signal
from linkloss.model.messages import MessageInfo, SignalInfo
from linkloss.model.problem import Problem, unknown
from linkloss.model.toml import Key, Source
from linkloss.model.units import plain
from linkloss.model.vehicle import VehicleFile

Found = Iterator[Problem]
Place = tuple[Key, ...]


@dataclass(frozen=True, slots=True)
class References:
    """Looks up what a vehicle file names, and tells what is wrong with it."""

    source: Source
    file: VehicleFile
    messages: Mapping[str, MessageInfo]

    def signal(self, place: Place, reference: str) -> Found | tuple[str, SignalInfo]:
        """The message and the signal of a reference, or what is wrong with it."""
        message, signal = split_signal(reference)
        if not signal:
            text = f"got '{reference}'; expected 'Message.Signal'"
            return iter([self.source.problem(place, text)])
        if message not in self.messages:
            text = unknown("message", message, self.messages)
            return iter([self.source.problem(place, text)])
        signals = self.messages[message].signals
        if signal not in signals:
            text = unknown(f"signal of message '{message}'", signal, signals)
            return iter([self.source.problem(place, text)])
        return message, signals[signal]

    def condition(
        self, place: Place, condition: Condition, node: str | None, *, signals: bool = False
    ) -> Found:
        """What is wrong with a condition over inputs, which ``node`` reads (None: any node), and,
        where there may be some, over ``signals``.
        """
        for name in condition.names:
            if "." in name and signals:
                yield from self._condition_signal(place, condition, name)
            elif "." in name:
                text = f"'{name}' is a signal; expected inputs alone"
                yield self.source.problem(place, text)
            elif name not in self.file.inputs:
                yield self.source.problem(place, unknown("input", name, self.file.inputs))
            else:
                yield from self._condition_input(place, condition, name, node)

    def _condition_signal(self, place: Place, condition: Condition, name: str) -> Found:
        found = self.signal(place, name)
        if not isinstance(found, tuple):
            yield from found
        elif not any(sender in self.file.nodes for sender in self.messages[found[0]].senders):
            text = f"no node of the vehicle sends message '{found[0]}'"
            yield self.source.problem(place, text)
        for position in condition.positions.get(name, ()):
            yield self.source.problem(place, f"'{name}' is a signal; '{position}' is no number")

    def _condition_input(
        self, place: Place, condition: Condition, name: str, node: str | None
    ) -> Found:
        table = self.file.inputs[name]
        if node is not None and node in self.file.nodes and node not in table.wired_to:
            text = f"input '{name}' is wired to {', '.join(table.wired_to)}, not to node '{node}'"
            yield self.source.problem(place, text)
        for position in condition.positions.get(name, ()):
            if table.positions is None:
                text = f"'{name}' is a sensor; '{position}' is no number"
                yield self.source.problem(place, text)
            elif position not in table.positions:
                text = unknown(f"position of '{name}'", position, table.positions)
                yield self.source.problem(place, text)
        if table.positions is None:
            return
        if name in condition.ordered:
            text = f"'{name}' is a switch with positions; it cannot be compared by size"
            yield self.source.problem(place, text)
        for number in condition.numbers.get(name, ()):
            text = f"'{name}' is a switch with positions; a position '{plain(number)}' stands in"
            yield self.source.problem(place, f"{text} quotation marks")

    def own_signal(self, place: Place, reference: str, node: str) -> Found:
        """Whether a node sends the signal that it is said to send."""
        found = self.signal(place, reference)
        if not isinstance(found, tuple):
            yield from found
        elif node not in self.messages[found[0]].senders:
            yield self.source.problem(place, f"node '{node}' does not send '{found[0]}'")
