"""Measurement files (.mf4) with logged frames, read by asammdf, also where they break off.

A file is a tree of blocks that point at each other by place:

    header -> data group -> channel group -> channels     what a record is, and how many there are
                         -> data, or a list of data       the records

asammdf reads no file of which a block of data is not whole. So of a file that breaks off inside its
data a copy is made in which that block ends where the file does, and the records are counted anew.
Records that cannot be read are counted against the numbers in the file. A file that breaks off
before the part that says what a record is cannot be read: writers that put this part last lose
everything with it.

Source: the ASAM MDF standard 4.1, blocks HD, DG, CG, CN, DL, HL, DT, DZ, SD, from memory, held
against asammdf, which writes the files of the tests.
"""

from __future__ import annotations

import gc
import heapq
import logging
import struct
import sys
import tempfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from io import StringIO
from math import isfinite
from operator import itemgetter
from pathlib import Path
from shutil import copyfileobj
from typing import Any, BinaryIO, NamedTuple
from warnings import catch_warnings, simplefilter

import can

from linkloss.bus.bits import LENGTHS
from linkloss.bus.frame import FdFrame, Frame
from linkloss.bus.message import Ready

RECORDS_AT_ONCE = 1000
_HEAD = struct.Struct("<4s4xQQ")
_FIRST_BLOCK = 64
_DATA = {b"##DT", b"##SD", b"##DV", b"##DZ"}
_CHAINED = {b"##DG", b"##CG", b"##CN", b"##DL", b"##AT", b"##FH", b"##EV", b"##CH"}
"""Blocks whose first link is to the next one of their kind."""
_DATA_LINKS = {b"##DG": range(2, 3), b"##CN": range(5, 6), b"##DL": range(1, 1 << 32)}
"""The links that are to data, by the kind of block."""
_BUS_EVENT = 0x2
_COUNT_ANEW = 0x1
"""The flag of a file whose numbers of records are to be counted."""
_FLAGS_AT, _RECORDS_AT = 60, 80
"""Where the flags of the file are, and in a channel group its number of records."""
_FRAMES = ("CAN_DataFrame", "CAN_RemoteFrame", "CAN_ErrorFrame")
_EXTENDED = 0x8000_0000

Entry = Ready | can.Message | str


class Block(NamedTuple):
    """A block of a file: what it is, its length in bytes, and the places that it points at."""

    kind: bytes
    length: int
    links: tuple[int, ...]


class Measurement:
    """The frames of a file. ``announced`` is how many there are by its own account, ``lost`` how
    many of these could not be read (the first after frame ``first_lost``), ``broken_off`` says
    where the file ends too soon, if it does.

    Raises ValueError, or whatever asammdf raises, for a file that cannot be read at all.
    """

    def __init__(self, path: Path) -> None:
        self.announced = 0
        self.lost = 0
        self.first_lost = 0
        self.broken_off = ""
        with path.open("rb") as file:
            self._blocks = _tree(file)
            size = file.seek(0, 2)
            torn = {
                at for at in _data_places(self._blocks) if _torn(self._blocks.get(at), at, size)
            }
            self._source: Any = path
            if torn:
                self.broken_off = f"it breaks off at byte {size:,}, inside its records"
                self._source = _mended(file, self._blocks, torn)
            self._records = {at: _records_at(file, at) for at in self._blocks if self._is_group(at)}
        with _silent():
            self._file = _opened(self._source)
            start = self._file.header.start_time.timestamp()
        self._given = 0
        self._start_ns = round(start * 1e6) * 1000

    def _is_group(self, at: int) -> bool:
        return self._blocks[at].kind == b"##CG"

    def entries(self) -> Iterator[Entry]:
        """The frames of all groups in the order of their times, a message for an error frame, the
        reason for a record that is no frame.
        """
        groups = []
        for number, group in enumerate(self._file.groups):
            names = {str(channel.name) for channel in group.channels}
            name = next((name for name in _FRAMES if name in names), None)
            if name is not None and group.channel_group.flags & _BUS_EVENT:
                there = group.channel_group.cycles_nr
                announced = self._records.get(group.channel_group.address, 0)
                self.announced += announced
                self.lost += max(0, announced - there)
                groups.append(self._group(number, name, there))
        for _, entry in heapq.merge(*groups, key=itemgetter(0)):
            self._given += not isinstance(entry, str)
            yield entry

    def close(self) -> None:
        """Give back what the library holds."""
        with _silent():
            self._file.close()
            if not isinstance(self._source, Path):
                self._source.close()

    def _group(self, number: int, name: str, count: int) -> Iterator[tuple[int, Entry]]:
        place = 0
        while place < count:
            wanted = min(RECORDS_AT_ONCE, count - place)
            signal = self._read(number, name, place, wanted)
            if signal is None:
                some = self._prefix(number, name, place, wanted)
                signal = self._read(number, name, place, some) if some else None
            found = 0 if signal is None else len(signal.samples)
            if signal is not None:
                yield from self._of(signal, name)
            if found < wanted:
                self.first_lost = self.first_lost or self._given
                self.lost += wanted - found
            place += wanted

    def _prefix(self, number: int, name: str, place: int, wanted: int) -> int:
        """How many records from a place on can be read, where not all can."""
        good, bad = 0, wanted
        if self._read(number, name, place, 1) is None:
            return 0
        while bad - good > 1:
            middle = (good + bad) // 2
            if self._read(number, name, place, middle) is None:
                bad = middle
            else:
                good = middle
        return good

    def _read(self, number: int, name: str, place: int, count: int) -> Any:
        """Records as asammdf hands them out; None where it cannot."""
        with _silent():
            try:
                signal = self._file.get(name, group=number, record_offset=place, record_count=count)
            except Exception:  # noqa: BLE001 - the library raises whatever it runs into
                return None
        return signal if signal.samples.dtype.names else None

    def _of(self, signal: Any, name: str) -> Iterator[tuple[int, Entry]]:
        """The frames of records that were read together."""
        rows = zip(*_columns(signal.samples, name), strict=True)
        for seconds, row in zip(signal.timestamps.tolist(), rows, strict=True):
            if not isfinite(seconds):
                yield self._start_ns, f"a frame at {seconds} s"
                continue
            at_ns = self._start_ns + round(seconds * 1e9)
            channel = str(row[0])
            if name == "CAN_ErrorFrame":
                yield at_ns, can.Message(timestamp=seconds, channel=channel, is_error_frame=True)
                continue
            try:
                frame = _frame(row, remote=name == "CAN_RemoteFrame")
                yield at_ns, (at_ns, frame, channel)
            except (ValueError, TypeError, IndexError) as error:
                yield at_ns, str(error)


