"""A logged drive as the situations of a check.

What the driver and the engine did in the drive is cut into *windows*: a few seconds around an
event, such as a lamp request that changes or a cranking. Each window is a situation like those of
the vehicle file, with the drive's own instants, and every fault is tried in it as in any other.
The whole drive is a situation too, without a fault: it is judged at every instant.

    drive    ------A--B---------------A--------C-----
    windows     [  A  B  ]                  [  C  ]      the second A shows nothing new
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from linkloss.faults.base import Fault
from linkloss.model.expression import Value
from linkloss.model.loading import Vehicle
from linkloss.model.problem import BadInput
from linkloss.model.units import plain, show_duration
from linkloss.model.vehicle import Action, SituationTable
from linkloss.replay.drive import Drive, Selection
from linkloss.replay.inputs import Change
from linkloss.scenario import Scenario
from linkloss.traffic import LoggedFrame, Traffic

WHOLE = "whole_drive"
BEFORE_NS = 2_000_000_000
"""From a window's beginning to its first event: every node has booted and follows by then."""
TOGETHER_NS = 3_000_000_000
"""Events that come so soon after a window's first one belong to it."""
BEHIND_NS = 1_500_000_000
"""From the last event to the end of a window that has no fault."""
TIMES = 2
"""In so many windows each kind of event is tried."""


@dataclass(frozen=True, slots=True)
class Window:
    """A part of a drive: where it begins, and its events, counted from there."""

    from_ns: int
    events: tuple[Change, ...]


class Stage:
    """A vehicle whose situations are windows of a drive.

    Raises BadInput for a drive that cannot be read, or in which nothing happens.
    """

    def __init__(self, drive: Drive) -> None:
        self.drive = drive
        self.frames = list(drive.frames())
        self._instants = [frame.at_ns for frame in self.frames]
        self.windows = {_name(window): window for window in _windows(drive)}
        if not self.windows:
            text = "shows no change of an input in the drive; there is nothing to try a fault at"
            raise BadInput.one(drive.path, "", f"{text} (see 'logged' of the inputs)")
        tables = {WHOLE: self._whole(), **{n: _table(w) for n, w in self.windows.items()}}
        file = drive.vehicle.file.model_copy(update={"situations": tables})
        self.vehicle: Vehicle = replace(drive.vehicle, file=file)

    def dressed(self, cases: Sequence[Scenario]) -> Iterator[Scenario]:
        """The planned cases with the drive's frames, and all else that happened meanwhile. Faults
        that need a program are not tried on nodes that have none, and none in the whole drive.
        """
        for case in cases:
            faults = [timed.fault for timed in case.faults]
            if case.situation == WHOLE and not faults:
                whole = self.drive.scenario(seed=case.seed)
                whole = replace(whole, name=case.name, title=case.title, situation=WHOLE)
                yield replace(whole, vehicle=self.vehicle)
            elif case.situation != WHOLE and all(map(self._applies, faults)):
                yield self._dressed(case)

    def sentences(self) -> tuple[str, ...]:
        """What was made of the drive, in plain words."""
        found = self.drive.contents
        events = sum(change.event for change in found.changes)
        tried = sum(len(window.events) for window in self.windows.values())
        nodes = ", ".join(self.drive.nodes) or "no node"
        where = f"{self.drive.path.name} ({show_duration(found.length_ns)})"
        windows = f"Situations: {len(self.windows)} windows of {where} with {tried} of its {events}"
        judged = f"Frames of {nodes} come from the log: their programs, requests and loads"
        said = [
            f"{windows} events; and the whole of it, without a fault.",
            f"{judged} are not judged.",
        ]
        if found.unseen:
            said.append(f"Not in the log, at rest throughout: {', '.join(found.unseen)}.")
        return (*said, *(f"In the log: {note}." for note in found.notes))

    def _whole(self) -> SituationTable:
        return SituationTable(about="the whole drive", lasts=self.drive.contents.length_ns)

    def _applies(self, fault: Fault) -> bool:
        """Whether an input at fault is read by a node that is simulated."""
        name = getattr(fault, "input", None)
        if fault.group != "input" or name is None:
            return True
        return any(node not in self.drive.nodes for node in self.vehicle.inputs[name].wired_to)

    def _dressed(self, case: Scenario) -> Scenario:
        from_ns = self.windows[case.situation].from_ns
        to_ns = from_ns + case.lasts_ns
        inputs, actions = self.drive.driver(from_ns, to_ns)
        return replace(
            case,
            inputs=inputs,
            actions=tuple(actions),
            traffic=Traffic(self.drive.nodes, lambda: self._frames(from_ns, to_ns)),
        )

    def _frames(self, from_ns: int, to_ns: int) -> Iterator[LoggedFrame]:
        first = bisect_left(self._instants, from_ns + self.drive.lead_ns)
        for at_ns, sender, frame in self.frames[first:]:
            if at_ns > to_ns:
                return
            yield LoggedFrame(at_ns - from_ns, sender, frame)


def _windows(drive: Drive) -> Iterator[Window]:
    """A window for each kind of event, in the order of the drive."""
    shown: dict[tuple[str, Value], int] = {}
    events = [change for change in drive.contents.changes if change.event]
    first = drive.lead_ns + BEFORE_NS
    index = 0
    values: dict[str, Value] = {}
    kinds = [list(_kinds(change, values)) for change in events]
    while index < len(events):
        start = events[index]
        news = any(shown.get(kind, 0) < TIMES for kind in kinds[index])
        if start.at_ns < first or not news:
            index += 1
            continue
        inside = index
        while inside < len(events) and events[inside].at_ns <= start.at_ns + TOGETHER_NS:
            for kind in kinds[inside]:
                shown[kind] = shown.get(kind, 0) + 1
            inside += 1
        from_ns = start.at_ns - BEFORE_NS
        moved = (change._replace(at_ns=change.at_ns - from_ns) for change in events[index:inside])
        yield Window(from_ns, tuple(moved))
        index = inside


def _kinds(change: Change, values: dict[str, Value]) -> Iterator[tuple[str, Value]]:
    """What sets an event apart: an input and its new position; of a sensor, up or down."""
    for name, value in change.values.items():
        before = values.get(name)
        values[name] = value
        if isinstance(value, str) or isinstance(before, str) or before is None:
            yield name, value if isinstance(value, str) else "first"
        else:
            yield name, "up" if value > before else "down"


def _name(window: Window) -> str:
    """``at_324.3s_start_button=pressed``: where its first event stands in the drive, and what."""
    at_ns = window.from_ns + BEFORE_NS
    first, value = next(iter(window.events[0].values.items()))
    return f"at_{at_ns / 1e9:.1f}s_{first}={plain(value)}"


def _table(window: Window) -> SituationTable:
    actions = tuple(Action(at=event.at_ns, set=event.values) for event in window.events)
    return SituationTable(actions=actions, lasts=window.events[-1].at_ns + BEHIND_NS)


@cache
def stage(vehicle: Vehicle, path: Path, nodes: tuple[str, ...] | None) -> Stage:
    """The stage of a drive, set once in each process. Raises BadInput."""
    return Stage(Drive(path, vehicle, Selection(nodes)))
