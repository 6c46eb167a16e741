"""Faults of the supply: a dip, no battery, a surge, a lost ground.

:func:`follow` puts a voltage profile in place of battery and alternator.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from random import Random
from typing import Literal

from pydantic import Field

from linkloss.faults.base import CircuitFault, Fault, Rig, Undo, node_problem
from linkloss.power.network import Network
from linkloss.power.supply import PROFILES, Profile, sag
from linkloss.units import Voltage, write_voltage
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.tables import NodeTable

STIFF_OHM = 0.01


class SupplyFault(CircuitFault):
    """A fault of battery, alternator or a node's feed and ground."""

    group = "node"

    def problem(self, vehicle: Vehicle) -> str:
        if vehicle.supply is None:
            return "the vehicle has no table 'supply': it runs on an ideal one"
        return ""

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        if vehicle.supply is not None:
            yield cls()


def follow(rig: Rig, profile: str) -> Undo:
    """Put a named profile in place of battery and alternator until this is undone.

    It is an ideal voltage source, whatever resistance the standard gives it: that resistance is
    meant for a single device on a bench, and here the whole car is connected.
    """
    return stand_in(rig, PROFILES[profile]())


def stand_in(rig: Rig, profile: Profile) -> Undo:
    """The same with a profile that has no name."""
    assert rig.power is not None, "the vehicle has no supply; problem() says so"
    return rig.power.follow(replace(profile, ohm=STIFF_OHM))


Dip = Literal[
    "starting_1", "starting_2", "starting_3", "starting_4", "momentary_drop", "reset_staircase",
    "slow_ramp",
]  # fmt: skip


class BrownOut(SupplyFault):
    """The voltage of the whole car follows a profile of ISO 16750-2, or sags slowly and stays low,
    or the feed of one node fails.

    What resets, drops out or goes dark follows from the voltages in the circuit: each node's
    threshold decides. When the fault clears, battery and alternator are back at once.
    """

    kind = "brown_out"

    profile: Dip | None = Field(default=None, description="what the car's voltage does")
    node: str | None = Field(default=None, description="only this node is hit: its feed fails")
    sags_to: Voltage | None = Field(
        default=None,
        ge=0.5,
        le=12,
        description="what the car's voltage falls to within a second",
        examples=["8 V"],
    )

    def problem(self, vehicle: Vehicle) -> str:
        if [self.profile, self.node, self.sags_to].count(None) != 2:
            return "expected one of 'profile', 'sags_to' (the whole car) and 'node' (its feed)"
        if self.node is None:
            return super().problem(vehicle)
        missing = node_problem(vehicle, self.node)
        if missing:
            return missing
        supply = vehicle.nodes[self.node].supply
        if supply is None or supply.feed is None:
            return f"node '{self.node}' has no feed in its table 'supply'"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        if self.profile is not None:
            return follow(rig, self.profile)
        if self.sags_to is not None:
            return stand_in(rig, sag(self.sags_to))
        return super().apply(rig, random)

    def change(self, network: Network, by: int) -> None:
        assert self.node is not None, "problem() says so"
        network.lose_feed(self.node, by)

    def describe(self) -> str:
        if self.profile is not None:
            return f"the supply dipped ({self.profile.replace('_', ' ')})"
        if self.sags_to is not None:
            return f"the supply sagged to {write_voltage(self.sags_to)}"
        return f"the feed of {self.node} failed"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        if vehicle.supply is None:
            return
        for profile in ("starting_1", "starting_2", "starting_3", "starting_4", "momentary_drop"):
            yield cls(profile=profile)
        for volts in dict.fromkeys(map(_band_middle, vehicle.nodes.values())):
            if volts is not None:
                yield cls(sags_to=volts)
        for name, table in vehicle.nodes.items():
            if table.supply is not None and table.supply.feed is not None:
                yield cls(node=name)


def _band_middle(node: NodeTable) -> float | None:
    """Half-way between the least that a node's processor needs and the voltage that resets it."""
    supply = node.supply
    if supply is None or supply.least is None:
        return None
    return round((supply.least + supply.brown_out) / 2, 2)


class BatteryOff(SupplyFault):
    """A terminal of the battery is off. With the engine running, the alternator goes on alone as
    far as its current suffices; the surge at that moment is the fault ``alternator_surge``.
    """

    kind = "battery_off"
    words = "the battery came off"

    def change(self, network: Network, by: int) -> None:
        network.connect_battery(connected=by < 0)


Surge = Literal["over_voltage", "load_dump_clamped", "load_dump", "jump_start"]


class AlternatorSurge(SupplyFault):
    """The car's voltage follows a profile of ISO 16750-2 that lies above its operating range. It
    stays at the end of the profile until the fault clears. Damage is not modelled: only fuses can
    blow. A check tries only 18 V for 400 ms: at 26 V and more the start of a large motor may well
    blow its fuse, and that is not the fault of a node.
    """

    kind = "alternator_surge"

    profile: Surge = Field(default="over_voltage", description="what the voltage does")

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        return follow(rig, self.profile)

    def describe(self) -> str:
        return f"the supply surged ({self.profile.replace('_', ' ')})"


class GroundLost(SupplyFault):
    """The node's own ground lead is open. Current flows back by any other way that there is: a
    link to the ground of another node, or loads that are grounded elsewhere.
    """

    kind = "ground_lost"
    words = "the ground lead of {node} came off"

    node: str

    def problem(self, vehicle: Vehicle) -> str:
        missing = node_problem(vehicle, self.node)
        if missing:
            return missing
        supply = vehicle.nodes[self.node].supply
        if supply is None or supply.ground is None:
            return f"node '{self.node}' has no ground lead in its table 'supply'"
        return ""

    def change(self, network: Network, by: int) -> None:
        network.lose_ground(self.node, by)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name, table in vehicle.nodes.items():
            if table.supply is not None and table.supply.ground is not None:
                yield cls(node=name)
