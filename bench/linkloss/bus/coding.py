"""CRC and bit stuffing, bit by bit and as tables for whole bytes.

A state of stuffing is the last bit sent and how often in a row it was sent, 1 to 4: after the fifth
a stuff bit follows at once. Each state has a table: entry b (0..255) says for a whole byte b which
table comes next and how many stuff bits fell in; entry 256 | b says the same for seven bits, which
is what is left of the 15 bits of CRC after the first eight. Entry LAST + b is for a byte b behind
which this way of stuffing ends, as in CAN FD: no stuff bit follows its last bit.
"""

from __future__ import annotations

from typing import Any

CRC_POLYNOMIAL = 0x4599
"""x15+x14+x10+x8+x7+x4+x3+1 (Bosch CAN Specification 2.0, part A section 3.1.1)."""


LAST = 384
"""Where the entries begin for a byte behind which stuffing ends."""


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
    """The CRC register of so many bits, at first ``start``, after a string of bits."""
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
    """Entry [n][b]: the CRC of byte b with n zero bytes behind it, from a register of zero."""
    columns = [[crc_of_bits(f"{byte:08b}") for byte in range(256)]]
    for _ in range(7):
        columns.append([(crc << 8 & 0x7FFF) ^ columns[0][crc >> 7] for crc in columns[-1]])
    return columns


CRC_COLUMNS = _crc_columns()
STUFF = _stuff_tables()