_FIELDS = {
    "BusChannel": "",
    "ID": 0,
    "IDE": -1,
    "DLC": 0,
    "DataLength": -1,
    "EDL": 0,
    "BRS": 0,
    "ESI": 0,
}
"""What is read of a record beside its data, and what stands for one that it lacks."""


def _columns(samples: Any, name: str) -> list[list[Any]]:
    """The fields of records in their order, and the data of each."""
    there = {field.removeprefix(f"{name}."): field for field in samples.dtype.names}
    columns = [
        samples[there[field]].tolist() if field in there else [missing] * len(samples)
        for field, missing in _FIELDS.items()
    ]
    data = [b""] * len(samples)
    if "DataBytes" in there:
        column = samples[there["DataBytes"]]
        data = [row.tobytes() if hasattr(row, "tobytes") else bytes(row) for row in column]
    return [*columns, data]


def _frame(row: tuple[Any, ...], *, remote: bool) -> Frame:
    """Raises ValueError, TypeError or IndexError for a record that is no frame."""
    _, word, wide, code, length, fd, switch, passive, content = row
    extended = bool(wide) if wide != -1 else bool(word & _EXTENDED) or word > 0x7FF
    identifier = word & 0x1FFF_FFFF
    if remote:
        return Frame(identifier, b"", extended, True, code)
    if length < 0:
        length = LENGTHS[code] if fd else min(code, 8)
    data = content[:length]
    if len(data) < length:
        raise ValueError(f"a frame of {length} bytes, of which {len(data)} are there")
    if fd:
        return FdFrame(identifier, data, extended, False, None, bool(switch), bool(passive))
    return Frame(identifier, data, extended, False, code if length == 8 < code else None)


# ---- the blocks


def _tree(file: BinaryIO) -> dict[int, Block]:
    """All blocks that can be reached, by their places. Raises ValueError for a file in which a
    block that is no data is not whole, or whose chains go round.
    """
    size = file.seek(0, 2)
    file.seek(0)
    if file.read(8) not in (b"MDF     ", b"UnFinMF "):
        raise ValueError("it does not begin like a measurement file")
    found: dict[int, Block] = {}
    ahead = [(_FIRST_BLOCK, False)]
    while ahead:
        at, is_data = ahead.pop()
        if not at or at in found:
            continue
        file.seek(at)
        head = file.read(_HEAD.size)
        whole = len(head) == _HEAD.size
        kind, length, count = _HEAD.unpack(head) if whole else (b"", 0, 0)
        if whole and kind[:2] != b"##":
            if is_data or at == _FIRST_BLOCK:
                raise ValueError(f"its block at byte {at:,} is damaged")
            continue
        if (not whole or at + length > size) and not is_data and kind not in _DATA:
            text = f"it breaks off at byte {size:,}, before the part that says what its records are"
            raise ValueError(text)
        if not whole:
            continue
        if length < _HEAD.size + 8 * count and not (kind in _DATA and not count):
            raise ValueError(f"its block at byte {at:,} is damaged")
        links = struct.unpack(f"<{count}Q", file.read(8 * count))
        found[at] = Block(kind, length, links)
        data_links = _DATA_LINKS.get(kind, range(0))
        ahead += [(link, place in data_links) for place, link in enumerate(links)]
    _ensure_no_circle(found)
    return found


