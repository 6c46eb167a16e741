"""A sender repeats old content: alive on the bus, but nothing behind it."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from linkloss.bus import Controller, Frame
from linkloss.faults.base import Fault, Undo, message_problem
from linkloss.faults.rig import Rig
from linkloss.faults.traffic import carries, last_sent, requests, with_data
from linkloss.model.loading import Vehicle


class Freeze(Fault):
    """A message keeps coming, but with the content it had when the fault began.

    That is the payload of the last frame that went over the bus; counter and checksum are
    repeated with it. If none has gone yet, the first one that comes is repeated. When the fault
    clears, the next frame has its true content again.
    """

    kind = "freeze"
    group = "frames"
    content = True
    repeats = True

    message: str

    def problem(self, vehicle: Vehicle) -> str:
        return message_problem(vehicle, self.message)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        message = rig.vehicle.messages[self.message]
        last = last_sent(rig, message)
        frozen = None if last is None else last.frame.data

        def transform(sender: Controller, frame: Frame) -> Frame:
            nonlocal frozen
            if not carries(message, frame) or sender.name not in message.senders:
                return frame
            if frozen is None:
                frozen = frame.data
            return with_data(frame, frozen)

        rig.bus.transforms.append(transform)
        return lambda: rig.bus.transforms.remove(transform)

    def describe(self) -> str:
        return f"{self.message} repeated old content"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        states = [table.status for table in vehicle.nodes.values() if table.status is not None]
        counted = [name for name in states if vehicle.messages[name].counter is not None]
        for message in dict.fromkeys([*requests(vehicle), *counted]):
            yield cls(message=message)  # without a counter nobody can tell a frozen status
