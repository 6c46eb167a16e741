"""What an image holds: the contents of flash and EEPROM, and the addresses of its symbols.

An ELF file of the AVR tools has flash from address 0 on, memory from 0x800000 and EEPROM from
0x810000 (avr-libc, "memory sections"). A hex file (Intel HEX) has flash alone, and no symbols.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

MEMORY, EEPROM, FUSES = 0x800000, 0x810000, 0x820000
_AVR = 83
_LOADED, _SYMBOLS = 1, 2
_ERASED = 0xFF


class _Kind(NamedTuple):
    """Calls and jumps of one reach."""

    mask: int
    call: int
    jump: int


_NEAR, _FAR = _Kind(0xF000, 0xD000, 0xC000), _Kind(0xFE0E, 0x940E, 0x940C)
"""RCALL and RJMP, CALL and JMP (instruction set manual)."""
_AROUND = 0x40000
"""Bytes of the largest flash."""
_NO_SECTION, _RESERVED = 0, 0xFF00


class ImageError(Exception):
    """A file that holds no image; the text is for the user."""


@dataclass(frozen=True, slots=True)
class Contents:
    """``symbols`` are by name, with their addresses as the ELF file has them; ``functions`` has
    where functions begin in flash, in order.
    """

    flash: bytes
    eeprom: bytes = b""
    symbols: Mapping[str, int] = field(default_factory=dict)
    functions: tuple[int, ...] = ()

    def memory(self, name: str) -> int:
        """The address of a variable in memory; 0 if there is none of that name."""
        return max(0, self.symbols.get(name, MEMORY) - MEMORY)

    def function_of(self, address: int) -> int:
        """Where the function begins that has the instruction at an address; -1: not known."""
        place = bisect_right(self.functions, address)
        return self.functions[place - 1] if place else -1

    def calls(self, address: int, function: int) -> bool:
        """Whether the call that ends behind the word at an address may have led into a function: it
        calls it, or one that goes on there by a jump, or whatever a pointer says.
        """
        targets = (self._leads_to(address, _NEAR), self._leads_to(address - 2, _FAR))
        called = [target for target, jumps in targets if target >= 0 and not jumps]
        return not called or any(self._comes_to(target, function) for target in called)

    def _comes_to(self, target: int, function: int) -> bool:
        end = self.functions[bisect_right(self.functions, target) :][:1] or (len(self.flash),)
        within = range(target, end[0], 2)
        jumps = {self._leads_to(at, kind) for at in within for kind in (_NEAR, _FAR)}
        return target == function or (function, True) in jumps

    def _leads_to(self, at: int, kind: _Kind) -> tuple[int, bool]:
        """Where a call or a jump leads to, and whether it is a jump; -1 for another instruction."""
        first, second = (
            int.from_bytes(self.flash[each : each + 2], "little") for each in (at, at + 2)
        )
        jumps = first & kind.mask == kind.jump
        if not jumps and first & kind.mask != kind.call:
            return -1, False
        if kind is _NEAR:
            return (at + 2 + 2 * ((first & 0xFFF ^ 0x800) - 0x800)) % _AROUND, jumps
        return 2 * ((first & 0x1F0) << 13 | (first & 1) << 16 | second), jumps


def read_image(path: Path) -> Contents:
    """The contents of an image file. Raises ImageError."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise ImageError(f"'{path}' cannot be read: {error.strerror}") from None
    if data[:4] == b"\x7fELF":
        return _elf(path, data)
    if data[:1] == b":":
        return _hex(path, data)
    text = f"'{path}' is no image; expected an ELF file of avr-gcc or a hex file (Intel HEX)"
    raise ImageError(text)


def _elf(path: Path, data: bytes) -> Contents:
    try:
        machine = struct.unpack_from("<H", data, 18)[0]
        if data[4] != 1 or machine != _AVR:
            text = f"'{path}' is an ELF file for another processor; expected one for 8-bit AVR"
            raise ImageError(text)
        parts = list(_segments(data))
        found = list(_symbols(data))
    except (struct.error, IndexError, UnicodeDecodeError):
        raise ImageError(f"'{path}' is a damaged ELF file") from None
    flash = _laid_out([(at, part) for at, part in parts if at < MEMORY])
    eeprom = _laid_out([(at - EEPROM, part) for at, part in parts if EEPROM <= at < FUSES])
    if not flash:
        raise ImageError(f"'{path}' holds nothing for the flash memory")
    symbols = {name: value for name, value, _ in found}
    begins = {value for _, value, section in found if _NO_SECTION < section < _RESERVED}
    functions = sorted(value for value in begins if value < len(flash))
    return Contents(flash, eeprom, symbols, tuple(functions))


def _segments(data: bytes) -> Iterator[tuple[int, bytes]]:
    """What is loaded: (physical address, bytes)."""
    begin = struct.unpack_from("<I", data, 28)[0]
    size, count = struct.unpack_from("<HH", data, 42)
    for number in range(count):
        kind, at, _, to, length = struct.unpack_from("<5I", data, begin + number * size)
        if kind == _LOADED and length:
            yield to, data[at : at + length]


def _symbols(data: bytes) -> Iterator[tuple[str, int, int]]:
    """(name, value, section) of each."""
    begin = struct.unpack_from("<I", data, 32)[0]
    size, count = struct.unpack_from("<HH", data, 46)
    sections = [struct.unpack_from("<10I", data, begin + n * size) for n in range(count)]
    for section in sections:
        if section[1] != _SYMBOLS:
            continue
        names = sections[section[6]]
        for at in range(section[4], section[4] + section[5], 16):
            name_at, value = struct.unpack_from("<II", data, at)
            start = names[4] + name_at
            section_of = struct.unpack_from("<H", data, at + 14)[0]
            yield data[start : data.index(b"\0", start)].decode(), value, section_of


def _laid_out(parts: list[tuple[int, bytes]]) -> bytes:
    made = bytearray()
    for at, part in parts:
        made += bytes([_ERASED]) * (at + len(part) - len(made))
        made[at : at + len(part)] = part
    return bytes(made)


_DATA, _END, _SEGMENT, _LINEAR = 0, 1, 2, 4


def _hex(path: Path, data: bytes) -> Contents:
    parts: list[tuple[int, bytes]] = []
    upper = 0
    for number, line in enumerate(data.decode(errors="replace").split(), 1):
        try:
            record = bytes.fromhex(line[1:])
        except ValueError:
            record = b""
        if not line.startswith(":") or len(record) < 5 or sum(record) & 0xFF:
            raise ImageError(f"'{path}' line {number} is no record of a hex file")
        address, kind, content = int.from_bytes(record[1:3]), record[3], record[4:-1]
        if kind == _DATA:
            parts.append((upper + address, content))
        elif kind in (_SEGMENT, _LINEAR):
            upper = int.from_bytes(content) << (4 if kind == _SEGMENT else 16)
    if not parts:
        raise ImageError(f"'{path}' holds nothing for the flash memory")
    return Contents(_laid_out(parts))
