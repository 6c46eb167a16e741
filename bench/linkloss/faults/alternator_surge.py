"""The alternator makes too much voltage."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random
from typing import Literal

from pydantic import Field

from linkloss.faults.base import Fault, Undo
from linkloss.faults.rig import Rig
from linkloss.faults.supplied import follow, supply_problem
from linkloss.model.loading import Vehicle

Surge = Literal["over_voltage", "load_dump_clamped", "load_dump", "jump_start"]


class AlternatorSurge(Fault):
    """The car's voltage follows a profile of ISO 16750-2 that lies above its operating range, and
    stays where the profile ends until the fault clears. What a part does not survive is not
    modelled: nothing but a fuse is destroyed. A check tries 18 V for 400 ms alone: at 26 V and more
    the start of a large motor may well blow its fuse, and that is no fault of a node.
    """

    kind = "alternator_surge"
    group = "node"
    electrical = True

    profile: Surge = Field(default="over_voltage", description="what the voltage does")

    def problem(self, vehicle: Vehicle) -> str:
        return supply_problem(vehicle)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        return follow(rig, self.profile)

    def describe(self) -> str:
        return f"the supply surged ({self.profile.replace('_', ' ')})"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        if vehicle.supply is not None:
            yield cls()
