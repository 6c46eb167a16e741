"""Bits are read wrongly at random: on the whole cable, or by one node."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.bus.noise import Noise as Hits
from linkloss.faults.base import Fault, Undo, node_problem
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle


class Noise(Fault):
    """Each bit between a start of frame and the end of its intermission is seen inverted with one
    probability, independent of all others; by all nodes alike, or by one.
    """

    kind = "noise"
    group = "cable"
    wiring = True
    everywhere = True

    share: float = Field(gt=0, lt=1, description="bit error rate")
    node: str | None = Field(default=None, description="who sees the bits so; default: all")

    def problem(self, vehicle: Vehicle) -> str:
        return "" if self.node is None else node_problem(vehicle, self.node)

    def apply(self, rig: Rig, random: Random) -> Undo:
        noise = Hits(self.share, random, self.node)
        rig.bus.noises.append(noise)
        return lambda: rig.bus.noises.remove(noise)

    def describe(self) -> str:
        where = "the cable" if self.node is None else self.node
        return f"noise at {where} made {self.share:.3g} of the bits wrong"

    def nodes(self) -> tuple[str, ...]:
        return () if self.node is None else (self.node,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for share in (1e-4, 1e-3):
            yield cls(share=share)
        for node in vehicle.bus.cable:
            yield cls(share=1e-3, node=node)
