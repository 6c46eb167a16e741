"""What the driver and the engine did, read off the messages of a log.

The vehicle file says how a log shows an input: a sensor by a signal, a switch by conditions over
signals, one for each position. An input that it says nothing of, or whose messages the log does
not hold, stays at rest.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from linkloss.model.expression import Condition, Value, split_signal
from linkloss.model.loading import Vehicle
from linkloss.model.messages import MessageInfo
from linkloss.model.vehicle import InputTable

STEP_SHARE = 100
"""A sensor's value is taken over when it moved by this part of its range, or past a number that a
condition of the vehicle compares it with.
"""

Key = tuple[int, bool]
"""Identifier, and whether it is an extended one."""


class Change(NamedTuple):
    """Inputs that changed at an instant of the log. ``event``: one changed in a way that a
    condition of the vehicle can tell; else only sensors moved a little.
    """

    at_ns: int
    values: dict[str, Value]
    event: bool


class InputReader:
    """Follows the signals that show inputs, frame by frame."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._signals: dict[str, float] = {}
        self._values: dict[str, Value] = {}
        self._tables = {name: table for name, table in vehicle.inputs.items() if table.logged}
        self._numbers = {name: _compared_with(vehicle, name) for name in self._tables}
        self._messages: dict[Key, MessageInfo] = {}
        self._users: dict[str, list[str]] = {}
        for name, table in self._tables.items():
            for message in {split_signal(reference)[0] for reference in references(table)}:
                info = vehicle.messages[message]
                self._messages[info.identifier, info.extended] = info
                self._users.setdefault(message, []).append(name)

    def wants(self, key: Key) -> bool:
        """Whether a message shows an input."""
        return key in self._messages

    def feed(self, at_ns: int, key: Key, data: bytes) -> Change | None:
        """Take in a frame; what changed by it. One that is damaged shows nothing."""
        info = self._messages[key]
        if len(data) != info.length or not (info.checksum is None or info.checksum(data)):
            return None
        for signal in info.signals.values():
            self._signals[f"{info.name}.{signal.name}"] = signal.physical(data)
        changed: dict[str, Value] = {}
        event = False
        for name in self._users[info.name]:
            value = self._read(self._tables[name])
            if value is None:
                continue
            before = self._values.get(name)
            if before is None or value != before:
                news = self._weight(name, before, value)
                if news:
                    changed[name] = self._values[name] = value
                    event = event or news > 1
        return Change(at_ns, changed, event) if changed else None

    def unseen(self) -> list[str]:
        """The inputs that the log has shown nothing of so far."""
        return [name for name, table in self._tables.items() if self._read(table) is None]

    def _read(self, table: InputTable) -> Value | None:
        """What the signals say now; None while one is still missing."""
        signals = self._signals
        if isinstance(table.logged, str):
            value = signals.get(table.logged)
            if value is None or table.range is None:
                return None
            return min(max(value, table.range[0]), table.range[1])
        assert table.logged is not None
        for position, condition in table.logged.items():
            if any(name not in signals for name in condition.names):
                return None
            if condition(signals):
                return position
        return table.rest

    def _weight(self, name: str, before: Value | None, value: Value) -> int:
        """0: not worth a word; 1: a sensor has moved; 2: conditions can tell the difference."""
        if before is None or isinstance(value, str) or isinstance(before, str):
            return 2
        if any((before > n) != (value > n) or (before < n) != (value < n)
               for n in self._numbers[name]):  # fmt: skip
            return 2
        low, high = self._tables[name].range or (0.0, 0.0)
        return 1 if abs(value - before) * STEP_SHARE >= high - low else 0


def references(table: InputTable) -> list[str]:
    """The signals (``Message.Signal``) that show an input in a log."""
    if isinstance(table.logged, str):
        return [table.logged]
    conditions = (table.logged or {}).values()
    return list(dict.fromkeys(name for condition in conditions for name in condition.names))


def not_logged(vehicle: Vehicle) -> list[str]:
    """The inputs of which the vehicle file does not say how a log shows them."""
    return [name for name, table in vehicle.inputs.items() if not table.logged]


def _compared_with(vehicle: Vehicle, name: str) -> tuple[float, ...]:
    """The numbers that conditions of the vehicle compare a sensor with."""
    conditions: list[Condition] = []
    for load in vehicle.loads.values():
        conditions += load.own_conditions.values()
        conditions += [never.when for never in load.never]
    for request in vehicle.requests.values():
        conditions += request.conditions
    found = {number for condition in conditions for number in _numbers(condition.numbers, name)}
    return tuple(sorted(found))


def _numbers(numbers: Mapping[str, tuple[float, ...]], name: str) -> tuple[float, ...]:
    return numbers.get(name, ())
