"""Faults of frames: dropped, corrupted, altered, frozen, delayed, duplicated.

:class:`MessageFault` is what they have in common: the message whose frames they hit. A message is a
name in the message definition; a frame belongs to it by identifier and format. :class:`Luck`
decides how many of the frames are hit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from random import Random

from cantools.database.can import Message
from pydantic import Field

from linkloss.bus import BusRecord, Controller, Frame
from linkloss.bus.controller import OutgoingFault
from linkloss.bus.frame import bits
from linkloss.bus.record import BitError
from linkloss.faults.base import Fault, Rig, Undo, hooked, message_problem
from linkloss.units import Duration, show_duration
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo, attribute


def requests(vehicle: Vehicle) -> dict[str, tuple[str, ...]]:
    """The messages that decide something, with the nodes that must hear them.

    A message that carries a request for a load goes to the load's node; one from which a control
    node derives its requests goes to that node. A check of a vehicle disturbs these messages.
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


def sent_as(message: MessageInfo, record: BusRecord) -> bool:
    """Whether a record is of a message; one of another bus may have its identifier."""
    return record.bus in ("", message.bus) and carries(message, record.frame)


def with_data(frame: Frame, data: bytes) -> Frame:
    """The same frame with another payload; the frame's own CRC follows from it."""
    if frame.fd:
        return replace(frame, data=data)
    return Frame(frame.identifier, data, extended=frame.extended)


def _outgoing(rig: Rig, message: MessageInfo) -> Iterator[list[OutgoingFault]]:
    """The places where the frames of a message leave the programs that send it."""
    for name in message.senders:
        if name in rig.hosts:
            yield rig.hosts[name].on(message.bus).outgoing


def last_sent(rig: Rig, message: MessageInfo) -> BusRecord | None:
    """The last frame of a message that its own senders got over the bus, or None."""
    for record in reversed(rig.frames):
        own = record.error is None and record.sender in message.senders
        if own and sent_as(message, record):
            return record
    return None


