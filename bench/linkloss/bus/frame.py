"""What a CAN frame is: its fields, its bits, its exact length, its rank in arbitration.

    SOF  identifier  RTR IDE r0  DLC  data  CRC | delimiter  ACK  delimiter  EOF
    '------------------ stuffed ---------------'  '---- fixed form, 10 bits ----'

The length of a frame on the bus depends on its content, because a stuff bit follows every five
equal bits and the CRC is stuffed too. It is needed for every frame sent, so it is worked out byte
by byte from tables; :func:`bits` spells the same frame out bit by bit and is the reference.

Bits are written as the bus shows them: 0 is dominant, 1 is recessive. Bit times count from the
start of frame, rounded to the nearest ns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any, ClassVar, Protocol

from linkloss.bus.bits import (
    HEADERS,
    SLOW_TAIL_BITS,
    TAIL_BITS,
    FdHeader,
    Header,
    fd_bits,
    fd_header,
    fd_length_bits,
    header_of,
    stuffed,
)
from linkloss.clock.queue import NS_PER_S

__all__ = [
    "INTERMISSION_BITS",
    "TAIL_BITS",
    "FdFrame",
    "Frame",
    "arbitration_word",
    "bits",
    "crc15",
    "fast_bits",
    "length_bits",
    "longest_bits",
]

INTERMISSION_BITS = 3

_Setter = Callable[["Frame", object], None]


@dataclass(frozen=True, slots=True, init=False)
class Frame:
    """A classical CAN frame: data or remote, base or extended. Immutable, compared by value.

    :param identifier: 0..0x7FF, or 0..0x1FFF_FFFF for an extended frame.
    :param data: up to 8 bytes; none in a remote frame.
    :param dlc: the data length code 0..15 where it is not the number of data bytes: the length that
        a remote frame asks for, or 9..15, which stand for 8 bytes of data (Bosch CAN Specification
        2.0, addendum).
    :raises ValueError: if a field is out of range or the fields do not fit together.
    """

    identifier: int
    data: bytes
    extended: bool
    remote: bool
    dlc: int
    head: Header = field(init=False, repr=False, compare=False)

    fd: ClassVar[bool] = False
    """Whether it is a CAN FD frame, which is of the class :class:`FdFrame`."""

    def __init__(
        self,
        identifier: int,
        data: bytes = b"",
        extended: bool = False,
        remote: bool = False,
        dlc: int | None = None,
    ) -> None:
        if type(data) is not bytes:
            data = _as_bytes(data)
        if dlc is None:
            dlc = len(data)
        head = HEADERS.get((identifier, extended, remote, dlc))
        if head is None:
            head = header_of(identifier, extended, remote, dlc)
        if len(data) != head.size:
            raise ValueError(_misfit(data, head))
        _set_identifier(self, head.identifier)
        _set_data(self, data)
        _set_extended(self, head.extended)
        _set_remote(self, head.remote)
        _set_dlc(self, head.dlc)
        _set_head(self, head)

    def __reduce__(self) -> tuple[Any, ...]:
        return Frame, (self.identifier, self.data, self.extended, self.remote, self.dlc)

    def __str__(self) -> str:
        """Identifier and content in hexadecimal, such as ``123#DEADBEEF`` or ``123#R2``."""
        name = f"{self.identifier:08X}" if self.extended else f"{self.identifier:03X}"
        return f"{name}#R{self.dlc}" if self.remote else f"{name}#{self.data.hex().upper()}"


# a frame is frozen; its constructor fills the slots directly, twice as fast as object.__setattr__
_set_identifier: _Setter = vars(Frame)["identifier"].__set__
_set_data: _Setter = vars(Frame)["data"].__set__
_set_extended: _Setter = vars(Frame)["extended"].__set__
_set_remote: _Setter = vars(Frame)["remote"].__set__
_set_dlc: _Setter = vars(Frame)["dlc"].__set__
_set_head: _Setter = vars(Frame)["head"].__set__


