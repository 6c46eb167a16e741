"""Frames leave their sender late."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.bus import Frame
from linkloss.faults.base import Fault, Undo, message_problem
from linkloss.faults.rig import Rig
from linkloss.faults.traffic import carries, requests, senders
from linkloss.model.loading import Vehicle
from linkloss.model.units import Duration, show_duration

DEFAULT_DELAY_NS = 80_000_000
"""Long enough to be seen by a person, shorter than the usual time to a stale request."""


class Delay(Fault):
    """Each frame of a message waits for a time before its sender's controller gets it.

    When the fault clears, frames that are still held back come when they are due, so that for
    one delay's length an older frame may follow a newer one. A reset of the sender loses them.
    """

    kind = "delay"
    group = "frames"
    content = True

    message: str
    by: Duration = Field(default=DEFAULT_DELAY_NS, gt=0, description="how late; default: 80 ms")

    def problem(self, vehicle: Vehicle) -> str:
        return message_problem(vehicle, self.message)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        message = rig.vehicle.messages[self.message]

        def hold_back(frame: Frame) -> list[tuple[int, Frame]] | None:
            return [(self.by, frame)] if carries(message, frame) else None

        hooks = [controller.outgoing for controller in senders(rig, message)]
        for hook in hooks:
            hook.append(hold_back)

        def undo() -> None:
            for hook in hooks:
                hook.remove(hold_back)

        return undo

    def describe(self) -> str:
        return f"{self.message} was delayed by {show_duration(self.by)}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for message in requests(vehicle):
            yield cls(message=message)
