"""The CAN cable is cut between two neighbours: two live buses remain."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from random import Random

from bench.faults.base import Fault, Undo, node_problem
from bench.faults.rig import Rig
from bench.model.loading import Vehicle


class Cut(Fault):
    """Both conductors of the trunk are cut; each side keeps its own traffic."""

    kind = "cut"
    group = "cable"

    between: tuple[str, str]

    def problem(self, vehicle: Vehicle) -> str:
        missing = node_problem(vehicle, *self.between)
        if missing:
            return missing
        if tuple(sorted(self.between)) not in {
            tuple(sorted(pair)) for pair in pairwise(vehicle.wire.cable)
        }:
            cable = ", ".join(vehicle.wire.cable)
            left, right = self.between
            return f"'{left}' and '{right}' are no neighbours; the cable runs {cable}"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        left, right = self.between
        rig.wire.cut(left, right)
        return lambda: rig.wire.mend(left, right)

    def describe(self) -> str:
        return f"the cable between {self.between[0]} and {self.between[1]} was cut"

    def label(self) -> str:
        return f"cut({self.between[0]},{self.between[1]})"

    def reaches(self, vehicle: Vehicle, message: str, sender: str, receiver: str) -> bool:  # noqa: ARG002
        cable = vehicle.wire.cable
        left = max(map(cable.index, self.between))
        return (cable.index(sender) < left) != (cable.index(receiver) < left)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for left, right in pairwise(vehicle.wire.cable):
            yield cls(between=(left, right))
