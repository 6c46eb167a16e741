"""A story for the bench: a situation, a timeline of actions and faults, expectations."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, Field, model_validator

from linkloss.clocks import Clocks, Drifts
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import FaultError, make_fault
from linkloss.model.consistency import Consistency
from linkloss.model.expression import Value
from linkloss.model.load import State
from linkloss.model.loading import Vehicle, load_vehicle
from linkloss.model.problem import BadInput, Problem, unknown
from linkloss.model.table import Table
from linkloss.model.toml import Source, read_toml
from linkloss.model.units import Drift, Duration
from linkloss.model.vehicle import InputValue
from linkloss.outside import Outside
from linkloss.outside_file import OutsideTable, load_outside
from linkloss.traffic import Traffic


@dataclass(frozen=True, slots=True)
class TimedAction:
    """Inputs that change at an instant."""

    at_ns: int
    values: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class TimedFault:
    """A fault that is applied at an instant and cleared at a later one (None: never)."""

    fault: Fault
    at_ns: int
    until_ns: int | None


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
    ``traffic`` is the part of it that comes out of a log, ``outside`` who takes part from outside
    of the bench, if any. ``clocks`` and ``drifts`` are the nodes' own clocks, where they do not
    begin at 0 or are not right.
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
        """Where it parts from others that begin alike: at its first fault, or its end."""
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

    load: str
    state: State
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
    about: str = ""
    vehicle: str = Field(description="the vehicle file, relative to this file")
    situation: str | None = Field(default=None, description="a situation of the vehicle")
    inputs: dict[str, InputValue] = Field(default_factory=dict, description="at the beginning")
    lasts: Duration
    seed: int = 0
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

    A situation gives the initial inputs and its actions; ``inputs`` and ``steps`` come on top.
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


class _Builder:
    """Puts file and vehicle together, collecting mistakes on the way."""

    def __init__(self, path: Path, source: Source, file: ScenarioFile, vehicle: Vehicle) -> None:
        self.path = path
        self.source = source
        self.file = file
        self.vehicle = vehicle
        self.problems: list[Problem] = []

    def build(self) -> Scenario:
        file, consistency = (
            self.file,
            Consistency(self.source, self.vehicle.file, self.vehicle.messages),
        )
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
        outside = self._outside()
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

    def _outside(self) -> Outside | None:
        if self.file.outside is None:
            return None
        table, folder = self.file.outside, self.path.parent
        outside, problems = load_outside(table, folder, self.source, self.vehicle)
        self.problems += problems
        return outside

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