@dataclass(frozen=True, slots=True, init=False)
class FdFrame(Frame):
    """A CAN FD frame, see :mod:`linkloss.bus.bits`. Immutable, compared by value.

    :param data: 0 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes.
    :param remote: False; there are no remote frames in CAN FD.
    :param dlc: follows from the data; if given, it must match.
    :param bit_rate_switch: whether ESI to CRC delimiter run at the data bit rate.
    :param error_state_indicator: whether the frame says that its sender is error-passive. The bus
        sets it for a sender that is.
    :raises ValueError: if a field is out of range or the fields do not fit together.
    """

    bit_rate_switch: bool
    error_state_indicator: bool

    fd: ClassVar[bool] = True

    def __init__(
        self,
        identifier: int,
        data: bytes = b"",
        extended: bool = False,
        remote: bool = False,
        dlc: int | None = None,
        bit_rate_switch: bool = False,
        error_state_indicator: bool = False,
    ) -> None:
        if type(data) is not bytes:
            data = _as_bytes(data)
        if remote:
            raise ValueError("there are no remote frames in CAN FD")
        switch, passive = bool(bit_rate_switch), bool(error_state_indicator)
        head = fd_header(identifier, bool(extended), len(data), switch, passive)
        if dlc is not None and dlc != head.dlc:
            raise ValueError(f"{len(data)} bytes go with DLC {head.dlc} in CAN FD, not {dlc}")
        _set_identifier(self, identifier)
        _set_data(self, data)
        _set_extended(self, head.extended)
        _set_remote(self, False)
        _set_dlc(self, head.dlc)
        _set_head(self, head)
        _set_switch(self, switch)
        _set_passive(self, passive)

    def __reduce__(self) -> tuple[Any, ...]:
        flags = self.bit_rate_switch, self.error_state_indicator
        return FdFrame, (self.identifier, self.data, self.extended, False, self.dlc, *flags)

    def __str__(self) -> str:
        """Identifier, flags (1 bit rate switch, 2 error state indicator) and content in
        hexadecimal, such as ``123##1DEADBEEF``.
        """
        name = f"{self.identifier:08X}" if self.extended else f"{self.identifier:03X}"
        flags = self.bit_rate_switch | self.error_state_indicator << 1
        return f"{name}##{flags:X}{self.data.hex().upper()}"

    def from_passive(self) -> FdFrame:
        """The frame as an error-passive node sends it."""
        return replace(self, error_state_indicator=True)


_set_switch: _Setter = vars(FdFrame)["bit_rate_switch"].__set__
_set_passive: _Setter = vars(FdFrame)["error_state_indicator"].__set__


def crc15(frame: Frame) -> int:
    """The CRC sequence of a classical frame, 15 bits, over SOF to the end of the data, unstuffed.

    Source: Bosch CAN Specification 2.0, part A section 3.1.1.
    """
    crc = frame.head.crc
    for byte, column in zip(frame.data, frame.head.columns, strict=True):
        crc ^= column[byte]
    return crc


def length_bits(frame: Frame) -> int:
    """How many bits a frame takes on the bus, SOF to end of frame, stuff bits included.

    Always equal to ``len(bits(frame))``. The intermission of 3 bits is not part of it.
    """
    head = frame.head
    if head.fd:
        return fd_length_bits(head, frame.data)
    if head.size == 8:
        return _length_of_eight(head, frame.data)
    crc = head.crc
    table = head.table
    length = head.length
    for byte, column in zip(frame.data, head.columns):  # noqa: B905 (equal by construction)
        crc ^= column[byte]
        table, added = table[byte]
        length += added
    table, added = table[crc >> 7]
    return length + added + table[256 | crc & 0x7F][1]  # type: ignore[no-any-return]


def _length_of_eight(head: Header, data: bytes) -> int:
    """:func:`length_bits` without the loop: most frames carry eight bytes."""
    a, b, c, d, e, f, g, h = data
    col = head.columns
    crc = head.crc ^ col[0][a] ^ col[1][b] ^ col[2][c] ^ col[3][d]
    crc ^= col[4][e] ^ col[5][f] ^ col[6][g] ^ col[7][h]
    table, in_a = head.table[a]
    table, in_b = table[b]
    table, in_c = table[c]
    table, in_d = table[d]
    table, in_e = table[e]
    table, in_f = table[f]
    table, in_g = table[g]
    table, in_h = table[h]
    table, in_crc = table[crc >> 7]
    in_data = in_a + in_b + in_c + in_d + in_e + in_f + in_g + in_h
    return head.length + in_data + in_crc + table[256 | crc & 0x7F][1]  # type: ignore[no-any-return]


