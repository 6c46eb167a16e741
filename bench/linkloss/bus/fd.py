"""The bits of a CAN FD frame: two ways of stuffing, two CRCs, and the part that goes faster.

    SOF  identifier  RRS IDE FDF res BRS | ESI DLC data | count CRC delimiter | ACK delimiter EOF
    '-------------- stuffed after five equal bits -----' '- fixed ----'
                     nominal bit rate    |       data bit rate, with BRS      | nominal

Up to the data a stuff bit follows five equal bits, as in classical frames. From there on stuff bits
have fixed places: one before the stuff count and one behind every fourth bit of count and CRC, each
the complement of the bit before it; the first of them also stands for the one that five equal bits
at the end of the data would ask for. So the length does not depend on the CRC. The count is the
number of the stuff bits up to the data modulo 8, in Gray code, with a bit of even parity. The CRC
has 17 bits for up to 16 bytes of data and 21 for more; it covers all bits from SOF to the count,
stuff bits of the first kind included, those of the second left out.

Sources: ISO 11898-1:2015, 10.4.2.6 and 10.5 on fixed stuff bits and the count, as quoted in the
history of the Linux kernel (include/linux/can/length.h); the overhead of the fields there; CRC
polynomials from the catalogue of CRC RevEng; that the register starts at one followed by zeros, the
history of an open CAN FD controller core; what it covers, and the coding of the count, from memory
of ISO 11898-1:2015.

The bit rate changes inside the bits BRS and CRC delimiter, at their sample points. Here it changes
at the end of BRS and at the end of the CRC delimiter. With both sample points as they may be, the
two bits together take one nominal and one data bit time in either case, so the length of the frame
in time is exact; an edge in between is early or late by less than a nominal bit.
"""

from __future__ import annotations

from dataclasses import dataclass

from linkloss.bus.coding import LAST, STUFF, crc_of_bits, state_after, stuffed
from linkloss.bus.header import HEADERS_AT_MOST, Header, check_identifier

LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)
"""Bytes of data by data length code."""

SLOW_TAIL_BITS = 9
"""ACK slot, ACK delimiter and seven bits of end of frame."""

LONGEST_BITS = 41 + 8 * 64 + (41 + 8 * 64 - 2) // 4 + 33 + SLOW_TAIL_BITS + 3
"""No CAN FD frame has more bits, the 3 bits of intermission included: extended, 64 bytes, with a
stuff bit behind the first five bits and every fourth one from there, but none behind the last.
"""

CRC17_POLYNOMIAL, CRC21_POLYNOMIAL = 0x1685B, 0x102899
_CRC17_MOST_BYTES = 16
_COUNT_BITS = 4


@dataclass(frozen=True, slots=True)
class FdHeader(Header):
    """A header of CAN FD. ``length`` is that of the whole frame, counting only the stuff bits that
    fall inside the header; ``crc`` and ``columns`` are not used.
    """

    bit_rate_switch: bool
    error_state_indicator: bool
    slow_bits: int
    """How many bits go at the nominal rate before the faster part begins."""


_HEADERS: dict[tuple[int, bool, int, bool, bool], FdHeader] = {}


def fd_header(
    identifier: int, extended: bool, size: int, bit_rate_switch: bool, error_state_indicator: bool
) -> FdHeader:
    """What the bits of a frame owe to its fields without the data, worked out once for each.

    :raises ValueError: if the identifier is none, or a data field cannot have that many bytes.
    """
    head = _HEADERS.get((identifier, extended, size, bit_rate_switch, error_state_indicator))
    if head is None:
        if len(_HEADERS) >= HEADERS_AT_MOST:
            _HEADERS.clear()
        head = _new_header(identifier, extended, size, bit_rate_switch, error_state_indicator)
        _HEADERS[identifier, extended, size, bit_rate_switch, error_state_indicator] = head
    return head


def _new_header(
    identifier: int, extended: bool, size: int, bit_rate_switch: bool, error_state_indicator: bool
) -> FdHeader:
    check_identifier(identifier, extended)
    dlc = _dlc_of(size)
    if extended:
        address = f"{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}0"
    else:
        address = f"{identifier:011b}00"
    slow = f"0{address}10{bool(bit_rate_switch):d}"
    content = f"{slow}{bool(error_state_indicator):d}{dlc:04b}"
    sent = _stuffed_inside(content) if size == 0 else stuffed(content)
    return FdHeader(
        identifier=identifier,
        extended=bool(extended),
        remote=False,
        dlc=dlc,
        size=size,
        fd=True,
        word=int(address.ljust(32, "0"), 2),
        bits=content,
        crc=0,
        columns=(),
        length=len(sent) + 8 * size + _crc_field_bits(size) + SLOW_TAIL_BITS,
        table=STUFF[state_after(stuffed(content))],
        bit_rate_switch=bool(bit_rate_switch),
        error_state_indicator=bool(error_state_indicator),
        slow_bits=len(_stuffed_inside(slow)),
    )


def fd_length_bits(head: Header, data: bytes) -> int:
    """How many bits a frame takes on the bus, SOF to end of frame, stuff bits included."""
    length = head.length
    if data:
        table = head.table
        for byte in data[:-1]:
            table, added = table[byte]
            length += added
        length += table[LAST + data[-1]][1]
    return length


def fd_bits(head: Header, data: bytes) -> str:
    """The whole frame as the bus shows it: SOF to end of frame, acknowledged."""
    content = head.bits + "".join(f"{byte:08b}" for byte in data)
    sent = _stuffed_inside(content)
    count = stuff_count(len(sent) - len(content))
    crc = crc_sequence(sent + count, head.size)
    return sent + _with_fixed_stuff(sent[-1], count + crc) + "1" + "0" + "1" + "1" * 7


def stuff_count(stuff_bits: int) -> str:
    """A number of stuff bits modulo 8 in Gray code, and a bit that makes the ones even."""
    number = stuff_bits & 7
    gray = number ^ number >> 1
    return f"{gray:03b}{gray.bit_count() & 1:d}"


def crc_sequence(covered: str, size: int) -> str:
    """The CRC of a frame with so many bytes of data, over the bits that it covers."""
    if size <= _CRC17_MOST_BYTES:
        return f"{crc_of_bits(covered, 17, CRC17_POLYNOMIAL, 1 << 16):017b}"
    return f"{crc_of_bits(covered, 21, CRC21_POLYNOMIAL, 1 << 20):021b}"


def _crc_field_bits(size: int) -> int:
    """Count, CRC, their fixed stuff bits, and the delimiter."""
    bits = _COUNT_BITS + (17 if size <= _CRC17_MOST_BYTES else 21)
    return bits + 1 + bits // 4 + 1


def _stuffed_inside(content: str) -> str:
    """Stuffed, without the stuff bit that might follow the last bit."""
    return stuffed(content[:-1]) + content[-1]


def _with_fixed_stuff(before: str, content: str) -> str:
    out = before
    for place in range(0, len(content), 4):
        out += "1" if out[-1] == "0" else "0"
        out += content[place : place + 4]
    return out[1:]


def _dlc_of(size: int) -> int:
    if size not in LENGTHS:
        listed = ", ".join(str(length) for length in LENGTHS[9:])
        raise ValueError(f"a CAN FD frame holds 0 to 8 bytes or {listed}, not {size}")
    return LENGTHS.index(size)
