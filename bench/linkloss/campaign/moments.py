"""Instants at which it is interesting to break something, from a situation's run without a fault.

Programs are at their most vulnerable while something changes: a frame begins, a request or a load
changes, a node boots. An instant drawn from here lies at such a change, a bit time beside it, or
somewhere in the message period behind it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from random import Random

from linkloss.campaign.apart import apart
from linkloss.campaign.cases import MS, CaseMaker, instants
from linkloss.faults.traffic import requests
from linkloss.model.vehicle import SituationTable
from linkloss.recording import Recording
from linkloss.scenario import TimedFault
from linkloss.session import simulate

S = 1_000_000_000
LEAST_NS = MS
"""The shortest fault."""
LIMIT_S = 60.0
"""Real time for a run without a fault, in seconds."""


class Moments:
    """The interesting instants of one vehicle; each situation is run once, when first asked for."""

    def __init__(self, maker: CaseMaker) -> None:
        self.maker = maker
        self.vehicle = maker.vehicle
        self.bit_ns = round(S / self.vehicle.bus.bit_rate)
        self._identifiers = {
            (info.identifier, info.extended)
            for info in (self.vehicle.messages[name] for name in requests(self.vehicle))
        }
        self._found: dict[str, tuple[list[int], list[int]]] = {}

    def of(self, situation: str) -> tuple[list[int], list[int]]:
        """The changes of a situation and its frame starts, each in order of time, in ns."""
        if situation not in self._found:
            found = apart(partial(self._seen, situation), LIMIT_S)
            if found is None:  # a program fails even so: what the situation itself changes
                found = instants(self.vehicle.situations[situation]), []
            self._found[situation] = found
        return self._found[situation]

    def _seen(self, situation: str) -> tuple[list[int], list[int]]:
        recording = simulate(self.maker.case(situation, ()))
        return self._changes(recording), self._frames(recording)

    def _changes(self, recording: Recording) -> list[int]:
        found = {action.at_ns for action in recording.actions}
        for output in recording.outputs.values():
            found.update(output.times)
        for changes in recording.nodes.values():
            found.update(change.at_ns for change in changes)
        return sorted(found)

    def _frames(self, recording: Recording) -> list[int]:
        """The starts of the frames that something is decided by."""
        return [
            record.start_ns
            for record in recording.frames
            if (record.frame.identifier, record.frame.extended) in self._identifiers
        ]

    def latest_ns(self, table: SituationTable) -> int:
        """No fault begins after this."""
        return table.lasts + self.maker.spans.outage

    def draw(self, situation: str, faults: Sequence[TimedFault], random: Random) -> int:
        """An instant for a fault or an action, in ns, that suits the faults that are there."""
        changes, frames = self.of(situation)
        ways = [changes, frames, self._windows(faults)] if faults else [changes, frames]
        at_ns = random.choice(random.choice([way for way in ways if way] or [[0]]))
        shift_ns = random.choice((0, -self.bit_ns, self.bit_ns, self._phase_ns(random)))
        latest_ns = self.latest_ns(self.vehicle.situations[situation])
        return min(max(0, at_ns + shift_ns), latest_ns)

    def _phase_ns(self, random: Random) -> int:
        return random.randrange(max(1, self.maker.spans.period // MS)) * MS

    def _windows(self, faults: Sequence[TimedFault]) -> list[int]:
        """Instants that other faults make interesting: they begin and clear, nodes boot after
        them, links go stale, deadlines run out.
        """
        took = self.maker.spans
        steps = {0, took.period, took.brief, took.outage // 2, *self._delays()}
        ends = {timed.at_ns for timed in faults}
        ends |= {timed.until_ns for timed in faults if timed.until_ns is not None}
        return sorted(end_ns + step_ns for end_ns in ends for step_ns in steps)

    def _delays(self) -> set[int]:
        """The declared times of nodes and links."""
        found = {node.usual_boot_ns for node in self.vehicle.nodes.values()}
        found |= {node.watchdog for node in self.vehicle.nodes.values() if node.watchdog}
        return found | {
            load.stale_after for load in self.vehicle.loads.values() if load.stale_after
        }

    def duration_ns(self, random: Random) -> int:
        """How long a fault is there: as long as something declared, or a little more or less."""
        took = self.maker.spans
        lengths = [took.period, took.brief, took.outage, *sorted(self._delays())]
        shift_ns = random.choice((0, -MS, MS, self._phase_ns(random)))
        return max(LEAST_NS, random.choice(lengths) + shift_ns)