def _ensure_no_circle(blocks: dict[int, Block]) -> None:
    ended: set[int] = set()
    for start in blocks:
        chain: set[int] = set()
        at = start
        while at in blocks and at not in ended and blocks[at].kind in _CHAINED:
            if at in chain:
                raise ValueError(f"its blocks point in a circle at byte {at:,}")
            chain.add(at)
            at = blocks[at].links[0] if blocks[at].links else 0
        ended |= chain


def _data_places(blocks: dict[int, Block]) -> Iterator[int]:
    """Where data are, or should be."""
    for block in blocks.values():
        for place in _DATA_LINKS.get(block.kind, ()):
            if place >= len(block.links):
                break
            if block.links[place]:
                yield block.links[place]


def _torn(block: Block | None, at: int, size: int) -> bool:
    """Whether a block of data is not whole, or not there."""
    return block is None or (block.kind in _DATA and at + block.length > size)


def _records_at(file: BinaryIO, group: int) -> int:
    file.seek(group + _RECORDS_AT)
    return int.from_bytes(file.read(8), "little")


def _mended(file: BinaryIO, blocks: dict[int, Block], torn: set[int]) -> BinaryIO:
    """A copy in which the blocks of data hold what is there of them."""
    copy = tempfile.TemporaryFile()  # noqa: SIM115 - whoever reads it closes it
    file.seek(0)
    copyfileobj(file, copy)
    moved = {}
    for at in sorted(torn):
        kind, content = b"##DT", b""
        if at in blocks:
            file.seek(at)
            kind, content = _rest(blocks[at].kind, file.read()[: blocks[at].length])
        copy.seek(0, 2)
        copy.write(bytes(-copy.tell() % 8))
        moved[at] = copy.tell()
        copy.write(_HEAD.pack(kind, _HEAD.size + len(content), 0) + content)
    for at, block in blocks.items():
        for place, link in enumerate(block.links):
            if link in moved:
                copy.seek(at + _HEAD.size + 8 * place)
                copy.write(moved[link].to_bytes(8, "little"))
    copy.seek(_FLAGS_AT)
    flags = int.from_bytes(copy.read(2), "little") | _COUNT_ANEW
    copy.seek(_FLAGS_AT)
    copy.write(flags.to_bytes(2, "little"))
    copy.seek(0)
    return copy


def _rest(kind: bytes, block: bytes) -> tuple[bytes, bytes]:
    """What is there of a block of data, unpacked: its kind and content."""
    if kind != b"##DZ":
        return kind, block[_HEAD.size :]
    if len(block) < 48:
        return b"##DT", b""
    inner, method, columns, whole = struct.unpack_from("<2sBxIQ", block, _HEAD.size)
    content = zlib.decompressobj().decompress(block[48:], whole)
    if method == 1:  # transposed: all first bytes, then all second bytes, ...
        rows = whole // columns if columns else 0
        complete = max(0, len(content) - (columns - 1) * rows) if len(content) < whole else rows
        content = b"".join(content[row : columns * rows : rows] for row in range(complete))
    return b"##" + inner, content


# ---- the library


def _opened(source: Any) -> Any:
    from asammdf import MDF  # takes longer to load than most logs take to be read

    options: dict[str, Any] = {"process_bus_logging": False}
    try:
        return MDF(source, **options)
    except Exception as error:  # noqa: BLE001 - the library raises whatever it runs into
        text = str(error) or type(error).__name__
    gc.collect()  # while nobody hears what the library says when it closes what it did not open
    raise ValueError(text)


@contextmanager
def _silent() -> Iterator[None]:
    """Keep what a library prints, logs and warns of to itself."""
    logger = logging.getLogger("asammdf")
    before = logger.level, sys.unraisablehook
    logger.setLevel(logging.CRITICAL + 1)
    sys.unraisablehook = lambda _: None
    try:
        with redirect_stdout(StringIO()), redirect_stderr(StringIO()), catch_warnings():
            simplefilter("ignore")
            yield
    finally:
        logger.setLevel(before[0])
        sys.unraisablehook = before[1]
