"""Frames are sent twice."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from linkloss.bus import Frame
from linkloss.faults.base import Fault, Undo, message_problem
from linkloss.faults.rig import Rig
from linkloss.faults.traffic import carries, requests, senders
from linkloss.model.loading import Vehicle


class Duplicate(Fault):
    """Each frame of a message is put into the sender's mailboxes twice.

    Receivers get the same content, counter included, two times in a row. Where no second mailbox
    is free, the copy is lost. When the fault clears, a copy that waits in a mailbox is still sent.
    """

    kind = "duplicate"
    group = "frames"
    content = True

    message: str

    def problem(self, vehicle: Vehicle) -> str:
        return message_problem(vehicle, self.message)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        message = rig.vehicle.messages[self.message]

        def double(frame: Frame) -> list[tuple[int, Frame]] | None:
            return [(0, frame), (0, frame)] if carries(message, frame) else None

        hooks = [controller.outgoing for controller in senders(rig, message)]
        for hook in hooks:
            hook.append(double)

        def undo() -> None:
            for hook in hooks:
                hook.remove(double)

        return undo

    def describe(self) -> str:
        return f"each {self.message} was sent twice"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for message in requests(vehicle):
            yield cls(message=message)
