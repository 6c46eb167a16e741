"""A drive: a log as a scenario of a vehicle, or a drive that a seeded driver makes up.

:class:`Drive` is a logged drive as a scenario: which nodes are played, what the driver did, when.
The log is read twice: once to see what is in it (the inputs over time, which frames there are), and
once more, frame by frame, while it is played. Neither keeps the frames.

    log        |---|-----|--|------|-->    instants of reception, from the first frame on
    run     0..|---|-----|--|------|-->    the same, ``lead_ns`` later: room for the first frame

:class:`InputReader` works out what the driver and the engine did from the messages of a log. The
vehicle file says how a log shows an input: a sensor by a signal, a switch by conditions over
signals, one for each position. An input stays at rest if the vehicle file does not say how, or if
the log does not hold its messages.

:func:`drive_scenario` is the seeded driver: it strings the situations of a vehicle together to a
drive of any length. Each next situation is one whose beginning is close to the current inputs:
nobody indicates at speed before the engine runs. What still differs is changed one input after
another, as a driver would. The same vehicle, seed and length make the same drive.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random
from typing import NamedTuple

from linkloss.bus.bits import LONGEST_BITS
from linkloss.bus.frame import longest_bits
from linkloss.logs.source import LogFile
from linkloss.logs.stream import Tally, frames
from linkloss.problem import BadInput, unknown
from linkloss.recording import REST, LoggedFrame, Traffic
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session.logged import CYCLE_NS
from linkloss.units import show_duration
from linkloss.vehicle.expression import Condition, Value, split_signal
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo
from linkloss.vehicle.tables import InputTable, SituationTable

STEP_SHARE = 100
"""A sensor's new value counts if it moved by at least a hundredth of the sensor's range, or past a
number that a condition of the vehicle compares it with.
"""

Key = tuple[int, bool]
"""Identifier, and whether it is extended."""


class Change(NamedTuple):
    """Inputs that changed at an instant of the log. ``event``: one changed so that a condition of
    the vehicle can tell; otherwise sensors only moved a little.
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
        """Whether a message is needed to read an input."""
        return key in self._messages

    def feed(self, at_ns: int, key: Key, data: bytes) -> Change | None:
        """Take in a frame, and return what it changed. A damaged frame shows nothing."""
        info = self._messages[key]
        if len(data) != info.length or not (info.checksum is None or info.checksum(data)):
            return None
        for signal in info.signals.values():
            if signal.present(data):
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
        """The inputs that the log has not shown so far."""
        return [name for name, table in self._tables.items() if self._read(table) is None]

    def _read(self, table: InputTable) -> Value | None:
        """The value that the signals now show; None while one is still missing."""
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
        """0: too small to count; 1: a sensor has moved; 2: conditions can tell the difference."""
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
    """The inputs for which the vehicle file does not say how a log shows them."""
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


SETTLED_NS = 1_000_000_000
"""What a log shows of an input within its first second is the input's state at the beginning; the
slowest messages that show inputs repeat faster."""


@dataclass(frozen=True, slots=True)
class Selection:
    """Which part of a log is played. ``nodes``: the nodes of the vehicle whose frames come from the
    log, besides those without a program (None: those that drive no load). ``left_out``: identifiers
    that are not played, whoever sends them. ``channel``: of the log; None takes that of the first
    message.
    """

    nodes: tuple[str, ...] | None = None
    left_out: frozenset[int] = frozenset()
    channel: str | None = None


@dataclass(slots=True)
class Contents:
    """What a log contains. ``played`` counts its frames by sender (``REST``: no node of the
    vehicle), ``left_out`` those of simulated nodes and of unwanted identifiers. ``unknown`` are the
    identifiers that the DBC does not know. ``cycles`` has, by arbitration word, how often a frame
    comes, in ns: its cycle time in the DBC, or else the mean time between two in the log.
    """

    length_ns: int = 0
    played: dict[str, int] = field(default_factory=dict)
    left_out: dict[str, int] = field(default_factory=dict)
    unknown: dict[Key, int] = field(default_factory=dict)
    cycles: dict[int, int] = field(default_factory=dict)
    changes: list[Change] = field(default_factory=list)
    unseen: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


