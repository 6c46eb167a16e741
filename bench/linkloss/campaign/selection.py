"""What a check was asked to run: enough to build its cases again, in any process, in this order.

:func:`case_named` leads from a case's name back to the case. The name says everything but the
vehicle and the seed:

night_drive/unplug(rear)@543ms+1527ms/reset(rear)@1200ms/lights=off@1300ms/again/clocks(rear=65s)

:class:`Stage` uses a logged drive as the situations of a check. What the driver and the engine did
in the drive is cut into *windows*: a few seconds around an event, such as a lamp request that
changes or the engine cranking. Each window is a situation like those of the vehicle file, with the
drive's own instants, and every fault is tried in it as in any other. The whole drive is a situation
too, without a fault: it is judged at every instant.

    drive    ------A--B---------------A--------C-----
    windows     [  A  B  ]                  [  C  ]      the second A shows nothing new
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from hashlib import sha256
from pathlib import Path

from linkloss.campaign.cases import AGAIN, MOVED, NO_FAULT, CaseMaker
from linkloss.campaign.depth import Depth, Planned, planned
from linkloss.campaign.plan import SOAK, SOAK_WITH_FAULTS, soak
from linkloss.campaign.turns import turns
from linkloss.faults.base import Fault
from linkloss.firmware.build import BuildOptions
from linkloss.logs.drive import Change, Drive, Selection
from linkloss.problem import BadInput, nearest, unknown
from linkloss.recording import LoggedFrame, Traffic
from linkloss.scenario import Scenario, TimedAction, TimedFault, read_clock_part, read_timed_fault
from linkloss.session import ready
from linkloss.units import parse_duration, plain, show_duration
from linkloss.vehicle.expression import Value, parse_condition, split_signal
from linkloss.vehicle.loading import Vehicle, load_vehicle
from linkloss.vehicle.programs import forget_programs, program_file, program_folders
from linkloss.vehicle.tables import Action, InputTable, RequestTable, SituationTable

_BETWEEN = re.compile(r"/(?![^(]*\))")
"""A slash that is not inside parentheses, where it may be part of a unit."""
_ACTION = re.compile(r"(?P<values>[^@()]+=[^@()]+)@(?P<at>\w+)")


def case_named(vehicle: Vehicle, name: str, seed: int = 0) -> Scenario | None:
    """The case with a name as :mod:`linkloss.campaign.cases` describes it, or None if this is not
    such a name or does not fit the vehicle.
    """
    situation, *parts = _BETWEEN.split(name)
    if situation not in vehicle.situations or not parts:
        return None
    try:
        case = _from_parts(vehicle, situation, [part for part in parts if part != NO_FAULT], seed)
    except ValueError:  # a part is not a fault, or not a duration
        return None
    return case if case is not None and case.name == name else None


def _from_parts(vehicle: Vehicle, situation: str, parts: list[str], seed: int) -> Scenario | None:
    maker = CaseMaker(vehicle, seed)
    if parts in ([SOAK], [SOAK_WITH_FAULTS]):
        return soak(maker, parts[0])
    faults: list[TimedFault] = []
    more: list[TimedAction] = []
    clocks: dict[str, int] = {}
    drifts: dict[str, float] = {}
    for part in parts:
        if part in (MOVED, AGAIN):
            continue
        given = read_clock_part(part)
        if given is not None:
            if not {*given[0], *given[1]} <= vehicle.nodes.keys():
                return None
            clocks |= given[0]
            drifts |= given[1]
        elif action := _ACTION.fullmatch(part):
            more.append(_timed_action(action["values"], action["at"], vehicle))
        else:
            faults.append(read_timed_fault(part, vehicle))
    moved = MOVED in parts
    if moved and not faults:
        return None
    return maker.case(
        situation,
        tuple(faults),
        more=tuple(more),
        moved=moved,
        again=AGAIN in parts,
        clocks=clocks,
        drifts=drifts,
    )


def _timed_action(text: str, at: str, vehicle: Vehicle) -> TimedAction:
    """``lights=off,speed=30`` at an instant. Raises ValueError for a value that the input does not
    have.
    """
    values: dict[str, Value] = {}
    for part in text.split(","):
        name, _, value = part.partition("=")
        positions = vehicle.inputs[name].positions if name in vehicle.inputs else ()
        if positions is not None and value not in positions:
            raise ValueError(f"'{value}' is not a position of '{name}'")
        values[name] = float(value) if positions is None else value
    return TimedAction(parse_duration(at), values)


WHOLE = "whole_drive"
BEFORE_NS = 2_000_000_000
"""From a window's beginning to its first event, in ns: by then every node follows."""
TOGETHER_NS = 3_000_000_000
"""Events within this time of a window's first one belong to it."""
BEHIND_NS = 1_500_000_000
"""From the last event to the end of a window that has no fault, in ns."""
TIMES = 2
"""How many windows show each kind of event."""