class Luck:
    """Decides which frames a fault hits: a share of them, and at most a given number.

    :param count: the most frames that are hit; None for no limit.
    :param share: the probability that a frame is hit, above 0 up to 1.
    :param random: the source of chance; unused if the share is 1.
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


class MessageFault(Fault):
    """A fault of the frames of one message; a check tries each message that decides something."""

    group = "frames"

    message: str

    def problem(self, vehicle: Vehicle) -> str:
        return message_problem(vehicle, self.message) or super().problem(vehicle)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for message in requests(vehicle):
            yield cls(message=message)


class Drop(MessageFault):
    """A node does not receive a message: each frame, a share of them, or the first few.

    The bus does not show it, there is no error frame: think of a controller that loses valid
    frames.
    """

    kind = "drop"

    receiver: str = Field(description="the node that misses it")
    count: int | None = Field(default=None, ge=1, description="how many frames; default: all")
    share: float = Field(default=1.0, gt=0, le=1, description="probability that one is missed")

    def problem(self, vehicle: Vehicle) -> str:
        missing = super().problem(vehicle)
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

        return hooked(misses, rig.bus_with(self.message).misses)

    def describe(self) -> str:
        return f"{self.receiver} missed {how_many(self.message, self.count, self.share)}"

    def nodes(self) -> tuple[str, ...]:
        return (self.receiver,)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for message, nodes in requests(vehicle).items():
            for node in nodes:
                yield cls(message=message, receiver=node)


class Corrupt(MessageFault):
    """A bit in the data field of a message's frames is disturbed, seen by all alike.

    Each attempt to send counts, repeats included. Undisturbed attempts in between bring the
    error counters down again; with every attempt disturbed, the sender is soon bus-off: from
    zero after 32 attempts (Bosch CAN Specification 2.0, part B section 8, rules 3 and 11).
    """

    kind = "corrupt"

    count: int | None = Field(default=None, ge=1, description="how many attempts; default: all")
    share: float = Field(default=1.0, gt=0, le=1, description="probability that one is disturbed")

    def apply(self, rig: Rig, random: Random) -> Undo:
        message = rig.vehicle.messages[self.message]
        luck = Luck(self.count, self.share, random)

        def disturb(sender: Controller, frame: Frame, length_bits: int) -> list[BitError]:  # noqa: ARG001
            if not carries(message, frame) or not luck.hits():
                return []
            return [BitError(random.choice(_recessive_bits(frame)))]

        return hooked(disturb, rig.bus_with(self.message).disturbances)

    def describe(self) -> str:
        return f"{how_many(self.message, self.count, self.share)} was disturbed on the bus"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        # One message for each sender: without it, the sender's other messages are lost, too.
        tried: set[tuple[str, ...]] = set()
        for message in requests(vehicle):
            senders = vehicle.messages[message].senders
            if senders not in tried:
                tried.add(senders)
                yield cls(message=message)


def _recessive_bits(frame: Frame) -> list[int]:
    """The recessive bits of the data field and its stuff bits; of the CRC field if there is no
    data.

    A dominant bit forced dominant would disturb nothing. The stuff bits before the data shift it by
    a few places, which does not matter here. There is always a recessive bit: the data is stuffed,
    and the delimiter after the CRC is recessive.
    """
    first = len(frame.head.bits)  # start of frame to data length code
    span = range(first, first + (8 * len(frame.data) or 16))
    string = bits(frame)
    return [index for index in span if string[index] == "1"]


class Alter(MessageFault):
    """The lowest bit of every payload signal is toggled; counter and checksum stay as they were.

    So each on/off request says the opposite of what was meant. The frame is valid on the bus, as
    after an error inside a controller or a gateway; only a checksum in the payload shows it.
    Repeated attempts to send the frame are altered alike.
    """

    kind = "alter"
    words = "{message} was altered on its way"
    content = True

    def problem(self, vehicle: Vehicle) -> str:
        missing = super().problem(vehicle)
        if missing:
            return missing
        if not any(toggled_bits(vehicle.database.get_message_by_name(self.message))):
            return f"message '{self.message}' has no payload signal to alter"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        message = rig.vehicle.messages[self.message]
        mask = toggled_bits(rig.vehicle.database.get_message_by_name(self.message))

        def transform(sender: Controller, frame: Frame) -> Frame:  # noqa: ARG001 - whoever sends
            if not carries(message, frame):
                return frame
            changed = bytes(byte ^ bit for byte, bit in zip(frame.data, mask, strict=False))
            return with_data(frame, changed + frame.data[len(mask) :])

        return hooked(transform, rig.bus_with(self.message).transforms)


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


class Freeze(MessageFault):
    """A message keeps coming, but with the content it had when the fault began.

    That is the payload of the last frame that went over the bus; counter and checksum are repeated
    with it. If there was none yet, the first frame that comes is repeated. With a ``gap`` some
    frames are left out. When the fault clears, the next frame has its true content again.
    """

    kind = "freeze"
    content = True
    repeats = True

    gap: Duration | None = Field(
        default=None, gt=0, description="least time from one to the next; default: each comes"
    )

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
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

        undo = hooked(transform, rig.bus_with(self.message).transforms)
        if self.gap is None:
            return undo
        gap_ns, passed_ns = self.gap, None if last is None else last.end_ns

        def thin(frame: Frame) -> list[tuple[int, Frame]] | None:
            nonlocal passed_ns
            if not carries(message, frame):
                return None
            now_ns = rig.queue.now_ns
            if passed_ns is not None and now_ns - passed_ns < gap_ns:
                return []
            passed_ns = now_ns
            return None

        undo_thin = hooked(thin, *_outgoing(rig, message))

        def undo_both() -> None:
            undo()
            undo_thin()

        return undo_both

    def describe(self) -> str:
        seldom = "" if self.gap is None else ", and less often"
        return f"{self.message} repeated old content{seldom}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        states = [table.status for table in vehicle.nodes.values() if table.status is not None]
        counted = [name for name in states if vehicle.messages[name].counter is not None]
        for message in dict.fromkeys([*requests(vehicle), *counted]):
            yield cls(message=message)  # without a counter, nobody can tell that a status is frozen
        for message in requests(vehicle):
            gap_ns = telling_gap(vehicle, message)
            if gap_ns is not None:
                yield cls(message=message, gap=gap_ns)


def telling_gap(vehicle: Vehicle, message: str) -> int | None:
    """The ``gap`` of a frozen message, in ns, with which it shows who has no eye on its counter.

    Usually ``stale_after`` is a multiple of the period. Then an old frame comes just as the link
    goes stale. A receiver that had lost the link may take it, as the first one after a loss, and
    no load shows whether it had:

        last good one                                stale
        |       .       .       .       .       .      | .        each comes
        |               .               .              |         . with a gap

    None where frames come at no such instant anyway, where a gap does not help, and where it is
    not known when they come.
    """
    info = vehicle.messages[message]
    loads = [load for load in vehicle.loads.values() if message in load.messages]
    stale = [
        (
            load.stale_after - load.early_ns - _AROUND_NS,
            load.stale_after + load.reaction + _AROUND_NS,
        )
        for load in loads
        if load.stale_after is not None
    ]
    period_ns = info.period_ns
    if info.counter is None or not period_ns or not stale:
        return None

    def met(periods: int) -> int:
        step_ns = periods * period_ns
        return sum(-(-from_ns // step_ns) * step_ns <= to_ns for from_ns, to_ns in set(stale))

    # They come often enough for a receiver to which any frame is good.
    most = (min(from_ns for from_ns, _ in stale) - 1) // period_ns
    best = min(range(1, most + 1), key=lambda periods: (met(periods), periods), default=1)
    return None if best == 1 else best * period_ns - period_ns // 2


_AROUND_NS = 1_000_000
"""How far from its period a frame may come: it waits for others."""


DEFAULT_DELAY_NS = 80_000_000
"""Long enough for a person to see, shorter than the usual time until a request is stale."""


class Delay(MessageFault):
    """Each frame of a message waits for a time before its sender's controller gets it.

    When the fault clears, frames that are still held back come when they are due, so for one
    delay's length an older frame may follow a newer one. A reset of the sender loses them.
    """

    kind = "delay"
    content = True

    by: Duration = Field(default=DEFAULT_DELAY_NS, gt=0, description="how late; default: 80 ms")

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        message = rig.vehicle.messages[self.message]

        def hold_back(frame: Frame) -> list[tuple[int, Frame]] | None:
            return [(self.by, frame)] if carries(message, frame) else None

        return hooked(hold_back, *_outgoing(rig, message))

    def describe(self) -> str:
        return f"{self.message} was delayed by {show_duration(self.by)}"


class Duplicate(MessageFault):
    """Each frame of a message is put into the sender's mailboxes twice.

    Receivers get the same content, counter included, twice in a row. If no second mailbox is free,
    the copy is lost. When the fault clears, a copy that waits in a mailbox is still sent.
    """

    kind = "duplicate"
    words = "each {message} was sent twice"
    content = True

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        message = rig.vehicle.messages[self.message]

        def double(frame: Frame) -> list[tuple[int, Frame]] | None:
            return [(0, frame), (0, frame)] if carries(message, frame) else None

        return hooked(double, *_outgoing(rig, message))
