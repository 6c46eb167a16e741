"""A run as the judge looks at it: the vehicle, its recording, and what is derived only once."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

from bench.judge.arrivals import Arrival, Link, Run
from bench.judge.evidence import Evidence
from bench.judge.lives import Biography, quiet_times
from bench.judge.paint import Probe
from bench.judge.supply import out_of_range, spliced
from bench.judge.traffic import Traffic
from bench.model.expression import Condition, Value
from bench.model.loading import Vehicle
from bench.model.vehicle import LoadTable
from bench.recording import FaultRecord, Recording, Series


@dataclass(frozen=True, slots=True)
class Intent:
    """What is asked for over time, how much earlier a program may see it, and the spans
    in which it may see either: an input bounces, a message may be refused.
    """

    wanted: Series[bool]
    unsure: list[tuple[int, int]]
    early_ns: int


class Waited(NamedTuple):
    """A frame that reached somebody, and how long its content had waited in a mailbox."""

    queued_ns: int
    start_ns: int
    data: bytes


class Case:
    """Vehicle and recording, with the derived series that several rules need."""

    def __init__(
        self,
        vehicle: Vehicle,
        recording: Recording,
        evidence: Evidence | None = None,
        start_ns: int = 0,
    ) -> None:
        """``evidence``: what has been read of the recording before. What comes before
        ``start_ns`` is known, but not judged.
        """
        self.vehicle = vehicle
        self.recording = recording
        self.start_ns = start_ns
        self.end_ns = recording.end_ns
        self.evidence = Evidence(vehicle, recording) if evidence is None else evidence
        self.evidence.read_on(recording.end_ns)
        self.lives: dict[str, Biography] = {
            node: self.evidence.story(node) for node in vehicle.nodes
        }
        self.waits: dict[str, list[Waited]] = {}
        self.full: dict[str, list[tuple[int, int]]] = {}
        self.intents: dict[tuple[str, int], list[Intent]] = {}
        self._actual: dict[str, Series[float]] = {}
        self._lean: dict[str, list[tuple[int, int]]] = {}

    @cached_property
    def quiet(self) -> list[tuple[int, int]]:
        """The spans without any injected fault, with every supply as it should be."""
        lean = [span for node in self.vehicle.nodes for span in self.lean(node)]
        return quiet_times(self.recording, self.lives, lean)

    def lean(self, node: str) -> list[tuple[int, int]]:
        """The spans in which a node's supply was out of its range, or it was off for want of it."""
        if node not in self._lean:
            self._lean[node] = out_of_range(
                self.vehicle, self.recording, node, self.lives[node], self.end_ns
            )
        return self._lean[node]

    def actual(self, load: str) -> Series[float]:
        """The level that a load is judged by: what it got; while a blown fuse, a broken lead or a
        welded relay keeps it from doing as it is told, what its node called for.
        """
        if load not in self._actual:
            cannot = self.cannot(load)
            got, driven = self.recording.outputs[load], self.driven(load)
            self._actual[load] = spliced(got, driven, cannot) if cannot and driven != got else got
        return self._actual[load]

    def driven(self, load: str) -> Series[float]:
        """The level that a load's node calls for; on an ideal supply that is what the load gets."""
        driven = self.recording.driven.get(load)
        return self.recording.outputs[load] if driven is None or not driven.times else driven

    def cannot(self, load: str) -> list[tuple[int, int]]:
        """From when to when the hardware behind a load's node cannot do as it is told; once it is
        repaired it has ``rejoin`` to follow again: a switch that has tripped waits a while, and
        one that has latched stays off until its node has switched it off.
        """
        table = self.vehicle.loads[load]
        latches = table.electrical is not None and table.electrical.solid_state is not None
        spans = []
        for from_ns, to_ns in self.spans(lambda fault: load in fault.loads):
            free_ns = self._follows(load, to_ns) + table.latency if latches else to_ns
            spans.append((from_ns, min(self.end_ns, max(free_ns, to_ns + table.rejoin))))
        return spans

    def _follows(self, load: str, since_ns: int) -> int:
        """When a load first got what its node called for, or its node called for nothing."""
        got, driven = self.recording.outputs[load], self.driven(load)
        times = sorted({since_ns, *(at for at in (*got.times, *driven.times) if at > since_ns)})
        right = (at for at in times if driven.at(at) <= 0 or got.at(at) > 0)
        return next(right, self.end_ns)

    @cached_property
    def wrong_content(self) -> bool:
        """Whether a fault of the run changes what arrives."""
        return any(fault.content for fault in self.recording.faults)

    @cached_property
    def pins_at_fault(self) -> bool:
        """Whether a fault of the run sits on an input or an output."""
        return any(fault.group in ("input", "output") for fault in self.recording.faults)

    def judged(self, probes: Iterable[Probe]) -> list[Probe]:
        """The probes whose triggers lie in the time that is judged."""
        return [probe for probe in probes if probe.since_ns >= self.start_ns]

    def simulated(self, node: str) -> bool:
        """Whether a node had its program in this run; else its frames came out of a log."""
        return node not in self.recording.logged

    def spans(self, which: Callable[[FaultRecord], bool]) -> list[tuple[int, int]]:
        """From when to when the faults were there that ``which(fault)`` picks."""
        return [
            (fault.applied_ns, self.end_ns if fault.cleared_ns is None else fault.cleared_ns)
            for fault in self.recording.faults
            if which(fault)
        ]

    def last_fault_before(self, at_ns: int) -> FaultRecord | None:
        """The fault that was applied last before an instant."""
        before = [fault for fault in self.recording.faults if fault.applied_ns <= at_ns]
        return max(before, key=lambda fault: fault.applied_ns, default=None)

    def traffic(self, message: str) -> Traffic:
        """The valid frames of a message."""
        return self.evidence.traffic(message)

    def link(self, message: str, load: LoadTable) -> Link:
        """How a load's node watches the message that asks for the load."""
        assert load.stale_after is not None
        period_ns = self.vehicle.messages[message].period_ns or load.stale_after
        return Link(
            stale_after_ns=load.stale_after,
            early_ns=load.early_ns,
            reaction_ns=load.reaction,
            max_step=load.max_step or max(1, load.stale_after // period_ns),
        )

    def arrivals(self, message: str, node: str, link: Link) -> Sequence[list[Arrival]]:
        """The good messages at a node, one list for each of its lives."""
        return self.evidence.watch(message, node, link).lives

    def runs(self, load: LoadTable) -> Sequence[list[Run[bool]]]:
        """The good messages that ask for a load, run by run, for each life of its node."""
        assert load.request is not None
        message, _ = self.vehicle.signal(load.request)
        return self.evidence.asked(load.request, load.node, self.link(message.name, load)).lives

    def condition(self, condition: Condition, node: str | None) -> Series[bool]:
        """A condition over inputs, over time: as they truly are (node None), or as a node reads
        them; an input that is not wired to it is taken as the first node that it is wired to
        reads it.
        """
        return over_time(condition, {name: self._input(name, node) for name in condition.names})

    def _input(self, name: str, node: str | None) -> Series[Value]:
        if node is None:
            return self.recording.inputs[name]
        wired_to = self.vehicle.inputs[name].wired_to
        return self.recording.seen[(name, node if node in wired_to else wired_to[0])]


def over_time(
    condition: Callable[[Mapping[str, Value]], bool], sources: Mapping[str, Series[Value]]
) -> Series[bool]:
    """A condition evaluated at every change of its sources, from instant zero."""
    instants = sorted({0, *(at for source in sources.values() for at in source.times)})
    result: Series[bool] = Series()
    for at_ns in instants:
        result.set(at_ns, condition({name: source.at(at_ns) for name, source in sources.items()}))
    return result


def window(
    values: Series[bool], behind_ns: int, ahead_ns: int, end_ns: int, linger_ns: int = 0
) -> list[tuple[int, int, int]]:
    """Which values a boolean series takes around each instant.

    Returns (from, to, set) over [0, end_ns): at t, bit 0 is set if it is False and bit 1 if it
    is True somewhere in [t - behind_ns, t + ahead_ns]. A value that ends exactly ``behind_ns``
    ago no longer counts. ``linger_ns``: True counts for so much longer than False does.
    """
    instants = {0, end_ns}
    changes = values.changes()
    spans: list[tuple[int, int, int]] = []
    for index, (at_ns, value) in enumerate(changes):
        to_ns = changes[index + 1][0] if index + 1 < len(changes) else end_ns
        start = 0 if index == 0 else max(0, at_ns - ahead_ns)
        stop = min(end_ns, to_ns + behind_ns + (linger_ns if value else 0))
        spans.append((start, stop, 2 if value else 1))
        instants.update((start, stop))
    times = sorted(at for at in instants if at <= end_ns)
    found: list[tuple[int, int, int]] = []
    for from_ns, to_ns in pairwise(times):
        seen = 0
        for start, stop, bits in spans:
            if start <= from_ns < stop:
                seen |= bits
        if found and found[-1][2] == seen:
            found[-1] = (found[-1][0], to_ns, seen)
        else:
            found.append((from_ns, to_ns, seen))
    return found
