"""Frames that nobody in the car sends, each a little beside a message that a node acts on."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import cycle
from random import Random
from typing import Literal, get_args

from pydantic import Field

from linkloss.bus import FdFrame, Frame
from linkloss.clock import Event
from linkloss.faults.base import Fault, Undo, message_problem, node_problem
from linkloss.faults.intruder import intrude
from linkloss.faults.rig import Rig
from linkloss.faults.traffic import last_sent, requests
from linkloss.model.loading import Vehicle
from linkloss.model.messages import MessageInfo, attribute

Form = Literal["neighbour", "twin", "length", "remote", "dlc"]
_CLASSICAL_ONLY = ("remote", "dlc")
_BASE_BITS, _EXTENDED_BITS = 11, 29
_LONGEST = 8
_FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
_PERIOD_NS = 100_000_000
_IN_A_PERIOD = 4


class Stranger(Fault):
    """A controller beside a node sends frames that are nearly a message, but are not it.

    - ``neighbour``: identifiers one bit away, each in turn;
    - ``twin``: the same number in the other format, standard or extended;
    - ``length``: the identifier itself with every other number of bytes;
    - ``remote``: the identifier itself as a remote frame;
    - ``dlc``: the identifier itself with a data length code of 9 to 15, which stands for 8 bytes.

    Identifiers that the message definition knows are left out. Four frames come in a period of the
    message, away from its own. They say the contrary of the last one that was seen, with the next
    value of the counter and the right checksum: nothing but what is wrong with the frame tells it
    from the message. A message of 8 bytes with a higher length code is that message all the same
    (ISO 11898-1, from memory), so there the last content is repeated as it was. If no frame of the
    message has been seen, the first one is waited for.
    """

    kind = "stranger"
    group = "frames"

    message: str
    node: str = Field(description="where the stranger sits on the cable")
    form: Form

    def problem(self, vehicle: Vehicle) -> str:
        missing = message_problem(vehicle, self.message) or node_problem(vehicle, self.node)
        if missing:
            return missing
        if self.form in _CLASSICAL_ONLY and vehicle.messages[self.message].fd:
            return f"message '{self.message}' is one of CAN FD: there is no such frame"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        return _Stranger(rig, self).stop

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


class _Stranger:
    """The controller that sends them."""

    def __init__(self, rig: Rig, fault: Stranger) -> None:
        self._rig = rig
        self._form: Form = fault.form
        self._info = rig.vehicle.messages[fault.message]
        self._pause_ns = (self._info.period_ns or _PERIOD_NS) // _IN_A_PERIOD
        self._controller = intrude(rig, "stranger", fault.node, mailboxes=1)
        self._turns = cycle(self._variants())
        last = last_sent(rig, self._info)
        start_ns = rig.queue.now_ns if last is None else last.start_ns
        late_ns = (rig.queue.now_ns - start_ns - self._pause_ns // 2) % self._pause_ns
        self._next: Event = rig.queue.after(self._pause_ns - late_ns, self._send)

    def _variants(self) -> list[int]:
        """What is sent in turn: identifiers, lengths or length codes, by the form."""
        info, vehicle = self._info, self._rig.vehicle
        if self._form == "neighbour":
            bits = _EXTENDED_BITS if info.extended else _BASE_BITS
            found = [info.identifier ^ 1 << bit for bit in range(bits)]
            return [n for n in found if not _known(vehicle, n, extended=info.extended)]
        if self._form == "twin":
            found = twins(info)
            return [n for n in found if not _known(vehicle, n, extended=not info.extended)]
        if self._form == "length":
            lengths = _FD_LENGTHS if info.fd else range(_LONGEST + 1)
            return [length for length in lengths if length != info.length]
        return list(range(9, 16)) if self._form == "dlc" else [info.length]

    def _send(self) -> None:
        self._next = self._rig.queue.after(self._pause_ns, self._send)
        last = last_sent(self._rig, self._info)
        ready = self._controller.ready and not self._controller.pending()
        variant = next(self._turns, None)
        if last is not None and ready and variant is not None:
            self._controller.send(self._frame(variant, last.frame))

    def _frame(self, variant: int, last: Frame) -> Frame:
        info = self._info
        identifier, extended = info.identifier, info.extended
        data = contrary(self._rig.vehicle, info, last.data)
        match self._form:
            case "neighbour":
                identifier = variant
            case "twin":
                identifier, extended = variant, not extended
            case "length":
                data = (data + bytes(variant))[:variant]
            case "remote":
                return Frame(identifier, b"", extended, remote=True, dlc=variant)
            case "dlc":
                data = last.data if info.length == _LONGEST else data
                data = (data + bytes(_LONGEST))[:_LONGEST]
                return Frame(identifier, data, extended, dlc=variant)
        if isinstance(last, FdFrame):
            switch = last.bit_rate_switch
            return FdFrame(identifier, data, extended, bit_rate_switch=switch)
        return Frame(identifier, data, extended)

    def stop(self) -> None:
        self._rig.queue.cancel(self._next)
        self._rig.bus.detach(self._controller)


def twins(info: MessageInfo) -> list[int]:
    """The identifiers of the other format that a receiver may take for a message's: with the same
    number, and with the same 11 bits at the beginning of the arbitration field.
    """
    if not info.extended:
        return list(dict.fromkeys([info.identifier, info.identifier << 18]))
    return list(dict.fromkeys([info.identifier & 0x7FF, info.identifier >> 18]))


def contrary(vehicle: Vehicle, info: MessageInfo, data: bytes) -> bytes:
    """A message with all bits of its payload signals inverted, the next value of its counter and
    its right checksum. What is no signal stays, and so does what says which signals there are.
    """
    message = vehicle.database.get_message_by_name(info.name)
    data = data + bytes(info.length - len(data))  # where its sender sends too little
    values = message.decode(data, decode_choices=False, scaling=False)
    assert isinstance(values, dict), "a message, and no container of others"
    checksum = None
    for signal in message.signals:
        raw, role = values.get(signal.name), attribute(signal, "LinkRole")
        if role == "checksum":
            checksum = signal.start // 8
        if not isinstance(raw, int) or signal.is_multiplexer or signal.is_float:
            continue
        if role == "counter":
            values[signal.name] = (raw + 1) % (1 << signal.length)
        else:
            values[signal.name] = -1 - raw if signal.is_signed else raw ^ (1 << signal.length) - 1
    found = bytearray(message.encode(values, scaling=False, strict=False))
    found += data[len(found) :]
    if checksum is not None and info.checksum is not None:
        for byte in range(256):
            found[checksum] = byte
            if info.checksum(bytes(found)):
                break
    return bytes(found)


def _known(vehicle: Vehicle, identifier: int, *, extended: bool) -> bool:
    """Whether the message definition has an identifier."""
    return any(
        (message.identifier, message.extended) == (identifier, extended)
        for message in vehicle.messages.values()
    )
