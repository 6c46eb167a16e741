"""Frames from controllers that should not send them: a node that floods the bus, a second sender of
a message, a stranger with frames that nearly match one.

:func:`intrude` puts a controller on the cable that does not belong to the vehicle.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import cycle, product
from random import Random
from typing import Literal, get_args

from pydantic import Field

from linkloss.bus import Bus, Controller, FdFrame, Frame
from linkloss.bus.frame import INTERMISSION_BITS, length_bits
from linkloss.clock import Event
from linkloss.faults.base import SIDE, Fault, Rig, Undo, node_problem, place, side_problem
from linkloss.faults.frame_faults import MessageFault, last_sent, requests
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo, attribute


def intrude(rig: Rig, bus: Bus, what: str, node: str, mailboxes: int) -> Controller:
    """Attach a foreign controller to a bus beside a node.

    It is named after what it does and where, with a number if several do the same there. It
    recovers from bus-off by itself.
    """
    taken = {controller.name for controller in bus.controllers}
    name = f"{what} at {node}"
    number = 2
    while name in taken:
        name = f"{what} {number} at {node}"
        number += 1
    controller = Controller(
        name,
        mailboxes=mailboxes,
        receive_depth=1,
        auto_recovery=True,
        fd=rig.vehicle.fd,
    )
    controller.filters.append((0, 0x1FFF_FFFF, True))  # it ignores what others send
    bus.attach(controller, beside=node)
    return controller


_CONTENT = bytes([0x55] * 8)
"""Alternating bits: no stuff bit in the data field."""


class Flood(Fault):
    """A node sends frames of a low identifier, by default without a pause.

    With a share of 1 a frame is always pending: no frame with a higher identifier gets through, the
    node's own included. A smaller share leaves pauses between the frames. When the fault clears, a
    frame that is on the bus breaks off.
    """

    kind = "flood"
    group = "frames"
    everywhere = True

    node: str
    identifier: int = Field(default=0, ge=0, le=0x7FF, description="11-bit identifier; default: 0")
    share: float = Field(default=1.0, gt=0, le=1, description="share of bus time; default: all")
    bus: str | None = Field(default=None, description=SIDE)

    def problem(self, vehicle: Vehicle) -> str:
        missing = node_problem(vehicle, self.node) or side_problem(vehicle, self)
        if missing:
            return missing
        messages = vehicle.messages_on(self.bus or vehicle.file.bus_of(self.node))
        if (self.identifier, False) in messages:
            name = messages[self.identifier, False].name
            text = f"identifier 0x{self.identifier:03X} belongs to message '{name}'"
            return f"{text}; for a second sender of it use 'impostor'"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        babble = _Babble(rig, self)
        babble.send()
        return babble.stop

    def describe(self) -> str:
        the = "the bus" if self.bus is None else f"bus {self.bus}"
        much = "" if self.share == 1 else f" for {self.share * 100:.3g} % of the time"
        return f"{self.node} flooded {the} with identifier 0x{self.identifier:03X}{much}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name, bus in vehicle.file.bus.items():
            taken = vehicle.messages_on(name)
            free = next((n for n in range(0x800) if (n, False) not in taken), None)
            if free is not None:
                node = bus.cable[-1]  # one place: all nodes hear it alike
                yield cls(node=node, identifier=free, bus=vehicle.side(node, name))


class _Babble:
    """The flooding controller, which sends again whenever its frame has gone."""

    def __init__(self, rig: Rig, fault: Flood) -> None:
        self._bus = place(rig, fault.node, fault.bus)
        self._queue = rig.queue
        self._frame = Frame(fault.identifier, _CONTENT)
        span_ns = self._bus.span_ns(length_bits(self._frame) + INTERMISSION_BITS)
        self._pause_ns = round(span_ns * (1 / fault.share - 1))
        self._next: Event | None = None
        self._controller = intrude(rig, self._bus, "babbler", fault.node, mailboxes=1)
        self._controller.on_sent = self._sent
        self._controller.on_state = self._state_changed

    def send(self) -> None:
        self._next = None
        if self._controller.online and not self._controller.pending():
            self._controller.send(self._frame)

    def _sent(self, frame: Frame) -> None:  # always the same frame
        if self._pause_ns == 0:
            self.send()
        else:
            self._next = self._queue.after(self._pause_ns, self.send)

    def _state_changed(self, controller: Controller) -> None:
        """Send again after bus-off, in which the pending frame was lost."""
        if controller.online and self._next is None:
            self.send()

    def stop(self) -> None:
        if self._next is not None:
            self._queue.cancel(self._next)
            self._next = None
        self._controller.on_sent = self._controller.on_state = None
        self._bus.detach(self._controller)


class IntruderFault(MessageFault):
    """A controller beside a node sends frames that imitate a message."""

    node: str = Field(description="where the controller sits on the cable")

    def nodes(self) -> tuple[str, ...]:  # the controller sits beside 'node' and does not touch it
        return ()

    def problem(self, vehicle: Vehicle) -> str:
        missing = super().problem(vehicle) or node_problem(vehicle, self.node)
        if missing or vehicle.messages[self.message].bus in vehicle.file.buses_of(self.node):
            return missing
        bus = vehicle.messages[self.message].bus
        return f"message '{self.message}' is on bus '{bus}', and node '{self.node}' is not"


class _Intruder:
    """The controller: it sends at times that lie away from those of the message's own sender.

    :param turn: makes the frame to send next from the last frame of the message; None if nothing
        is sent.
    """

    def __init__(
        self,
        rig: Rig,
        fault: IntruderFault,
        pause_ns: int,
        turn: Callable[[Frame | None], Frame | None],
    ) -> None:
        self._rig = rig
        self._bus = rig.bus_with(fault.message)
        self._message = rig.vehicle.messages[fault.message]
        self._pause_ns = pause_ns
        self._turn = turn
        self._controller = intrude(rig, self._bus, fault.kind, fault.node, mailboxes=1)
        last = last_sent(rig, self._message)
        start_ns = rig.queue.now_ns if last is None else last.start_ns
        late_ns = (rig.queue.now_ns - start_ns - pause_ns // 2) % pause_ns
        self._next: Event = rig.queue.after(pause_ns - late_ns, self._send)

    def _send(self) -> None:
        self._next = self._rig.queue.after(self._pause_ns, self._send)
        last = last_sent(self._rig, self._message)
        frame = self._turn(None if last is None else last.frame)
        if frame is not None and self._controller.ready and not self._controller.pending():
            self._controller.send(frame)

    def stop(self) -> None:
        self._rig.queue.cancel(self._next)
        self._bus.detach(self._controller)


class Impostor(IntruderFault):
    """A second controller beside a node also sends a message, with the last content seen before.

    It sends at the message's period, midway between the frames of the true sender as they came
    before the fault; counter and checksum are those of the old frame. If none has been seen, it
    waits for the first one. If both senders start at one instant, their frames collide. When the
    fault clears, an impostor's frame that is on the bus breaks off.
    """

    kind = "impostor"
    words = "a second sender of {message} with old content appeared at {node}"
    content = True

    def problem(self, vehicle: Vehicle) -> str:
        missing = super().problem(vehicle)
        if not missing and not vehicle.messages[self.message].period_ns:
            return f"message '{self.message}' has no cycle time in the DBC to be sent at"
        return missing

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        message = rig.vehicle.messages[self.message]
        assert message.period_ns is not None, "problem() has seen to it"
        last = last_sent(rig, message)
        old = None if last is None else last.frame

        def same(last: Frame | None) -> Frame | None:
            nonlocal old
            old = last if old is None else old
            return old

        return _Intruder(rig, self, message.period_ns, same).stop

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for message, nodes in requests(vehicle).items():
            if vehicle.messages[message].period_ns:
                yield cls(message=message, node=nodes[0])


Form = Literal["neighbour", "twin", "length", "remote", "dlc"]
_CLASSICAL_ONLY = ("remote", "dlc")
_BASE_BITS, _EXTENDED_BITS = 11, 29
_LONGEST = 8
_FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
_PERIOD_NS = 100_000_000
_IN_A_PERIOD = 4


class Stranger(IntruderFault):
    """A controller beside a node sends frames that are nearly a message, but are not it.

    - ``neighbour``: identifiers one bit away, each in turn;
    - ``twin``: the same number in the other format, standard or extended;
    - ``length``: the identifier itself with every other number of bytes; once with the checksum of
      the message as it should be, once with that of the bytes as they are;
    - ``remote``: the identifier itself as a remote frame;
    - ``dlc``: the identifier itself with a data length code of 9 to 15, which stands for 8 bytes.

    Identifiers in the message definition are left out. Four frames come in each period of the
    message, away from its own. They say the opposite of the last one that was seen, with the next
    value of the counter and the right checksum: only what is wrong with the frame distinguishes it
    from the message. A message of 8 bytes with a higher length code is still that message (ISO
    11898-1, from memory), so there the last content is repeated unchanged. If no frame of the
    message has been seen, the controller waits for the first one.
    """

    kind = "stranger"

    form: Form

    def problem(self, vehicle: Vehicle) -> str:
        missing = super().problem(vehicle)
        if missing:
            return missing
        if self.form in _CLASSICAL_ONLY and vehicle.messages[self.message].fd:
            return f"message '{self.message}' is a CAN FD message: such a frame does not exist"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        info = rig.vehicle.messages[self.message]
        pause_ns = (info.period_ns or _PERIOD_NS) // _IN_A_PERIOD
        sums = (False, True) if self.form == "length" and info.checksum is not None else (False,)
        variants = cycle(product(_variants(rig.vehicle, info, self.form), sums))

        def turn(last: Frame | None) -> Frame | None:
            variant, summed = next(variants, (None, False))
            if last is None or variant is None:
                return None
            return _stranger(rig.vehicle, info, self.form, variant, last, summed=summed)

        return _Intruder(rig, self, pause_ns, turn).stop

    def describe(self) -> str:
        return f"a stranger at {self.node} sent {_WORDS[self.form]} {self.message}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for message, nodes in requests(vehicle).items():
            for form in get_args(Form):
                if not (form in _CLASSICAL_ONLY and vehicle.messages[message].fd):
                    yield cls(message=message, node=nodes[0], form=form)


_WORDS: dict[Form, str] = {
    "neighbour": "frames with an identifier one bit away from that of",
    "twin": "frames with the number of the identifier, in the other format, of",
    "length": "frames of another length with the identifier of",
    "remote": "remote frames with the identifier of",
    "dlc": "frames with a length code above 8 and the identifier of",
}


def _variants(vehicle: Vehicle, info: MessageInfo, form: Form) -> list[int]:
    """The variants to send in turn: identifiers, lengths or length codes, depending on the form."""
    known = vehicle.messages_on(info.bus)
    if form == "neighbour":
        bits = _EXTENDED_BITS if info.extended else _BASE_BITS
        found = [info.identifier ^ 1 << bit for bit in range(bits)]
        return [number for number in found if (number, info.extended) not in known]
    if form == "twin":
        return [number for number in twins(info) if (number, not info.extended) not in known]
    if form == "length":
        lengths = _FD_LENGTHS if info.fd else range(_LONGEST + 1)
        return [length for length in lengths if length != info.length]
    return list(range(9, 16)) if form == "dlc" else [info.length]


def _stranger(
    vehicle: Vehicle, info: MessageInfo, form: Form, variant: int, last: Frame, *, summed: bool
) -> Frame:
    """A frame of a form, made from the last frame of the message; ``summed``: with the checksum of
    its own length.
    """
    identifier, extended = info.identifier, info.extended
    data = contrary(vehicle, info, last.data)
    match form:
        case "neighbour":
            identifier = variant
        case "twin":
            identifier, extended = variant, not extended
        case "length":
            data = (data + bytes(variant))[:variant]
            data = with_checksum(vehicle, info, data) if summed else data
        case "remote":
            return Frame(identifier, b"", extended, remote=True, dlc=variant)
        case "dlc":
            data = last.data if info.length == _LONGEST else data
            data = (data + bytes(_LONGEST))[:_LONGEST]
            return Frame(identifier, data, extended, dlc=variant)
    if isinstance(last, FdFrame):
        return FdFrame(identifier, data, extended, bit_rate_switch=last.bit_rate_switch)
    return Frame(identifier, data, extended)


def twins(info: MessageInfo) -> list[int]:
    """The identifiers of the other format that a receiver may take for a message's: with the same
    number, and with the same 11 bits at the beginning of the arbitration field.
    """
    if not info.extended:
        return list(dict.fromkeys([info.identifier, info.identifier << 18]))
    return list(dict.fromkeys([info.identifier & 0x7FF, info.identifier >> 18]))


def with_checksum(vehicle: Vehicle, info: MessageInfo, data: bytes) -> bytes:
    """Data of any length with the checksum of these very bytes, if the message has one and they
    reach so far.
    """
    message = vehicle.database.get_message_by_name(info.name)
    places = [s.start // 8 for s in message.signals if attribute(s, "LinkRole") == "checksum"]
    if info.checksum is None or not places or places[0] >= len(data):
        return data
    place = places[0]
    tried = (data[:place] + bytes((byte,)) + data[place + 1 :] for byte in range(256))
    return next(filter(info.checksum, tried), data)


def contrary(vehicle: Vehicle, info: MessageInfo, data: bytes) -> bytes:
    """A message with all bits of its payload signals inverted, the next value of its counter and
    its right checksum. Bits outside signals stay, and so do multiplexers and floating-point
    signals.
    """
    message = vehicle.database.get_message_by_name(info.name)
    data = data + bytes(info.length - len(data))  # if its sender sends too little
    values = message.decode(data, decode_choices=False, scaling=False)
    assert isinstance(values, dict), "a message, not a container of others"
    for signal in message.signals:
        raw, role = values.get(signal.name), attribute(signal, "LinkRole")
        if not isinstance(raw, int) or signal.is_multiplexer or signal.is_float:
            continue
        if role == "counter":
            values[signal.name] = (raw + 1) % (1 << signal.length)
        else:
            values[signal.name] = -1 - raw if signal.is_signed else raw ^ (1 << signal.length) - 1
    found = message.encode(values, scaling=False, strict=False)
    return with_checksum(vehicle, info, found + data[len(found) :])