@dataclass(frozen=True, slots=True)
class Window:
    """A part of a drive: where it begins, and its events; their instants count from there."""

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
            text = "shows no change of an input in the drive, and asks for no load anew; there is"
            hint = "nothing to try a fault at (see 'logged' of the inputs)"
            raise BadInput.one(drive.path, "", f"{text} {hint}")
        tables = {WHOLE: self._whole(), **{n: _table(w) for n, w in self.windows.items()}}
        file = drive.vehicle.file.model_copy(update={"situations": tables})
        self.vehicle: Vehicle = replace(drive.vehicle, file=file)

    def dressed(self, cases: Sequence[Scenario]) -> Iterator[Scenario]:
        """The planned cases with the drive's frames and inputs. A fault of an input is left out if
        no simulated node reads that input; the whole drive has no faults.
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
        """What was made of the drive, in plain sentences."""
        found = self.drive.contents
        events = sum(change.event for change in found.changes)
        tried = sum(len(window.events) for window in self.windows.values())
        nodes = ", ".join(self.drive.nodes) or "no node"
        where = f"{self.drive.path.name} ({show_duration(found.length_ns)})"
        windows = f"Situations: {len(self.windows)} windows of {where} with {tried} of its {events}"
        event = (
            "An event is a change of a switch, of a sensor or of what is asked for. Two windows"
            " show each kind of it; the others show nothing else, or come too soon after the start."
        )
        judged = f"Frames of {nodes} come from the log: their programs, requests and loads"
        said = [
            f"{windows} events; and the whole drive, without a fault.",
            *([event] if tried < events else []),
            f"{judged} are not judged.",
        ]
        if found.unseen:
            said.append(f"Not in the log, at rest throughout: {', '.join(found.unseen)}.")
        return (*said, *(f"In the log: {note}." for note in found.notes))

    def _whole(self) -> SituationTable:
        return SituationTable(about="the whole drive", lasts=self.drive.contents.length_ns)

    def _applies(self, fault: Fault) -> bool:
        """Whether a simulated node reads the input at fault; True for all other faults."""
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
            traffic=Traffic(
                self.drive.nodes,
                lambda: self._frames(from_ns, to_ns),
                self.drive.contents.cycles,
            ),
        )

    def _frames(self, from_ns: int, to_ns: int) -> Iterator[LoggedFrame]:
        first = bisect_left(self._instants, from_ns + self.drive.lead_ns)
        for at_ns, sender, frame in self.frames[first:]:
            if at_ns > to_ns:
                return
            yield LoggedFrame(at_ns - from_ns, sender, frame)


def _windows(drive: Drive) -> Iterator[Window]:
    """Windows for each kind of event, in the order of the drive."""
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
    """What distinguishes an event: an input and its new position; for a sensor, up or down."""
    for name, value in change.values.items():
        before = values.get(name)
        values[name] = value
        if isinstance(value, str) or isinstance(before, str) or before is None:
            yield name, value if isinstance(value, str) else "first"
        else:
            yield name, "up" if value > before else "down"


def _name(window: Window) -> str:
    """``at_324.3s_start_button=pressed``: when its first event happens in the drive, and which."""
    at_ns = window.from_ns + BEFORE_NS
    first, value = next(iter(window.events[0].values.items()))
    return f"at_{at_ns / 1e9:.1f}s_{first}={plain(value)}"


def _table(window: Window) -> SituationTable:
    actions = tuple(Action(at=event.at_ns, set=event.values) for event in window.events)
    return SituationTable(actions=actions, lasts=window.events[-1].at_ns + BEHIND_NS)


def _with_what_is_asked(vehicle: Vehicle) -> Vehicle:
    """The vehicle with an input ``LOAD_asked`` for each load that a logged node asks for,
    where nothing says which input is behind it. The log shows when the load is asked for, and that
    is what the driver did, as far as this load is concerned.
    """
    inputs, requests = dict(vehicle.inputs), dict(vehicle.requests)
    for name, load in vehicle.loads.items():
        signal = vehicle.asking_signal(load)
        if signal is None or signal in requests or load.request is None:
            continue
        sender, asked = vehicle.sender(split_signal(signal)[0]), f"{name}_asked"
        if sender not in vehicle.logged or load.node in vehicle.logged or asked in inputs:
            continue
        inputs[asked] = InputTable(
            wired_to=(sender,), positions=("off", "on"), logged={"on": load.request}
        )
        requests[signal] = RequestTable(follows=parse_condition(f"{asked} == on"))
    if len(inputs) == len(vehicle.inputs):
        return vehicle
    file = vehicle.file.model_copy(update={"inputs": inputs, "requests": requests})
    return replace(vehicle, file=file)


@cache
def stage(vehicle: Vehicle, path: Path, nodes: tuple[str, ...] | None) -> Stage:
    """The stage of a drive, built once in each process. Raises BadInput."""
    return Stage(Drive(path, _with_what_is_asked(vehicle), Selection(nodes)))


@dataclass(frozen=True, slots=True)
class CheckRequest:
    """A vehicle's file, a seed, and which of its cases are wanted; None stands for all.

    ``names`` selects exactly these cases, whatever the depth. ``content`` is the vehicle's
    :func:`content` where the order was given. ``drive`` is a log whose windows are the situations;
    the frames of the nodes ``logged`` (None: those that drive no load) come from it.
    """

    path: Path
    seed: int = 0
    depth: Depth = "full"
    only: tuple[str, ...] | None = None
    situations: tuple[str, ...] | None = None
    names: tuple[str, ...] | None = None
    content: str = ""
    drive: Path | None = None
    logged: tuple[str, ...] | None = None
    build: BuildOptions | None = None
    again: tuple[str, ...] = ()
    """Names of cases that run before all others."""
    near: tuple[str, ...] = ()
    """Nodes whose cases run before those of other nodes."""

    def cases(self, vehicle: Vehicle) -> list[Scenario]:
        """The cases, in their order. Raises BadInput for names that do not exist."""
        ready(vehicle)
        if self.names is not None:
            return [self._one(vehicle, name) for name in self.names]
        cases = self.planned(vehicle).cases
        return [scenario for scenario in self._of_kinds(cases) if self._situated(scenario)]

    def turns(self, cases: Sequence[Scenario]) -> Sequence[int]:
        """The places of its cases in the order in which they run: named ones as they are named."""
        return turns(cases, self.again, self.near) if self.names is None else range(len(cases))

    def planned(self, vehicle: Vehicle) -> Planned:
        """All cases of the depth, and what they were chosen from. Raises BadInput for a drive that
        cannot be read, or cannot be tried at this depth.
        """
        if self.drive is None:
            return _without_the_absent(vehicle, planned(vehicle, self.depth, self.seed))
        if self.depth not in _ON_A_DRIVE:
            text = f"a drive is tried with one fault at a time; expected {' or '.join(_ON_A_DRIVE)}"
            raise BadInput.one("linkloss", f"--depth {self.depth}", text)
        staged = stage(vehicle, self.drive, self.logged)
        cases, space = planned(staged.vehicle, self.depth, self.seed, logged=True)
        dressed = list(staged.dressed(cases))
        why = "in the whole drive, or at an input that no simulated node reads"
        said = (*_fewer(len(cases) - len(dressed), why), *space.left_out, *staged.sentences())
        return Planned(dressed, replace(space, chosen=len(dressed), left_out=said))

    def not_judged(self, vehicle: Vehicle) -> tuple[str, ...]:
        """The nodes that have no program in the cases."""
        if self.drive is None:
            return vehicle.logged
        return stage(vehicle, self.drive, self.logged).drive.nodes

    def named(self, vehicle: Vehicle, name: str) -> Scenario | None:
        """The case with a name, or None if no case here has it."""
        if self.drive is None:
            return case_named(vehicle, name, self.seed)
        staged = stage(vehicle, self.drive, self.logged)
        case = case_named(staged.vehicle, name, self.seed)
        return None if case is None else next(staged.dressed([case]), None)

    def _one(self, vehicle: Vehicle, name: str) -> Scenario:
        case = self.named(vehicle, name)
        if case is not None:
            return case
        known = [case.name for case in replace(self, depth="full").planned(vehicle).cases]
        near = nearest(name, known)
        text = f"unknown case '{name}'; expected a name as a check reports it{near}"
        raise BadInput.one(self.path, "--case", text)

    def _of_kinds(self, cases: list[Scenario]) -> list[Scenario]:
        if self.only is None:
            return cases
        kinds = {scenario.kinds for scenario in cases}
        for name in self.only:
            if name not in kinds:
                raise BadInput.one(self.path, "--only", unknown("fault", name, kinds))
        return [scenario for scenario in cases if scenario.kinds in self.only]

    def _situated(self, scenario: Scenario) -> bool:
        return scenario.situation in situations_named(scenario.vehicle, self.situations)


_ON_A_DRIVE = ("quick", "full")


def absent_sentence(vehicle: Vehicle, there: Collection[str] = ()) -> str:
    """What is missing in a run that plays no log; empty if nothing is. ``there``: logged nodes that
    take part in another way.
    """
    nodes = [name for name in vehicle.logged if name not in there]
    missing = [
        name
        for name, info in vehicle.messages.items()
        if not set(nodes).isdisjoint(info.senders) and not _sent(vehicle, info.senders)
    ]
    if not nodes:
        return ""
    told = f"Absent, because they come from a log: {', '.join(nodes)}"
    lost = f", and so {', '.join(missing)}: no rule that needs them is exercised" if missing else ""
    return f"{told}{lost}."


def _sent(vehicle: Vehicle, senders: Collection[str]) -> bool:
    """Whether one of a message's senders has a program."""
    return any(name in vehicle.nodes and not vehicle.nodes[name].logged for name in senders)