def bits(frame: Frame) -> str:
    """The whole frame as the bus shows it: SOF to end of frame, stuffed, acknowledged.

    Sources: field order Bosch CAN Specification 2.0, part B section 3; stuffing section 5.
    """
    if frame.fd:
        return fd_bits(frame.head, frame.data)
    content = frame.head.bits + "".join(f"{byte:08b}" for byte in frame.data)
    return stuffed(content + f"{crc15(frame):015b}") + "1" + "0" + "1" + "1" * 7


def fast_bits(frame: Frame) -> tuple[int, int]:
    """Which bits of a frame run at the data bit rate: the first one, and the first one after them.

    Both are the frame's length where none does.
    """
    length = length_bits(frame)
    head = frame.head
    if isinstance(head, FdHeader) and head.bit_rate_switch:
        return head.slow_bits, length - SLOW_TAIL_BITS
    return length, length


def arbitration_word(frame: Frame) -> int:
    """The arbitration field as one 32-bit number: the lowest wins the bus.

    ``[ID10..0, RTR or SRR, IDE, ID17..0, RTR]``, base frames padded with zeros. So data beats
    remote, and a base frame beats an extended one with the same first eleven bits. Source: Bosch
    CAN Specification 2.0, part B section 3.1.1.
    """
    return frame.head.word


def longest_bits(dlc: int, extended: bool = False) -> int:
    """An upper bound of the length of a classical data frame in bits, with the 3 bits of
    intermission. For CAN FD see :data:`linkloss.bus.bits.LONGEST_BITS`.

    :raises ValueError: if ``dlc`` is not 0..15 (9..15 stand for 8 bytes).

    Source: Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007), equations 1 to 3.
    """
    if not 0 <= dlc <= 15:
        raise ValueError(f"a data length code is 0 to 15, not {dlc!r}")
    stuffable = (54 if extended else 34) + 8 * min(dlc, 8)
    return stuffable + 13 + (stuffable - 1) // 4


def _as_bytes(data: object) -> bytes:
    if isinstance(data, bytes | bytearray | memoryview):
        return bytes(data)
    raise ValueError(f"data is bytes, such as b'\\x01\\x02', not {data!r}")


def _misfit(data: bytes, head: Header) -> str:
    if head.remote:
        return f"a remote frame carries no data (give dlc instead), not {len(data)} bytes"
    if len(data) > 8:
        return f"a data frame holds up to 8 bytes, not {len(data)}"
    return f"DLC {head.dlc} goes with {head.size} bytes of data, not {len(data)}"


class BitClock(Protocol):
    """For a number of bits from a start of frame on, how long they take in ns. A list is one."""

    def __getitem__(self, count: int, /) -> int:
        """How long ``count`` bits take, in ns."""


class SwitchingClock:
    """The bit times of a frame of which some bits run at the data bit rate; what follows it is
    nominal.

    :param bit_rate: bits per second.
    :param data_bit_rate: bits per second between BRS and the end of the CRC delimiter.
    """

    __slots__ = ("_fast_from", "_fast_to", "_rate", "_twice")

    def __init__(self, frame: Frame, bit_rate: int, data_bit_rate: int) -> None:
        self._fast_from, self._fast_to = fast_bits(frame)
        self._rate = bit_rate, data_bit_rate
        self._twice = 2 * bit_rate * data_bit_rate

    def __getitem__(self, count: int, /) -> int:
        bit_rate, data_bit_rate = self._rate
        fast = min(max(count, self._fast_from), self._fast_to) - self._fast_from
        units = (count - fast) * data_bit_rate + fast * bit_rate  # of 1 / (both rates) seconds
        return (2 * units * NS_PER_S + self._twice // 2) // self._twice