class Drive:
    """A log as a drive of a vehicle.

    Raises BadInput for a log that cannot be read, and for nodes that the vehicle does not have.
    """

    def __init__(self, path: str | Path, vehicle: Vehicle, selection: Selection) -> None:
        self.path = Path(path)
        self.vehicle = vehicle
        self.selection = selection
        self.nodes = _nodes(self.path, vehicle, selection)
        bit_rate = vehicle.only_bus("a logged drive").bit_rate
        longest = LONGEST_BITS if vehicle.fd else longest_bits(8, extended=True)
        self.lead_ns = -(-longest * 1_000_000_000 // bit_rate)
        self._senders = _senders(vehicle, self.nodes)
        self.contents = self._look()

    def _look(self) -> Contents:
        log, tally, found = LogFile(self.path), Tally(), Contents()
        reader = InputReader(self.vehicle)
        left_out = self.selection.left_out
        known = self._senders
        spans: dict[int, list[int]] = {}
        for at_ns, frame, _ in frames(log, tally, self.selection.channel, fd=self.vehicle.fd):
            key = (frame.identifier, frame.extended)
            span = spans.get(frame.head.word)
            if span is None:
                span = spans[frame.head.word] = [at_ns, at_ns, 0, *key]
            span[1] = at_ns
            span[2] += 1
            sender = known.get(key)
            if sender is None:
                found.unknown[key] = found.unknown.get(key, 0) + 1
                sender = REST
            if frame.identifier in left_out:
                _count(found.left_out, "(not wanted)")
            elif sender == REST or sender in self.nodes:
                _count(found.played, sender)
            else:
                _count(found.left_out, sender)
            if reader.wants(key) and not frame.remote:
                change = reader.feed(at_ns + self.lead_ns, key, frame.data)
                if change is not None:
                    found.changes.append(change)
        found.cycles = self._cycles(spans)
        found.length_ns = tally.last_ns + self.lead_ns
        found.unseen = [*not_logged(self.vehicle), *reader.unseen()]
        found.notes = [*log.notes(), *tally.notes()]
        return found

    def _cycles(self, spans: Mapping[int, Sequence[int]]) -> dict[int, int]:
        """The cycles by arbitration word. ``spans``: first and last instant, number, identifier,
        whether it is extended. One that comes seldom is no cycle to wait for.
        """
        declared = {
            (info.identifier, info.extended): info.period_ns
            for info in self.vehicle.messages.values()
        }
        found = {}
        for word, (first_ns, last_ns, number, identifier, extended) in spans.items():
            period_ns = declared.get((identifier, bool(extended)))
            mean_ns = (last_ns - first_ns) // (number - 1) if number > 1 else CYCLE_NS
            found[word] = period_ns or min(mean_ns, CYCLE_NS)
        return found

    def frames(self, from_ns: int = 0, to_ns: int | None = None) -> Iterator[LoggedFrame]:
        """The frames that are played, from an instant of the run on, which becomes zero. A frame
        that would have to begin before it is left out.
        """
        known, nodes, left_out = self._senders, self.nodes, self.selection.left_out
        first_ns = from_ns + self.lead_ns
        shift_ns = self.lead_ns - from_ns
        log, channel = LogFile(self.path), self.selection.channel
        for at_ns, frame, _ in frames(log, Tally(), channel, fd=self.vehicle.fd):
            sender = known.get((frame.identifier, frame.extended), REST)
            if (sender != REST and sender not in nodes) or frame.identifier in left_out:
                continue
            if at_ns + self.lead_ns < first_ns:
                continue
            if to_ns is not None and at_ns + self.lead_ns > to_ns:
                return
            yield LoggedFrame(at_ns + shift_ns, sender, frame)

    def scenario(
        self,
        *,
        from_ns: int = 0,
        to_ns: int | None = None,
        faults: Sequence[TimedFault] = (),
        seed: int = 0,
    ) -> Scenario:
        """The drive, or a part of it, as a scenario to simulate. The faults' instants are those of
        the drive. Raises BadInput for a part that the drive does not have, and for a fault outside
        the part.
        """
        end_ns = self.contents.length_ns if to_ns is None else min(to_ns, self.contents.length_ns)
        if from_ns >= end_ns:
            text = f"the drive lasts {self.contents.length_ns / 1e9:.6g} s; none of it lies"
            raise BadInput.one(self.path, "--from", f"{text} between --from and --to")
        inputs, actions = self.driver(from_ns, end_ns)
        begun = f" from {show_duration(from_ns)} on, from where time counts" if from_ns else ""
        moved = tuple(_moved(timed, from_ns) for timed in faults)
        _ensure_within(self.path, moved, end_ns - from_ns)
        return Scenario(
            name=self.path.name,
            title=f"{self.path.name}, replayed{begun}",
            vehicle=self.vehicle,
            situation="",
            inputs=inputs,
            actions=tuple(actions),
            faults=moved,
            lasts_ns=end_ns - from_ns,
            seed=seed,
            traffic=Traffic(self.nodes, lambda: self.frames(from_ns, end_ns), self.contents.cycles),
        )

    def driver(self, from_ns: int, to_ns: int) -> tuple[dict[str, Value], list[TimedAction]]:
        """The inputs at an instant of the run, and their changes from then to another instant. The
        first instant becomes zero.
        """
        inputs: dict[str, Value] = {}
        actions: list[TimedAction] = []
        for change in self.contents.changes:
            news = dict(change.values)
            if change.at_ns <= max(from_ns, SETTLED_NS):
                first = [name for name in news if change.at_ns <= from_ns or name not in inputs]
                inputs.update({name: news.pop(name) for name in first})
            if news and change.at_ns < to_ns:
                actions.append(TimedAction(change.at_ns - from_ns, news))
        return inputs, actions


def _count(counts: dict[str, int], name: str) -> None:
    counts[name] = counts.get(name, 0) + 1


def _nodes(path: Path, vehicle: Vehicle, selection: Selection) -> tuple[str, ...]:
    """The nodes that are played, in cable order."""
    driving = {load.node for load in vehicle.loads.values()}
    played = set(vehicle.nodes).difference(driving)
    if selection.nodes is not None:
        played = set(selection.nodes)
    for name in sorted(played.difference(vehicle.nodes)):
        raise BadInput.one(path, "", unknown("node", name, vehicle.nodes))
    return tuple(name for name in vehicle.along if name in {*played, *vehicle.logged})


def _senders(vehicle: Vehicle, played: Collection[str]) -> dict[Key, str]:
    """The sender of each message that the DBC knows. If it has several, a simulated one counts: its
    frames must not come twice.
    """
    found = {}
    for info in vehicle.messages.values():
        own = [name for name in info.senders if name in vehicle.nodes]
        simulated = [name for name in own if name not in played]
        found[info.identifier, info.extended] = next(iter([*simulated, *own]), REST)
    return found


def _moved(timed: TimedFault, from_ns: int) -> TimedFault:
    until_ns = None if timed.until_ns is None else timed.until_ns - from_ns
    return replace(timed, at_ns=timed.at_ns - from_ns, until_ns=until_ns)


def _ensure_within(path: Path, faults: Iterable[TimedFault], lasts_ns: int) -> None:
    for timed in faults:
        if not 0 <= timed.at_ns <= lasts_ns:
            text = f"{timed.fault.label()} begins outside the part that is replayed"
            raise BadInput.one(path, "--fault", text)


MS = 1_000_000
NEAREST = 4
"""The number of situations with the nearest beginnings from which one is drawn."""
PAUSE_MS = (400, 9_000)
"""How long the driver rests between two situations, in ms."""
BETWEEN_MS = (120, 700)
"""The time between two changes on the way from one situation to the next, in ms."""


def drive_scenario(vehicle: Vehicle, lasts_ns: int, seed: int) -> Scenario:
    """A drive of this length without a fault. Raises BadInput if the vehicle has no situation."""
    if not vehicle.situations:
        raise BadInput.one(vehicle.path, "situations", "there is none; a drive is made of them")
    driver = _Driver(vehicle, seed)
    while driver.now_ns < lasts_ns:
        driver.go_on()
    actions = [action for action in driver.actions if action.at_ns < lasts_ns]
    return Scenario(
        name=f"drive-{seed}",
        title=f"A drive made of the situations of {vehicle.title}",
        vehicle=vehicle,
        situation="",
        inputs={},
        actions=tuple(actions),
        faults=(),
        lasts_ns=lasts_ns,
        seed=seed,
    )


class _Driver:
    def __init__(self, vehicle: Vehicle, seed: int) -> None:
        self.vehicle = vehicle
        self.random = Random(f"drive/{seed}")  # noqa: S311 - repeatable on purpose
        self.rest: dict[str, Value] = {name: table.rest for name, table in vehicle.inputs.items()}
        self.values = dict(self.rest)
        self.now_ns = self._span(PAUSE_MS)
        self.actions: list[TimedAction] = []
        self.driven: dict[str, int] = dict.fromkeys(vehicle.situations, 0)

    def go_on(self) -> None:
        """One more situation: the changes that lead to it, the situation, and a pause after it."""
        name = self._next()
        self.driven[name] += 1
        situation = self.vehicle.situations[name]
        for key, value in self._wanted(situation).items():
            if self.values[key] != value:
                self._set({key: value})
                self.now_ns += self._span(BETWEEN_MS)
        start_ns = self.now_ns
        for action in situation.actions:
            self.now_ns = start_ns + action.at
            self._set(action.set)
        self.now_ns = start_ns + situation.lasts + self._span(PAUSE_MS)

    def _next(self) -> str:
        """One of the situations that begin nearest; each time that one was driven counts as
        distance, too.
        """
        order = sorted(
            self.vehicle.situations,
            key=lambda name: (
                self._distance(self.vehicle.situations[name]) + self.driven[name],
                self.random.random(),
            ),
        )
        return self.random.choice(order[:NEAREST])

    def _distance(self, situation: SituationTable) -> int:
        """How many inputs differ from those at the beginning of a situation."""
        wanted = self._wanted(situation)
        return sum(not self._near(key, wanted[key]) for key in wanted)

    def _near(self, name: str, value: Value) -> bool:
        """Whether an input has a value; a sensor need only be within a fifth of its range of it."""
        now = self.values[name]
        limits = self.vehicle.inputs[name].range
        if limits is None or isinstance(now, str) or isinstance(value, str):
            return now == value
        return abs(now - value) * 5 < limits[1] - limits[0]

    def _wanted(self, situation: SituationTable) -> Mapping[str, Value]:
        return {**self.rest, **situation.inputs}

    def _set(self, values: Mapping[str, Value]) -> None:
        self.actions.append(TimedAction(self.now_ns, dict(values)))
        self.values.update(values)

    def _span(self, limits_ms: tuple[int, int]) -> int:
        return self.random.randint(*limits_ms) * MS
