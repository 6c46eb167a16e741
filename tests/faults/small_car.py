"""A small car, and sessions on it with faults at given instants."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from linkloss.bus import BusRecord
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import make_fault
from linkloss.recording import Recording
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import Session
from linkloss.vehicle.electrical import ElectricalTable, NodeSupplyTable, SupplyTable
from linkloss.vehicle.loading import Vehicle, load_vehicle

MS = 1_000_000
LAMP_REQUEST = 256


@cache
def small_vehicle() -> Vehicle:
    return load_vehicle(Path(__file__).parent / "small" / "vehicle.toml")


@cache
def supplied_vehicle() -> Vehicle:
    """The small car with a battery, leads, fuses and relays."""
    vehicle = small_vehicle()
    lead = {"size": "1.5 mm2", "length": "2 m"}
    supply = NodeSupplyTable.model_validate({"feed": lead, "ground": lead})
    lamp = {"kind": "filament", "watts": "21 W", "relay": {}, "lead": lead}
    electrical = ElectricalTable.model_validate(lamp)
    update = {
        "supply": SupplyTable(),
        "nodes": {
            name: node.model_copy(update={"supply": supply}) for name, node in vehicle.nodes.items()
        },
        "loads": {
            name: load.model_copy(update={"electrical": electrical, "fuse": 7.5})
            for name, load in vehicle.loads.items()
        },
    }
    return replace(vehicle, file=vehicle.file.model_copy(update=update))


@dataclass
class Ran:
    session: Session
    recording: Recording

    def frames(self, identifier: int = LAMP_REQUEST, since_ms=0, until_ms=10_000):
        """All attempts at a message whose start lies in a span, in order."""
        return [
            record
            for record in self.recording.frames
            if record.frame.identifier == identifier
            and since_ms * MS <= record.start_ns < until_ms * MS
        ]

    def delivered(self, identifier: int = LAMP_REQUEST, since_ms=0, until_ms=10_000):
        """The good ones of :meth:`frames`."""
        found = self.frames(identifier, since_ms, until_ms)
        return [record for record in found if record.error is None]

    def states(self, node: str) -> list[tuple[float, str, str]]:
        """What a node's program went through: (ms, state, cause)."""
        changes = self.recording.nodes[node]
        return [(change.at_ns / MS, change.state, change.cause) for change in changes]


def fault(kind: str, **parameters) -> Fault:
    return make_fault(kind, parameters, small_vehicle())


def run(
    *faults: tuple[Fault, int, int | None],
    lasts_ms=600,
    lights=(),
    seed=0,
    at=None,
    vehicle=None,
    **actions,
) -> Ran:
    """Run the small car; each fault as (fault, from ms, until ms); ``lights`` as (ms, position).

    ``at`` is (ns, action): what a test does to the session at an instant.
    """
    actions.setdefault("lights", lights)
    scenario = Scenario(
        name="test",
        title="",
        vehicle=vehicle or small_vehicle(),
        situation="",
        inputs={},
        actions=tuple(
            TimedAction(at_ms * MS, {name: value})
            for name, changes in actions.items()
            for at_ms, value in changes
        ),
        faults=tuple(
            TimedFault(fault, from_ms * MS, None if until_ms is None else until_ms * MS)
            for fault, from_ms, until_ms in faults
        ),
        lasts_ns=lasts_ms * MS,
        seed=seed,
    )
    session = Session(scenario)
    if at is not None:
        session.queue.at(at[0], at[1], session)
    return Ran(session, session.run())


def counters(records: list[BusRecord]) -> list[int]:
    """The counter of each LampRequest."""
    return [record.frame.data[1] for record in records]
