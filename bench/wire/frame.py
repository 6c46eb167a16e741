"""What a CAN frame is: its fields, its bits, its exact length, its rank in arbitration.

The length of a frame on the wire depends on its content, because a stuff bit follows every five
equal bits and the CRC is stuffed too. It is needed once for every frame sent, so it is worked out
byte by byte from tables; :func:`bits` spells the same frame out bit by bit and is the reference.

    SOF  identifier  RTR IDE r0  DLC  data  CRC | delimiter  ACK  delimiter  EOF
    '------------------ stuffed ---------------'  '---- fixed form, 10 bits ----'

Bits are written as the wire shows them: 0 is dominant, 1 is recessive.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from bench.wire.coding import CRC_COLUMNS, STUFF, crc_of_bits, state_after, stuffed

TAIL_BITS = 10
"""CRC delimiter, ACK slot, ACK delimiter and seven bits of end of frame: never stuffed."""

INTERMISSION_BITS = 3

_HEADERS_AT_MOST = 1 << 16

_Setter = Callable[["Frame", object], None]


@dataclass(frozen=True, slots=True, init=False)
class Frame:
    """A classical CAN frame: data or remote, base or extended. Immutable, compared by value.

    :param identifier: 0..0x7FF, or 0..0x1FFF_FFFF for an extended frame.
    :param data: up to 8 bytes; none in a remote frame.
    :param dlc: the data length code 0..15 where it is not the number of data bytes: the length a
        remote frame asks for, or 9..15, which stand for 8 bytes of data (Bosch CAN
        Specification 2.0, addendum).
    :raises ValueError: if a field is out of range or the fields do not fit each other.
    """

    identifier: int
    data: bytes
    extended: bool
    remote: bool
    dlc: int
    head: Header = field(init=False, repr=False, compare=False)

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
        head = _HEADERS.get((identifier, extended, remote, dlc))
        if head is None:
            head = _header(identifier, extended, remote, dlc)
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


def crc15(frame: Frame) -> int:
    """The CRC sequence of a frame, 15 bits, over SOF to the end of the data, unstuffed.

    Source: Bosch CAN Specification 2.0, part A section 3.1.1.
    """
    crc = frame.head.crc
    for byte, column in zip(frame.data, frame.head.columns, strict=True):
        crc ^= column[byte]
    return crc


def length_bits(frame: Frame) -> int:
    """How many bits a frame takes on the wire, SOF to end of frame, stuff bits included.

    Always equal to ``len(bits(frame))``. The intermission of 3 bits is not part of it.
    """
    head = frame.head
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
    """The whole frame as the wire shows it: SOF to end of frame, stuffed, acknowledged.

    Sources: field order Bosch CAN Specification 2.0, part B section 3; stuffing section 5.
    """
    content = frame.head.bits + "".join(f"{byte:08b}" for byte in frame.data)
    return stuffed(content + f"{crc15(frame):015b}") + "1" + "0" + "1" + "1" * 7


def arbitration_word(frame: Frame) -> int:
    """The arbitration field as one 32-bit number: the lower one wins the wire.

    ``[ID10..0, RTR or SRR, IDE, ID17..0, RTR]``, base frames filled up with zeros. So data beats
    remote and a base frame beats an extended one with the same first eleven bits.
    Source: Bosch CAN Specification 2.0, part B section 3.1.1.
    """
    return frame.head.word


def longest_bits(dlc: int, extended: bool = False) -> int:
    """An upper bound of a data frame's length in bits, the 3 bits of intermission included.

    :raises ValueError: if ``dlc`` is not 0..15 (9..15 stand for 8 bytes).
    Source: Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007), equations 1 to 3.
    """
    if not 0 <= dlc <= 15:
        raise ValueError(f"a data length code is 0 to 15, not {dlc!r}")
    stuffable = (54 if extended else 34) + 8 * min(dlc, 8)
    return stuffable + 13 + (stuffable - 1) // 4


@dataclass(frozen=True, slots=True)
class Header:
    """All that a frame's length owes to its identifier, flags and DLC: worked out once for each."""

    identifier: int
    extended: bool
    remote: bool
    dlc: int
    size: int
    """Bytes of data that go with it."""
    word: int
    bits: str
    """SOF to DLC, unstuffed."""
    crc: int
    """CRC of the frame if all its data were zero: a CRC is linear, so each byte adds its own part
    (bit by bit, without carry), whatever the others are."""
    columns: tuple[list[int], ...]
    """For each byte of data, what each of its values adds to the CRC."""
    length: int
    """Bits of the whole frame, counting only the stuff bits that fall inside the header."""
    table: Any
    """Where stuffing stands after the header: a table for the next byte, see below."""


_HEADERS: dict[tuple[int, bool, bool, int], Header] = {}


def _header(identifier: int, extended: bool, remote: bool, dlc: int) -> Header:
    _check(identifier, extended, dlc)
    extended, remote = bool(extended), bool(remote)
    size = 0 if remote else min(dlc, 8)
    if extended:
        address = f"{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}{remote:d}"
        content = f"0{address}00{dlc:04b}"
    else:
        address = f"{identifier:011b}{remote:d}0"
        content = f"0{address}0{dlc:04b}"
    sent = stuffed(content)
    head = Header(
        identifier,
        extended,
        remote,
        dlc,
        size,
        int(address.ljust(32, "0"), 2),
        content,
        crc_of_bits(content + "0" * 8 * size),
        tuple(CRC_COLUMNS[size - 1 - place] for place in range(size)),
        len(sent) + 8 * size + 15 + TAIL_BITS,
        STUFF[state_after(sent)],
    )
    if len(_HEADERS) >= _HEADERS_AT_MOST:
        _HEADERS.clear()
    _HEADERS[identifier, extended, remote, dlc] = head
    return head


def _check(identifier: int, extended: bool, dlc: int) -> None:
    if not isinstance(identifier, int) or isinstance(identifier, bool):
        raise ValueError(f"an identifier is a whole number, not {identifier!r}")
    limit = 0x1FFF_FFFF if extended else 0x7FF
    if not 0 <= identifier <= limit:
        kind = "an extended" if extended else "a base"
        raise ValueError(f"{kind} identifier is 0x0 to 0x{limit:X}, not {identifier:#x}")
    if not isinstance(dlc, int) or not 0 <= dlc <= 15:
        raise ValueError(f"a data length code is 0 to 15, not {dlc!r} (data holds up to 8 bytes)")


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
