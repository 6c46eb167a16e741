"""The supply dips."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random
from typing import Literal

from pydantic import Field

from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.outputs import changed
from linkloss.faults.rig import Rig
from linkloss.faults.supplied import follow, stand_in, supply_problem
from linkloss.model.loading import Vehicle
from linkloss.model.units import Voltage, write_voltage
from linkloss.model.vehicle import NodeTable
from linkloss.power.profiles import sag

Dip = Literal[
    "starting_1", "starting_2", "starting_3", "starting_4", "momentary_drop", "reset_staircase",
    "slow_ramp",
]  # fmt: skip


class BrownOut(Fault):
    """The voltage of the whole car follows a profile of ISO 16750-2, sags slowly and stays low, or
    the feed of one node fails.

    What resets, drops out or goes dark follows from the voltages that the circuit gives: each
    node's threshold decides. When the fault clears, battery and alternator are back at once.
    """

    kind = "brown_out"
    group = "node"
    electrical = True

    profile: Dip | None = Field(default=None, description="what the car's voltage does")
    node: str | None = Field(default=None, description="the only node that it hits: no feed at all")
    sags_to: Voltage | None = Field(
        default=None, ge=0.5, le=12, description="what the car's voltage falls to within a second"
    )

    def problem(self, vehicle: Vehicle) -> str:
        if [self.profile, self.node, self.sags_to].count(None) != 2:
            return "expected one of 'profile', 'sags_to' (the whole car) and 'node' (its feed)"
        if self.node is None:
            return supply_problem(vehicle)
        missing = node_problem(vehicle, self.node)
        if missing:
            return missing
        supply = vehicle.nodes[self.node].supply
        if supply is None or supply.feed is None:
            return f"node '{self.node}' has no feed in its table 'supply'"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        if self.profile is not None:
            return follow(rig, self.profile)
        if self.sags_to is not None:
            return stand_in(rig, sag(self.sags_to))
        node = self.node
        assert node is not None
        return changed(
            rig,
            lambda network: network.lose_feed(node),
            lambda network: network.lose_feed(node, -1),
        )

    def describe(self) -> str:
        if self.profile is not None:
            return f"the supply dipped ({self.profile.replace('_', ' ')})"
        if self.sags_to is not None:
            return f"the supply sagged to {write_voltage(self.sags_to)}"
        return f"the feed of {self.node} failed"

    def nodes(self) -> tuple[str, ...]:
        return () if self.node is None else (self.node,)

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
    """Half-way between what a node's processor needs at the least and where it has to be reset."""
    supply = node.supply
    if supply is None or supply.least is None:
        return None
    return round((supply.least + supply.brown_out) / 2, 2)
