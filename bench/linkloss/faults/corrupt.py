"""Frames are disturbed on the bus: an error frame, and the sender tries again."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.bus import Controller, Frame
from linkloss.bus.frame import bits
from linkloss.bus.record import Hit
from linkloss.faults.base import Fault, Undo, message_problem
from linkloss.faults.rig import Rig
from linkloss.faults.traffic import Luck, carries, how_many, requests
from linkloss.model.loading import Vehicle


class Corrupt(Fault):
    """A bit in the data field of a message's frames is disturbed, seen by all alike.

    Each attempt to send counts, repeats included. Undisturbed attempts in between bring the
    error counters down again; with every attempt disturbed, the sender is soon bus-off: from
    zero after 32 attempts (Bosch CAN Specification 2.0, part B section 8, rules 3 and 11).
    """

    kind = "corrupt"
    group = "frames"

    message: str
    count: int | None = Field(default=None, ge=1, description="how many attempts; default: all")
    share: float = Field(default=1.0, gt=0, le=1, description="probability that one is disturbed")

    def problem(self, vehicle: Vehicle) -> str:
        return message_problem(vehicle, self.message)

    def apply(self, rig: Rig, random: Random) -> Undo:
        message = rig.vehicle.messages[self.message]
        luck = Luck(self.count, self.share, random)

        def disturb(sender: Controller, frame: Frame, length_bits: int) -> list[Hit]:  # noqa: ARG001
            if not carries(message, frame) or not luck.hits():
                return []
            return [Hit(random.choice(_recessive_bits(frame)))]

        rig.bus.disturbances.append(disturb)
        return lambda: rig.bus.disturbances.remove(disturb)

    def describe(self) -> str:
        return f"{how_many(self.message, self.count, self.share)} was disturbed on the bus"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        # One message for each sender: without it, the sender's other messages are lost as well.
        tried: set[tuple[str, ...]] = set()
        for message in requests(vehicle):
            senders = vehicle.messages[message].senders
            if senders not in tried:
                tried.add(senders)
                yield cls(message=message)


def _recessive_bits(frame: Frame) -> list[int]:
    """The recessive bits of the data field and its stuff bits; of the CRC field without data.

    Forcing a dominant bit to dominant would disturb nothing. The stuff bits before the data
    shift it by a few places, which does not matter here. There is always one: the data is
    stuffed, and the delimiter behind the CRC is recessive.
    """
    first = len(frame.head.bits)  # start of frame to data length code
    span = range(first, first + (8 * len(frame.data) or 16))
    string = bits(frame)
    return [index for index in span if string[index] == "1"]
