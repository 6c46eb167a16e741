"""What a classical frame's bits owe to its identifier, flags and DLC: worked out once for each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from linkloss.bus.coding import CRC_COLUMNS, STUFF, crc_of_bits, state_after, stuffed

TAIL_BITS = 10
"""CRC delimiter, ACK slot, ACK delimiter and seven bits of end of frame: never stuffed."""

HEADERS_AT_MOST = 1 << 16


@dataclass(frozen=True, slots=True)
class Header:
    """All that a frame's length owes to its identifier, flags and DLC: worked out once for each."""

    identifier: int
    extended: bool
    remote: bool
    dlc: int
    size: int
    """Bytes of data that go with it."""
    fd: bool
    """Whether it is one of CAN FD."""
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
    """:raises ValueError: if it is no identifier of its format."""
    if not isinstance(identifier, int) or isinstance(identifier, bool):
        raise ValueError(f"an identifier is a whole number, not {identifier!r}")
    limit = 0x1FFF_FFFF if extended else 0x7FF
    if not 0 <= identifier <= limit:
        kind = "an extended" if extended else "a base"
        raise ValueError(f"{kind} identifier is 0x0 to 0x{limit:X}, not {identifier:#x}")
