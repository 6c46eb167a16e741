"""One receiver misses frames that all others get."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.bus import Controller, Frame
from linkloss.faults.base import Fault, Undo, message_problem, node_problem
from linkloss.faults.rig import Rig
from linkloss.faults.traffic import Luck, carries, how_many, requests
from linkloss.model.loading import Vehicle


class Drop(Fault):
    """A node does not receive a message: each frame, a share of them, or the first few.

    Nobody notices on the bus, there is no error frame: think of a controller that loses
    valid frames.
    """

    kind = "drop"
    group = "frames"

    message: str
    receiver: str = Field(description="the node that misses it")
    count: int | None = Field(default=None, ge=1, description="how many frames; default: all")
    share: float = Field(default=1.0, gt=0, le=1, description="probability that one is missed")

    def problem(self, vehicle: Vehicle) -> str:
        missing = message_problem(vehicle, self.message) or node_problem(vehicle, self.receiver)
        if missing:
            return missing
        if vehicle.messages[self.message].senders == (self.receiver,):
            return f"node '{self.receiver}' sends '{self.message}' itself; it never receives it"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:
        message = rig.vehicle.messages[self.message]
        luck = Luck(self.count, self.share, random)

        def misses(receiver: Controller, frame: Frame) -> bool:
            return receiver.name == self.receiver and carries(message, frame) and luck.hits()

        rig.bus.misses.append(misses)
        return lambda: rig.bus.misses.remove(misses)

    def describe(self) -> str:
        return f"{self.receiver} missed {how_many(self.message, self.count, self.share)}"

    def nodes(self) -> tuple[str, ...]:
        return (self.receiver,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for message, nodes in requests(vehicle).items():
            for node in nodes:
                yield cls(message=message, receiver=node)
