"""The bits of a frame: stuffing, CRC, and the headers of classical and CAN FD frames.

**CAN FD** has two ways of stuffing, two CRCs, and a part that runs faster:

    SOF  identifier  RRS IDE FDF res BRS | ESI DLC data | count CRC delimiter | ACK delimiter EOF
    '-------------- stuffed after five equal bits -----' '- fixed ----'
                     nominal bit rate    |       data bit rate, with BRS      | nominal

Up to the data a stuff bit follows five equal bits, as in classical frames. From there on stuff bits
have fixed places: one before the stuff count and one after every fourth bit of count and CRC, each
the complement of the bit before it. The first of them also replaces the one that five equal bits at
the end of the data would need, so the length does not depend on the CRC. The count is the number of
stuff bits up to the data modulo 8, in Gray code, with an even parity bit. The CRC has 17 bits for
up to 16 bytes of data and 21 for more; it covers all bits from SOF to the count, with the stuff
bits of the first kind and without those of the second.

Sources: ISO 11898-1:2015, 10.4.2.6 and 10.5 on fixed stuff bits and the count, as quoted in the
history of the Linux kernel (include/linux/can/length.h); the overhead of the fields there; CRC
polynomials from the catalogue of CRC RevEng; that the register starts at one followed by zeros, the
history of an open CAN FD controller core; what it covers, and the coding of the count, from memory
of ISO 11898-1:2015.

On a real bus the bit rate changes at the sample points of BRS and CRC delimiter; here it changes at
the end of these bits. Wherever the sample points are, the two bits together take one nominal and
one data bit time, so the duration of the frame is exact. An edge in between is early or late by
less than a nominal bit.

**Tables** work out stuffing and classical CRC byte by byte. A state of stuffing is the last bit
sent and how often in a row it was sent, 1 to 4: after the fifth a stuff bit follows at once. Each
state has a table. Its entry b (0..255) gives for a whole byte b the next table and how many stuff
bits it needs; entry 256 | b gives the same for seven bits, which is what is left of the 15 bits of
CRC after the first eight. Entry LAST + b is for a byte b after which this way of stuffing ends, as
in CAN FD: no stuff bit follows its last bit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

CRC_POLYNOMIAL = 0x4599
"""x15+x14+x10+x8+x7+x4+x3+1 (Bosch CAN Specification 2.0, part A section 3.1.1)."""


LAST = 384
"""Where the entries begin for a byte after which stuffing ends."""


def stuffed(content: str) -> str:
    """A bit string with a complementary bit after each five equal ones, stuff bits counted too."""
    out: list[str] = []
    run = 0
    for bit in content:
        run = run + 1 if out and out[-1] == bit else 1
        out.append(bit)
        if run == 5:
            out.append("0" if bit == "1" else "1")
            run = 1
    return "".join(out)


def crc_of_bits(
    content: str, width: int = 15, polynomial: int = CRC_POLYNOMIAL, start: int = 0
) -> int:
    """The CRC register, ``width`` bits wide and initially ``start``, after a string of bits."""
    crc, mask = start, (1 << width) - 1
    for bit in content:
        overflow = crc >> width - 1 ^ int(bit)
        crc = crc << 1 & mask
        if overflow:
            crc ^= polynomial
    return crc


def state_after(sent: str) -> int:
    """The number of the stuffing state in which a stuffed string of bits ends."""
    run = len(sent) - len(sent.rstrip(sent[-1]))
    return int(sent[-1]) << 2 | run - 1


def _step(state: int, value: int, width: int) -> tuple[int, int]:
    last, run = state >> 2, (state & 3) + 1
    added = 0
    for shift in range(width - 1, -1, -1):
        bit = value >> shift & 1
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            added += 1
            last, run = 1 - bit, 1
    return last << 2 | run - 1, added


def _stuff_tables() -> list[list[Any]]:
    tables: list[list[Any]] = [[] for _ in range(8)]
    for state, table in enumerate(tables):
        for value, width in [(b, 8) for b in range(256)] + [(b, 7) for b in range(128)]:
            after, added = _step(state, value, width)
            table.append((tables[after], added))
        for value in range(256):
            after, added = _step(state, value, 8)
            table.append((tables[after], added - (after >> 2 != value & 1)))
    return tables


def _crc_columns() -> list[list[int]]:
    """Entry [n][b]: the CRC of byte b followed by n zero bytes, from a register of zero."""
    columns = [[crc_of_bits(f"{byte:08b}") for byte in range(256)]]
    for _ in range(7):
        columns.append([(crc << 8 & 0x7FFF) ^ columns[0][crc >> 7] for crc in columns[-1]])
    return columns


CRC_COLUMNS = _crc_columns()
STUFF = _stuff_tables()


TAIL_BITS = 10
"""CRC delimiter, ACK slot, ACK delimiter and seven bits of end of frame: never stuffed."""

HEADERS_AT_MOST = 1 << 16


@dataclass(frozen=True, slots=True)
class Header:
    """Identifier, flags and DLC of a frame with all that its bits owe to them: worked out once for
    each.
    """

    identifier: int
    extended: bool
    remote: bool
    dlc: int
    size: int
    """Bytes of data in the frame."""
    fd: bool
    """Whether the frame is a CAN FD frame."""
    word: int
    bits: str
    """SOF to DLC, unstuffed."""
    crc: int
    """CRC of the frame if all its data were zero. A CRC is linear: each byte adds its own part
    (XOR), whatever the others are.
    """
    columns: tuple[list[int], ...]
    """For each byte of data, what each of its values adds to the CRC."""
    length: int
    """Bits of the whole frame, counting only the stuff bits inside the header."""
    table: Any
    """The stuffing state after the header: the table for the next byte."""


HEADERS: dict[tuple[int, bool, bool, int], Header] = {}


def header_of(identifier: int, extended: bool, remote: bool, dlc: int) -> Header:
    check_identifier(identifier, extended)
    if not isinstance(dlc, int) or not 0 <= dlc <= 15:
        raise ValueError(f"a data length code is 0 to 15, not {dlc!r} (data holds up to 8 bytes)")
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
        False,
        int(address.ljust(32, "0"), 2),
        content,
        crc_of_bits(content + "0" * 8 * size),
        tuple(CRC_COLUMNS[size - 1 - place] for place in range(size)),
        len(sent) + 8 * size + 15 + TAIL_BITS,
        STUFF[state_after(sent)],
    )
    if len(HEADERS) >= HEADERS_AT_MOST:
        HEADERS.clear()
    HEADERS[identifier, extended, remote, dlc] = head
    return head


def check_identifier(identifier: int, extended: bool) -> None:
    """:raises ValueError: if it is not an identifier of its format."""
    if not isinstance(identifier, int) or isinstance(identifier, bool):
        raise ValueError(f"an identifier is a whole number, not {identifier!r}")
    limit = 0x1FFF_FFFF if extended else 0x7FF
    if not 0 <= identifier <= limit:
        kind = "an extended" if extended else "a base"
        raise ValueError(f"{kind} identifier is 0x0 to 0x{limit:X}, not {identifier:#x}")


LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)
"""Bytes of data by data length code."""

SLOW_TAIL_BITS = 9
"""ACK slot, ACK delimiter and seven bits of end of frame."""


def most_fd_bits(size: int) -> int:
    """The most bits that a CAN FD frame with up to ``size`` bytes has, the 3 bits of intermission
    included: extended, with a stuff bit after the first five bits and after every fourth one from
    there, but none after the last.
    """
    return 41 + 8 * size + (41 + 8 * size - 2) // 4 + 33 + SLOW_TAIL_BITS + 3


LONGEST_BITS = most_fd_bits(64)
"""No CAN FD frame has more bits."""

CRC17_POLYNOMIAL, CRC21_POLYNOMIAL = 0x1685B, 0x102899
_CRC17_MOST_BYTES = 16
_COUNT_BITS = 4


@dataclass(frozen=True, slots=True)
class FdHeader(Header):
    """A header of CAN FD. ``length`` is that of the whole frame, counting only the stuff bits
    inside the header; ``crc`` and ``columns`` are not used.
    """

    bit_rate_switch: bool
    error_state_indicator: bool
    slow_bits: int
    """How many bits run at the nominal rate before the faster part begins."""


_HEADERS: dict[tuple[int, bool, int, bool, bool], FdHeader] = {}


def fd_header(
    identifier: int, extended: bool, size: int, bit_rate_switch: bool, error_state_indicator: bool
) -> FdHeader:
    """The header of a CAN FD frame with ``size`` bytes of data, worked out once for each.

    :raises ValueError: if the identifier is invalid, or a data field cannot have that many bytes.
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
    """A number of stuff bits modulo 8 in Gray code, and an even parity bit."""
    number = stuff_bits & 7
    gray = number ^ number >> 1
    return f"{gray:03b}{gray.bit_count() & 1:d}"


def crc_sequence(covered: str, size: int) -> str:
    """The CRC of a frame with ``size`` bytes of data, over the bits that it covers."""
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