def ensure_something_there(vehicle: Vehicle) -> None:
    """Raises BadInput if a check without a log could put nothing to the test, for want of one."""
    missing = vehicle.logged
    tested = [
        load
        for load in vehicle.loads.values()
        if load.node not in missing
        and (
            load.local is not None
            or any(_sent(vehicle, vehicle.messages[name].senders) for name in load.messages)
        )
    ]
    if missing and not (tested and vehicle.situations):
        text = f"the messages of {', '.join(missing)} come from a log, and nothing can be put to"
        raise BadInput.one(
            vehicle.path, "", f"{text} the test without them; expected '--drive LOG'"
        )


def _without_the_absent(vehicle: Vehicle, found: Planned) -> Planned:
    """The cases without those whose fault hits a node that is not there."""
    if not vehicle.logged:
        return found
    cases = [
        case for case in found.cases if not any(_misses(vehicle, t.fault) for t in case.faults)
    ]
    fewer = _fewer(len(found.cases) - len(cases), "at what is absent here")
    said = (*fewer, *found.space.left_out, absent_sentence(vehicle))
    return Planned(cases, replace(found.space, chosen=len(cases), left_out=said))


def _fewer(number: int, where: str) -> Iterator[str]:
    """A sentence about cases that cannot be tried here; none if there is no such case."""
    if number:
        yield f"Left out: {number:,} cases that cannot be tried, with a fault {where}."


