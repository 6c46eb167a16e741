"""What the faults of the group "frames" have in common: which frames they mean, how many of them.

A message is a name in the message definition; a frame belongs to it by identifier and format.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from random import Random

from linkloss.bus import BusRecord, Controller, Frame
from linkloss.faults.rig import Rig
from linkloss.model.expression import split_signal
from linkloss.model.loading import Vehicle
from linkloss.model.messages import MessageInfo


def requests(vehicle: Vehicle) -> dict[str, tuple[str, ...]]:
    """The messages by which something is decided, with the nodes that must hear them.

    Those that carry a request for a load, for the load's node, and those that a control node
    decides its requests by. A check of a vehicle disturbs these messages.
    """
    found: dict[str, dict[str, None]] = {}
    for load in vehicle.loads.values():
        for message in load.messages:
            found.setdefault(message, {})[load.node] = None
    for name, request in vehicle.requests.items():
        sender = vehicle.messages[split_signal(name)[0]].senders[0]
        for condition in request.conditions:
            for message, signal in map(split_signal, condition.names):
                if signal and sender not in vehicle.messages[message].senders:
                    found.setdefault(message, {})[sender] = None
    return {message: tuple(nodes) for message, nodes in found.items()}


def carries(message: MessageInfo, frame: Frame) -> bool:
    """Whether a frame is one of a message: same identifier, same format, with data."""
    return (
        frame.identifier == message.identifier
        and frame.extended == message.extended
        and not frame.remote
    )


def with_data(frame: Frame, data: bytes) -> Frame:
    """The same frame with another payload; the frame's own CRC follows from it."""
    if frame.fd:
        return replace(frame, data=data)
    return Frame(frame.identifier, data, extended=frame.extended)


def senders(rig: Rig, message: MessageInfo) -> Iterator[Controller]:
    """The controllers of the nodes that send a message."""
    for name in message.senders:
        if name in rig.hosts:
            yield rig.hosts[name].controller


def last_sent(rig: Rig, message: MessageInfo) -> BusRecord | None:
    """The last frame of a message that its own senders brought over the bus, or None."""
    for record in reversed(rig.frames):
        own = record.error is None and record.sender in message.senders
        if own and carries(message, record.frame):
            return record
    return None


class Luck:
    """Decides which frames a fault hits: a share of them, and no more than a number of them.

    :param count: how many frames are hit at most; None for no limit.
    :param share: the probability that a frame is hit, above 0 up to 1.
    :param random: where chance comes from; not asked when the share is 1.
    """

    def __init__(self, count: int | None, share: float, random: Random) -> None:
        self._left = count
        self._share = share
        self._random = random

    def hits(self) -> bool:
        """Whether the next frame is hit."""
        if self._left == 0 or (self._share < 1 and self._random.random() >= self._share):
            return False
        if self._left is not None:
            self._left -= 1
        return True


def how_many(message: str, count: int | None, share: float) -> str:
    """The frames that are hit, in words: ``30 % of LampRequest``, ``2 frames of LampRequest``."""
    if count is not None:
        number = "one frame" if count == 1 else f"{count} frames"
        return f"{number} of {message}"
    return message if share == 1 else f"{share * 100:.3g} % of {message}"
