"""A small car with a battery, and sessions on it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from linkloss.faults.catalogue import make_fault
from linkloss.recording import Recording
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import Session
from linkloss.vehicle.loading import Vehicle, load_vehicle

MS = 1_000_000


@cache
def supplied() -> Vehicle:
    """The car on its battery."""
    return load_vehicle(Path(__file__).parent / "supply" / "vehicle.toml")


@cache
def ideal() -> Vehicle:
    """The same car on an ideal supply."""
    vehicle = supplied()
    nodes = {name: node.model_copy(update={"supply": None}) for name, node in vehicle.nodes.items()}
    loads = {
        name: load.model_copy(update={"electrical": None}) for name, load in vehicle.loads.items()
    }
    update = {"supply": None, "nodes": nodes, "loads": loads}
    return replace(vehicle, file=vehicle.file.model_copy(update=update))


@dataclass
class Drive:
    """A run and what it left behind."""

    session: Session
    recording: Recording

    def levels(self, load):
        """Changes of a load's level as (ms, level)."""
        return [(at / MS, value) for at, value in self.recording.outputs[load].changes()]

    def states(self, node):
        """What a node's program went through, as (ms, state, cause)."""
        changes = self.recording.nodes[node]
        return [(change.at_ns / MS, change.state, change.cause) for change in changes]

    def volts(self, node, at_ms):
        """The voltage at a node."""
        return self.recording.volts[node].at(round(at_ms * MS))

    def amps(self, load, at_ms):
        """The current into a load."""
        return self.recording.amps[load].at(round(at_ms * MS))


def drive(*faults, lasts_ms=1000, vehicle=None, inputs=None, at=None, **actions) -> Drive:
    """Run the car: faults as (kind, parameters, from ms, until ms), inputs as (ms, value) pairs;
    ``at`` is (ms, action): what a test does to the session then.
    """
    vehicle = vehicle or supplied()
    scenario = Scenario(
        name="test",
        title="",
        vehicle=vehicle,
        situation="",
        inputs=inputs or {},
        actions=tuple(
            TimedAction(at_ms * MS, {name: value})
            for name, changes in actions.items()
            for at_ms, value in changes
        ),
        faults=tuple(
            TimedFault(
                make_fault(kind, parameters, vehicle),
                from_ms * MS,
                None if until_ms is None else until_ms * MS,
            )
            for kind, parameters, from_ms, until_ms in faults
        ),
        lasts_ns=lasts_ms * MS,
    )
    session = Session(scenario)
    if at is not None:
        session.queue.at(round(at[0] * MS), at[1], session)
    return Drive(session, session.run())