def _misses(vehicle: Vehicle, fault: Fault) -> bool:
    """Whether there is nothing for a fault to hit but what is not there."""
    message = getattr(fault, "message", None)
    if message is not None:
        return not _sent(vehicle, vehicle.messages[message].senders)
    nodes = fault.nodes()
    return bool(nodes) and set(nodes) <= set(vehicle.logged)


def situations_named(vehicle: Vehicle, names: tuple[str, ...] | None) -> tuple[str, ...]:
    """The requested situations; None: all. Raises BadInput for one that does not exist."""
    for name in names or ():
        if name not in vehicle.situations:
            text = unknown("situation", name, vehicle.situations)
            raise BadInput.one(vehicle.path, "--situation", text)
    return tuple(vehicle.situations) if names is None else names


def content(vehicle: Vehicle) -> str:
    """A digest of everything that decides what a vehicle does: its files, and all sources in the
    folders of its programs, since these may import each other.
    """
    files = {path.resolve() for path in (vehicle.path, *vehicle.dbc_paths)}
    for folder in program_folders(vehicle.programs.values()):
        files.update(path for path in folder.glob("*.py") if path.is_file())
    for program in vehicle.programs.values():
        files.update(path for path in [program_file(program)] if path is not None)
    digest = sha256()
    for path in sorted(files):
        digest.update(path.read_bytes())
    return digest.hexdigest()


@lru_cache(maxsize=2)
def cases_of(order: CheckRequest) -> list[Scenario]:
    """The cases of an order in the order in which they run, built once in each process from the
    vehicle's file.

    Raises RuntimeError if the files in this process differ from those where the order was given.
    """
    cases = order.cases(_vehicle(order.path, order.content, order.build))
    return [cases[place] for place in order.turns(cases)]


@lru_cache(maxsize=2)
def _vehicle(path: Path, expected: str, build: BuildOptions | None) -> Vehicle:
    """The vehicle as its files are now: a worker may be older than the last change to them."""
    forget_programs(load_vehicle(path).programs.values())
    vehicle = load_vehicle(path, build)
    if expected and content(vehicle) != expected:
        raise RuntimeError(f"the files of {path} are not those that the check was begun with")
    return vehicle
