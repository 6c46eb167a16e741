"""A logged drive as a scenario of a vehicle: who is played, what the driver did, when.

The log is read twice: once to see what is in it (the inputs over time, whose frames there are),
and once more, frame by frame, while it is played. Neither keeps the frames.

    log        |---|-----|--|------|-->    instants of reception, from the first frame on
    run     0..|---|-----|--|------|-->    the same, ``lead_ns`` later: room for the first frame
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from linkloss.bus.fd import LONGEST_BITS
from linkloss.bus.frame import longest_bits
from linkloss.model.expression import Value
from linkloss.model.loading import Vehicle
from linkloss.model.problem import BadInput, unknown
from linkloss.replay.inputs import Change, InputReader, Key, not_logged
from linkloss.replay.source import LogFile
from linkloss.replay.stream import Tally, frames
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.traffic import REST, LoggedFrame, Traffic

SETTLED_NS = 1_000_000_000
"""What a log shows of an input within its first second counts as its state at the beginning; the
slowest messages that show inputs repeat faster."""


@dataclass(frozen=True, slots=True)
class Selection:
    """What of a log is played. ``nodes``: the nodes of the vehicle whose frames come from the log
    (None: those that drive no load). ``left_out``: identifiers that are not played whoever sends
    them. ``channel``: of the log; None takes that of the first message.
    """

    nodes: tuple[str, ...] | None = None
    left_out: frozenset[int] = frozenset()
    channel: str | None = None


@dataclass(slots=True)
class Contents:
    """What was seen in a log. ``played`` counts its frames by sender (``REST``: of no node of the
    vehicle), ``left_out`` those of simulated nodes and of identifiers that were not wanted.
    ``unknown`` are the identifiers that the DBC does not know.
    """

    length_ns: int = 0
    played: dict[str, int] = field(default_factory=dict)
    left_out: dict[str, int] = field(default_factory=dict)
    unknown: dict[Key, int] = field(default_factory=dict)
    changes: list[Change] = field(default_factory=list)
    unseen: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


class Drive:
    """A log, seen through the eyes of a vehicle.

    Raises BadInput for a log that cannot be read, and for nodes that the vehicle does not have.
    """

    def __init__(self, path: str | Path, vehicle: Vehicle, selection: Selection) -> None:
        self.path = Path(path)
        self.vehicle = vehicle
        self.selection = selection
        self.nodes = _nodes(self.path, vehicle, selection)
        bit_rate = vehicle.bus.bit_rate
        longest = LONGEST_BITS if vehicle.fd else longest_bits(8, extended=True)
        self.lead_ns = -(-longest * 1_000_000_000 // bit_rate)
        self._senders = _senders(vehicle, self.nodes)
        self.contents = self._look()

    def _look(self) -> Contents:
        log, tally, found = LogFile(self.path), Tally(), Contents()
        reader = InputReader(self.vehicle)
        left_out = self.selection.left_out
        known = self._senders
        for at_ns, frame, _ in frames(log, tally, self.selection.channel, fd=self.vehicle.fd):
            key = (frame.identifier, frame.extended)
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
        found.length_ns = tally.last_ns + self.lead_ns
        found.unseen = [*not_logged(self.vehicle), *reader.unseen()]
        found.notes = [*log.notes(), *tally.notes()]
        return found

    def frames(self, from_ns: int = 0, to_ns: int | None = None) -> Iterator[LoggedFrame]:
        """What is played, from an instant of the run on; that instant becomes zero. A frame that
        would have to begin before it is left out.
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
        """The drive, or a part of it, as something that a session runs. Instants of the faults
        are those of the drive. Raises BadInput for a part that the drive does not have.
        """
        end_ns = self.contents.length_ns if to_ns is None else min(to_ns, self.contents.length_ns)
        if from_ns >= end_ns:
            text = f"the drive lasts {self.contents.length_ns / 1e9:.6g} s; nothing of it lies"
            raise BadInput.one(self.path, "--from", f"{text} between --from and --to")
        inputs, actions = self.driver(from_ns, end_ns)
        moved = tuple(_moved(timed, from_ns) for timed in faults)
        _ensure_within(self.path, moved, end_ns - from_ns)
        return Scenario(
            name=self.path.name,
            title=f"{self.path.name}, replayed",
            vehicle=self.vehicle,
            situation="",
            inputs=inputs,
            actions=tuple(actions),
            faults=moved,
            lasts_ns=end_ns - from_ns,
            seed=seed,
            traffic=Traffic(self.nodes, lambda: self.frames(from_ns, end_ns)),
        )

    def driver(self, from_ns: int, to_ns: int) -> tuple[dict[str, Value], list[TimedAction]]:
        """The inputs at an instant of the run, and the changes from there to another; the first
        instant becomes zero.
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
    if selection.nodes is None:
        return tuple(name for name in vehicle.bus.cable if name not in driving)
    for name in selection.nodes:
        if name not in vehicle.nodes:
            raise BadInput.one(path, "", unknown("node", name, vehicle.nodes))
    return tuple(name for name in vehicle.bus.cable if name in selection.nodes)


def _senders(vehicle: Vehicle, played: Collection[str]) -> dict[Key, str]:
    """Who sends each message that the DBC knows. Of several senders one that is simulated counts:
    a frame of its own must not come twice.
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
