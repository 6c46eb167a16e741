"""The variables in an image's memory, by its debug information.

Names, types and addresses come from ``readelf`` (binutils), which writes DWARF out line by line. A
variable is split into its scalars: what one expression of C reads or writes as a whole.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from math import prod
from pathlib import Path

from linkloss.firmware.build import run_tool
from linkloss.firmware.elf import EEPROM, MEMORY

_ENTRY = re.compile(r"\s*<([0-9a-f]+)><([0-9a-f]+)>: Abbrev Number: \d+ \(DW_TAG_(\w+)\)")
_KEY = re.compile(r"\s*<[0-9a-f]+>\s+DW_AT_(\w+)\s*: (.*)")
_PLACE = re.compile(r"\(DW_OP_addr: ([0-9a-f]+)\)")
_ADDED = re.compile(r"\(DW_OP_plus_uconst: (\d+)\)")
_SAME_AS = ("const_type", "volatile_type", "typedef")
_SCALARS = ("base_type", "pointer_type", "reference_type", "enumeration_type")
_MOST = 4000
"""Scalars of one variable; the rest of a large table is left out."""


@dataclass(frozen=True, slots=True)
class Scalar:
    """A number or pointer in memory: its address there, its size in bytes, its name as in C."""

    address: int
    size: int
    name: str


@dataclass(slots=True)
class _Entry:
    tag: str
    keys: dict[str, str] = field(default_factory=dict)
    inner: list[_Entry] = field(default_factory=list)

    def link(self, key: str) -> int:
        """The place of the entry that this one refers to; -1 if it refers to none."""
        return int(self.keys.get(key, "<-1>").strip("<> \t"), 16)

    def number(self, key: str) -> int:
        """A number, which DWARF 2 may have as an addition to an address."""
        text = self.keys.get(key, "0")
        added = _ADDED.search(text)
        return int(added[1] if added else text.split()[0], 0)


def scalars_of(image: Path) -> list[Scalar]:
    """The scalars of all variables that have an address; none without debug information."""
    tool = shutil.which("readelf") or shutil.which("avr-readelf")
    if tool is None:
        return []
    entries = _entries(run_tool([tool, "--debug-dump=info", str(image)]).stdout)
    found: dict[int, Scalar] = {}
    for entry in entries.values():
        place = _PLACE.search(entry.keys.get("location", ""))
        if entry.tag != "variable" or place is None:
            continue
        address = int(place[1], 16)
        if not MEMORY <= address < EEPROM:
            continue
        said = entry
        while "type" not in said.keys and said.keys.keys() & {"specification", "abstract_origin"}:
            key = "specification" if "specification" in said.keys else "abstract_origin"
            said = entries[said.link(key)]
        parts = _scalars(entries, said.link("type"), address - MEMORY, _name(said))
        for _, scalar in zip(range(_MOST), parts, strict=False):
            found[scalar.address] = scalar
    return [found[address] for address in sorted(found)]


def _entries(text: str) -> dict[int, _Entry]:
    """All entries by their places."""
    made: dict[int, _Entry] = {}
    path: list[_Entry] = []
    for line in text.splitlines():
        begins = _ENTRY.match(line)
        if begins:
            entry = made[int(begins[2], 16)] = _Entry(begins[3])
            del path[int(begins[1], 16) :]
            if path:
                path[-1].inner.append(entry)
            path.append(entry)
            continue
        key = _KEY.match(line)
        if key and path:
            path[-1].keys[key[1]] = key[2]
    return made


def _name(entry: _Entry) -> str:
    return entry.keys.get("name", "").rpartition("): ")[2].strip()


def _scalars(entries: dict[int, _Entry], kind: int, address: int, name: str) -> Iterator[Scalar]:
    entry = _meant(entries, kind)
    if entry is None:
        return
    if entry.tag in _SCALARS:
        yield Scalar(address, entry.number("byte_size") or 2, name)
    elif entry.tag == "array_type":
        size = _size(entries, entry.link("type"))
        for at in range(_length(entry)):
            inner = f"{name}[{at}]"
            yield from _scalars(entries, entry.link("type"), address + at * size, inner)
    elif entry.tag in ("structure_type", "class_type"):
        for part in entry.inner:
            if "data_member_location" in part.keys and "bit_size" not in part.keys:
                at = address + part.number("data_member_location")
                inner = f"{name}.{_name(part)}" if _name(part) else name
                yield from _scalars(entries, part.link("type"), at, inner)


def _size(entries: dict[int, _Entry], kind: int) -> int:
    entry = _meant(entries, kind)
    if entry is None:
        return 1
    if entry.tag == "array_type":
        return _length(entry) * _size(entries, entry.link("type"))
    return entry.number("byte_size") or 2


def _length(array: _Entry) -> int:
    return prod(1 + each.number("upper_bound") for each in array.inner)


def _meant(entries: dict[int, _Entry], kind: int) -> _Entry | None:
    """The type that a const, a volatile or a typedef stands for."""
    entry = entries.get(kind)
    while entry is not None and entry.tag in _SAME_AS:
        entry = entries.get(entry.link("type"))
    return entry
