"""A car of two nodes whose programs each test brings along."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from linkloss.faults.catalogue import make_fault
from linkloss.recording import Recording
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import Session
from linkloss.vehicle.loading import Vehicle, load_vehicle
from linkloss_nodes import MS, Node

BEAT, ANSWER = 256, 257


@cache
def life_vehicle() -> Vehicle:
    return load_vehicle(Path(__file__).parent / "life" / "vehicle.toml")


@dataclass
class Ran:
    session: Session
    recording: Recording

    def states(self, node="unit") -> list[tuple[float, str, str]]:
        """What a node's program went through: (ms, state, cause)."""
        changes = self.recording.nodes[node]
        return [(change.at_ns / MS, change.state, change.cause) for change in changes]

    def load(self, name: str) -> list[tuple[float, float]]:
        """The changes of a load: (ms, level)."""
        return [(at_ns / MS, level) for at_ns, level in self.recording.outputs[name].changes()]

    def beats(self) -> list[float]:
        """When the other node's frames ended, in whole ms."""
        frames = [record for record in self.recording.frames if record.frame.identifier == BEAT]
        return [record.end_ns // MS for record in frames if record.error is None]

    def answers(self) -> list[tuple[int, bytes]]:
        """What the node under test got onto the bus: (ms, data)."""
        return [
            (record.end_ns // MS, record.frame.data)
            for record in self.recording.frames
            if record.frame.identifier == ANSWER and record.error is None
        ]


def scenario(unit, *faults, switch=(), lasts_ms=300, other=None) -> Scenario:
    """``faults`` as (kind, from ms, until ms); ``switch`` as (ms, position)."""
    vehicle = life_vehicle()
    programs = {**vehicle.programs, "unit": unit}
    if other is not None:
        programs["other"] = other
    return Scenario(
        name="life",
        title="",
        vehicle=replace(vehicle, programs=programs),
        situation="",
        inputs={},
        actions=tuple(TimedAction(at_ms * MS, {"switch": value}) for at_ms, value in switch),
        faults=tuple(
            TimedFault(
                make_fault(kind, {"node": "unit"}, vehicle),
                from_ms * MS,
                None if until_ms is None else until_ms * MS,
            )
            for kind, from_ms, until_ms in faults
        ),
        lasts_ns=lasts_ms * MS,
    )


def run(unit, *faults, at=(), **rest) -> Ran:
    """Run the car with a program for the node ``unit``; ``at`` as (ms, function of the session)."""
    session = Session(scenario(unit, *faults, **rest))
    for at_ms, action in at:
        session.queue.at(at_ms * MS, action, session)
    return Ran(session, session.run())


def program(**methods) -> type[Node]:
    """A node class with these methods."""
    return type("Program", (Node,), methods)


class Log:
    """What a program noted, with the instant in ms."""

    def __init__(self) -> None:
        self.entries: list[tuple[float, object]] = []

    def __call__(self, board, what: object) -> None:
        self.entries.append((board.now_ns() / MS, what))

    def __eq__(self, other: object) -> bool:
        return self.entries == other

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return repr(self.entries)
