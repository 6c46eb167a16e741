"""A payload changes on its way, and the frame's own CRC does not show it."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from cantools.database.can import Message

from linkloss.bus import Controller, Frame
from linkloss.faults.base import Fault, Undo, message_problem
from linkloss.faults.rig import Rig
from linkloss.faults.traffic import carries, requests, with_data
from linkloss.model.loading import Vehicle
from linkloss.model.messages import attribute


class Alter(Fault):
    """The lowest bit of every payload signal is toggled; counter and checksum stay as they were.

    So each on/off request says the contrary of what was meant. The frame is valid on the bus,
    as after an error inside a controller or a gateway; only a checksum in the payload shows it.
    Repeated attempts to send the frame are altered alike.
    """

    kind = "alter"
    group = "frames"
    content = True

    message: str

    def problem(self, vehicle: Vehicle) -> str:
        missing = message_problem(vehicle, self.message)
        if missing:
            return missing
        if not any(toggled_bits(vehicle.database.get_message_by_name(self.message))):
            return f"message '{self.message}' has no payload signal to alter"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        message = rig.vehicle.messages[self.message]
        mask = toggled_bits(rig.vehicle.database.get_message_by_name(self.message))

        def transform(sender: Controller, frame: Frame) -> Frame:  # noqa: ARG001 - whoever sends
            if not carries(message, frame):
                return frame
            changed = bytes(byte ^ bit for byte, bit in zip(frame.data, mask, strict=False))
            return with_data(frame, changed + frame.data[len(mask) :])

        rig.bus.transforms.append(transform)
        return lambda: rig.bus.transforms.remove(transform)

    def describe(self) -> str:
        return f"{self.message} was altered on its way"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for message in requests(vehicle):
            yield cls(message=message)


def toggled_bits(message: Message) -> bytes:
    """A mask as long as the payload with the lowest bit of each payload signal set."""
    mask = bytearray(message.length)
    for signal in message.signals:
        if attribute(signal, "LinkRole") in ("counter", "checksum"):
            continue
        if signal.byte_order == "little_endian":
            byte, bit = divmod(signal.start, 8)
        else:
            # The start bit of a big-endian signal is its highest bit, counted within its byte
            # from the right; the lowest one lies `length - 1` places further on the bus.
            first = 8 * (signal.start // 8) + 7 - signal.start % 8
            byte, from_left = divmod(first + signal.length - 1, 8)
            bit = 7 - from_left
        mask[byte] |= 1 << bit
    return bytes(mask)
