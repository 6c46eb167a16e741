"""A scenario and its file: a situation, a timeline of actions and faults, expectations.

The nodes' clocks in it (what each shows at its start, how far off it runs) have two written forms:

    in a scenario file    clocks = { rear = "49.7 d" }      drifts = { rear = "-100 ppm" }
    in a case's name      clocks(rear=4294080s)             drifts(rear=-100ppm)

A fault with its instant is one word in the name of a case: ``cut(gauge,rear)@300s+2s``,
``reset(rear)@12.5s``, ``delay(LampRequest,by=80 ms)@3s+1s``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ConfigDict, Field, model_validator

from linkloss.faults.base import Fault
from linkloss.faults.catalogue import FaultError, make_fault, read_fault
from linkloss.problem import BadInput, Problem, unknown
from linkloss.recording import Outside, OutsideEvent, Presence, Traffic, read_frames
from linkloss.units import (
    Drift,
    Duration,
    parse_drift,
    parse_duration,
    plain,
    write_drift,
    write_duration,
)
from linkloss.vehicle.consistency import Consistency
from linkloss.vehicle.expression import Value
from linkloss.vehicle.load import State
from linkloss.vehicle.loading import Vehicle, load_vehicle
from linkloss.vehicle.tables import InputValue
from linkloss.vehicle.toml import Key, Source, Table, parsed_toml, read_toml

Clocks = Mapping[str, int]
"""By node: what its own clock shows at its start, in ns. A node that is not named begins at 0."""
Drifts = Mapping[str, float]
"""By node: how much too fast its clock runs, in parts per million; negative: too slow."""

Quantity = TypeVar("Quantity", int, float)
_PART = re.compile(r"(?P<what>clocks|drifts)\((?P<given>[^()]+)\)")


def clocks_written(clocks: Clocks) -> dict[str, str]:
    """The clocks as a scenario file has them."""
    return {node: write_duration(start_ns) for node, start_ns in clocks.items()}


def drifts_written(drifts: Drifts) -> dict[str, str]:
    """The drifts as a scenario file has them."""
    return {node: write_drift(ppm) for node, ppm in drifts.items()}


def clock_parts(clocks: Clocks, drifts: Drifts) -> tuple[str, ...]:
    """The parts of a case's name that give the clocks; none where all begin at 0 and are right.
    :func:`read_clock_part` reads one back.
    """
    told = {"clocks": clocks_written(clocks), "drifts": drifts_written(drifts)}
    return tuple(f"{what}({_joined(given)})" for what, given in told.items() if given)


def read_clock_part(part: str) -> tuple[Clocks, Drifts] | None:
    """The clocks and drifts in a part of a case's name; None for a part about something else.

    Raises ValueError for an invalid quantity.
    """
    found = _PART.fullmatch(part)
    if found is None:
        return None
    if found["what"] == "clocks":
        return _read(found["given"], parse_duration), {}
    return {}, _read(found["given"], parse_drift)


def _joined(given: Mapping[str, str]) -> str:
    return ",".join(f"{node}={text.replace(' ', '')}" for node, text in given.items())


def _read(given: str, parse: Callable[[str], Quantity]) -> dict[str, Quantity]:
    """``rear=65s,dash=1s`` by node."""
    parts = [text.partition("=") for text in given.split(",")]
    return {node: parse(text) for node, _, text in parts}


class PresenceStep(Table):
    """A program joins the bus, leaves it, or only listens; or a person did something to a real
    node, which is ``off`` for that long.
    """

    at: Duration
    name: str
    state: Presence
    hands: str = Field(default="", description="what a person did to a real node")


class OutsideTable(Table):
    """Programs and real nodes that took part, and the log of the frames that they sent."""

    log: str = Field(description="SocketCAN text log with nine decimals, relative to this file")
    programs: tuple[str, ...] = Field(default=(), description="each with a controller of its own")
    nodes: tuple[str, ...] = Field(default=(), description="nodes of the vehicle that were real")
    delay: Duration = Field(default=0, description="longest way between bus and real node")
    doubt: str = Field(default="", description="why nothing can be said of the real nodes")
    presence: tuple[PresenceStep, ...] = Field(default=(), description="programs come and go")


def load_outside(
    table: OutsideTable, folder: Path, source: Source, vehicle: Vehicle
) -> tuple[Outside, list[Problem]]:
    """The outsiders with what they did, and any mistakes in the table."""
    problems = list(_misnamed(table, source, vehicle))
    names = (*table.programs, *table.nodes)
    frames: list[OutsideEvent] = []
    try:
        lines = (folder / table.log).read_text(encoding="utf-8").splitlines()
        frames = read_frames(lines)
    except (OSError, ValueError) as error:
        text = f"'{table.log}' cannot be read: {getattr(error, 'strerror', None) or error}"
        problems.append(source.problem(("outside", "log"), text))
    strangers = {event.name for event in frames}.difference(names)
    problems += [
        source.problem(("outside", "log"), unknown("sender", name, names))
        for name in sorted(strangers)
    ]
    shown = [
        OutsideEvent(step.at, step.name, None, step.state, step.hands) for step in table.presence
    ]
    events = sorted([*shown, *frames], key=lambda event: event.at_ns)
    outside = Outside(table.programs, table.nodes, tuple(events), table.delay, table.doubt)
    return outside, problems


def _misnamed(table: OutsideTable, source: Source, vehicle: Vehicle) -> Iterator[Problem]:
    for index, name in enumerate(table.nodes):
        if name not in vehicle.nodes:
            place: tuple[Key, ...] = ("outside", "nodes", index)
            yield source.problem(place, unknown("node", name, vehicle.nodes))
    for index, name in enumerate(table.programs):
        place = ("outside", "programs", index)
        if name in vehicle.nodes:
            yield source.problem(place, f"'{name}' is a node of the vehicle")
        elif name in table.programs[:index]:
            yield source.problem(place, f"there are two of the name '{name}'")
    for index, step in enumerate(table.presence):
        what, known = ("node", table.nodes) if step.hands else ("program", table.programs)
        if step.name not in known:
            place = ("outside", "presence", index, "name")
            yield source.problem(place, unknown(what, step.name, known))


@dataclass(frozen=True, slots=True)
class TimedAction:
    """Inputs that change at an instant."""

    at_ns: int
    values: Mapping[str, Value]

    @property
    def label(self) -> str:
        """``lights=off@1300ms``: its form in the name of a case."""
        told = ",".join(f"{name}={plain(value)}" for name, value in self.values.items())
        return f"{told}@{_short(self.at_ns)}"


@dataclass(frozen=True, slots=True)
class TimedFault:
    """A fault that is applied at an instant and cleared at a later one (None: never)."""

    fault: Fault
    at_ns: int
    until_ns: int | None

    @classmethod
    def lasting(cls, fault: Fault, at_ns: int, for_ns: int) -> TimedFault:
        """A fault that is active for ``for_ns``, unless its kind is over at once."""
        return cls(fault, at_ns, at_ns + for_ns if fault.lasting else None)

    @property
    def label(self) -> str:
        """``cut(gauge,rear)@300s+2s``: :func:`read_timed_fault` reads it back."""
        start = f"{self.fault.label()}@{_short(self.at_ns)}"
        return start if self.until_ns is None else f"{start}+{_short(self.until_ns - self.at_ns)}"


def _short(duration_ns: int) -> str:
    return write_duration(duration_ns).replace(" ", "")


@dataclass(frozen=True, slots=True)
class Expectation:
    """A load must be in a state at an instant, or throughout from one to another."""

    load: str
    state: State
    from_ns: int
    to_ns: int


@dataclass(frozen=True, slots=True)
class Scenario:
    """What a session runs. ``name`` is the file's stem, or the name of a campaign's case.
    ``traffic`` is its part that comes from a log, ``outside`` who takes part from outside the
    bench, if any. ``clocks`` and ``drifts`` are the nodes' own clocks, where they do not begin at 0
    or are not right.
    """

    name: str
    title: str
    vehicle: Vehicle
    situation: str
    inputs: Mapping[str, Value]
    actions: tuple[TimedAction, ...]
    faults: tuple[TimedFault, ...]
    lasts_ns: int
    seed: int = 0
    expectations: tuple[Expectation, ...] = ()
    traffic: Traffic | None = None
    outside: Outside | None = None
    clocks: Clocks = field(default_factory=dict)
    drifts: Drifts = field(default_factory=dict)
    counted_as: str = ""
    """What a campaign counts it as; empty: the kinds of its faults."""

    @property
    def first_fault_ns(self) -> int | None:
        """When the first fault comes; None without any."""
        return min((timed.at_ns for timed in self.faults), default=None)

    @property
    def parts_ns(self) -> int:
        """Where it branches off from others that begin alike: at its first fault, or its end."""
        first_ns = self.first_fault_ns
        return self.lasts_ns if first_ns is None else first_ns

    @property
    def kinds(self) -> str:
        """The kinds of its faults: ``none``, ``cut``, ``unplug+reset``, ..., or what it counts as
        instead.
        """
        if self.counted_as:
            return self.counted_as
        return "+".join(dict.fromkeys(timed.fault.kind for timed in self.faults)) or "none"

    @property
    def steps(self) -> tuple[TimedAction | TimedFault, ...]:
        """Its actions and faults in order of time; at one instant, actions come first."""
        both: list[TimedAction | TimedFault] = [*self.actions, *self.faults]
        return tuple(sorted(both, key=lambda step: step.at_ns))


class Step(Table):
    """One point of the timeline: inputs that are set, or a fault with its parameters."""

    model_config = ConfigDict(extra="allow", frozen=True)

    at: Duration = Field(description="instant, counted from power-up")
    set: dict[str, InputValue] | None = Field(
        default=None, min_length=1, description="input = new value"
    )
    fault: str | None = Field(default=None, description="name of a fault")
    until: Duration | None = Field(default=None, description="instant at which the fault clears")
    lasts: Duration | None = Field(default=None, description="or: how long the fault is there")

    @model_validator(mode="after")
    def _one_thing(self) -> Step:
        if (self.set is None) == (self.fault is None):
            raise ValueError("expected either 'set' (inputs) or 'fault' (its name)")
        if self.set is not None and not (self.until is None and self.lasts is None):
            raise ValueError("'until' and 'lasts' belong to a fault")
        if self.until is not None and self.lasts is not None:
            raise ValueError("expected either 'until' or 'lasts', not both")
        if self.until is not None and self.until <= self.at:
            raise ValueError("'until' must lie after 'at'")
        if self.lasts == 0:
            raise ValueError("'lasts' must be more than zero")
        return self


class Expect(Table):
    """A state that a load must be in."""

    load: str = Field(description="a load of the vehicle")
    state: State = Field(description="the state that it must have")
    at: Duration | None = Field(default=None, description="at this instant")
    from_: Duration | None = Field(default=None, alias="from", description="or throughout, from")
    to: Duration | None = Field(default=None, description="to")

    @model_validator(mode="after")
    def _when(self) -> Expect:
        given = [time is not None for time in (self.at, self.from_, self.to)]
        if given not in ([True, False, False], [False, True, True]):
            raise ValueError("expected either 'at', or 'from' and 'to'")
        return self


class ScenarioFile(Table):
    """What a scenario file may say."""

    title: str = Field(description="what happens, in one sentence")
    about: str = Field(default="", description="a word on it, for the reader")
    vehicle: str = Field(description="the vehicle file, relative to this file")
    situation: str | None = Field(default=None, description="a situation of the vehicle")
    inputs: dict[str, InputValue] = Field(default_factory=dict, description="at the beginning")
    lasts: Duration = Field(description="length of the run")
    seed: int = Field(default=0, description="of all that is left to chance")
    clocks: dict[str, Duration] = Field(
        default_factory=dict,
        description="node = what its own clock shows when it starts; default: 0",
    )
    drifts: dict[str, Drift] = Field(
        default_factory=dict, description="node = how much too fast its clock runs; default: 0"
    )
    steps: tuple[Step, ...] = Field(default=(), description="the timeline")
    expect: tuple[Expect, ...] = ()
    outside: OutsideTable | None = Field(
        default=None, description="programs and real nodes that took part from outside"
    )


def load_scenario(path: str | Path) -> Scenario:
    """Read a scenario file and the vehicle that it names.

    A situation gives the initial inputs and its actions; ``inputs`` and ``steps`` are added to it.
    Raises BadInput with every mistake found.
    """
    path = Path(path)
    document, text = read_toml(path, "scenario")
    source = Source(path, text)
    file = source.parse(ScenarioFile, document)
    vehicle_path = path.parent / file.vehicle
    if not vehicle_path.is_file():
        raise BadInput([source.problem(("vehicle",), f"there is no file '{vehicle_path}'")])
    vehicle = load_vehicle(vehicle_path)
    return _Builder(path, source, file, vehicle).build()


def scenario_in(text: str, path: Path, vehicle: Vehicle) -> Scenario:
    """The scenario in the text of such a file, on a vehicle that has been read. ``path`` gives it
    its name. Raises BadInput with every mistake found.
    """
    source = Source(path, text)
    file = source.parse(ScenarioFile, parsed_toml(text, path, "scenario"))
    return _Builder(path, source, file, vehicle).build()


@dataclass
class _Builder:
    """Puts file and vehicle together, and collects mistakes on the way."""

    path: Path
    source: Source
    file: ScenarioFile
    vehicle: Vehicle
    problems: list[Problem] = field(default_factory=list)

    def build(self) -> Scenario:
        file = self.file
        consistency = Consistency(self.source, self.vehicle.file, self.vehicle.messages)
        self.problems.extend(consistency.input_values(("inputs",), file.inputs))
        inputs, actions = self._situation()
        faults: list[TimedFault] = []
        for index, step in enumerate(file.steps):
            if step.at > file.lasts:
                self._note(("steps", index, "at"), "lies after the end of the scenario")
            if step.set is not None:
                place = ("steps", index, "set")
                self.problems.extend(consistency.input_values(place, step.set))
                actions.append(TimedAction(step.at, step.set))
                for key in step.model_extra or {}:  # those of a fault are its parameters
                    text = unknown("key", key, ("at", "set"))
                    self._note(("steps", index, key), text)
            else:
                self._fault(index, step, faults)
        expectations = tuple(self._expect(index, entry) for index, entry in enumerate(file.expect))
        outside = None
        if file.outside is not None:
            folder = self.path.parent
            outside, problems = load_outside(file.outside, folder, self.source, self.vehicle)
            self.problems += problems
        for key, named in (("clocks", file.clocks), ("drifts", file.drifts)):
            for node in named:
                if node not in self.vehicle.nodes:
                    self._note((key, node), unknown("node", node, self.vehicle.nodes))
        if self.problems:
            raise BadInput(self.problems)
        return Scenario(
            name=self.path.stem,
            title=file.title,
            vehicle=self.vehicle,
            situation=file.situation or "",
            inputs={**inputs, **file.inputs},
            actions=tuple(sorted(actions, key=lambda action: action.at_ns)),
            faults=tuple(faults),
            lasts_ns=file.lasts,
            seed=file.seed,
            expectations=expectations,
            outside=outside,
            clocks=file.clocks,
            drifts=file.drifts,
        )

    def _note(self, place: tuple[str | int, ...], text: str) -> None:
        self.problems.append(self.source.problem(place, text))

    def _situation(self) -> tuple[dict[str, Value], list[TimedAction]]:
        name = self.file.situation
        if name is None:
            return {}, []
        if name not in self.vehicle.situations:
            self._note(("situation",), unknown("situation", name, self.vehicle.situations))
            return {}, []
        situation = self.vehicle.situations[name]
        actions = [TimedAction(action.at, action.set) for action in situation.actions]
        return dict(situation.inputs), [a for a in actions if a.at_ns <= self.file.lasts]

    def _fault(self, index: int, step: Step, faults: list[TimedFault]) -> None:
        assert step.fault is not None
        parameters: Mapping[str, Any] = step.model_extra or {}
        try:
            fault = make_fault(step.fault, parameters, self.vehicle)
        except FaultError as error:
            self._note(("steps", index, error.key), str(error))
            return
        until = step.until if step.lasts is None else step.at + step.lasts
        faults.append(TimedFault(fault, step.at, until))

    def _expect(self, index: int, entry: Expect) -> Expectation:
        place = ("expect", index)
        if entry.load not in self.vehicle.loads:
            self._note((*place, "load"), unknown("load", entry.load, self.vehicle.loads))
        elif self.file.outside and self.vehicle.loads[entry.load].node in self.file.outside.nodes:
            self._note((*place, "load"), "its node is real: what it did is not in a recording")
        first = entry.at if entry.from_ is None else entry.from_
        last = entry.at if entry.to is None else entry.to
        assert first is not None
        assert last is not None
        if not first <= last <= self.file.lasts:
            self._note(place, "expected 'from' before 'to', both before the end of the scenario")
        return Expectation(entry.load, entry.state, first, last)


_TIMED = re.compile(r"(?P<fault>\s*\w+\s*(?:\(.*\))?)\s*@(?P<at>[^+@]+)(?:\+(?P<lasts>.+))?")
_EXPECTED = "expected 'KIND(PARAMETERS)@START+DURATION', such as 'cut(gauge,rear)@300s+2s'"


def timed_fault(text: str, vehicle: Vehicle) -> TimedFault:
    """The fault that the command line names, in the form of :func:`read_timed_fault`. Raises
    BadInput.
    """
    try:
        return read_timed_fault(text, vehicle)
    except ValueError as error:
        key = getattr(error, "key", "fault")
        problem = f"{error}" if key == "fault" else f"{key}: {error}"
        raise BadInput.one("linkloss", f"--fault '{text}'", problem) from None


def read_timed_fault(text: str, vehicle: Vehicle) -> TimedFault:
    """The fault with a label and its instant; without a duration it stays to the end. Raises
    ValueError, or its subclass FaultError for a fault that cannot be made.
    """
    found = _TIMED.fullmatch(text)
    if found is None:
        raise ValueError(_EXPECTED)
    fault = read_fault(found["fault"], vehicle)
    at_ns = parse_duration(found["at"].strip())
    if found["lasts"] is None:
        return TimedFault(fault, at_ns, None)
    lasts_ns = parse_duration(found["lasts"].strip())
    if lasts_ns == 0:
        raise ValueError("a fault lasts more than nothing")
    if not fault.lasting:
        raise ValueError(f"'{fault.kind}' is over at once; expected no duration")
    return TimedFault(fault, at_ns, at_ns + lasts_ns)
