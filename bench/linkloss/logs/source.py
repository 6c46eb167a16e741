"""A log file as a stream of messages, with an account of everything in it that cannot be read.

The readers are python-can's, asammdf's for .mf4, and those of the files beside this one. This file
adds what real files need: a line or packet that cannot be read is skipped and counted, a file that
breaks off ends there and a note says so, and nothing ends in a traceback. A file without a single
readable frame is bad input.

All formats but .mf4 are read in memory that does not grow with them; asammdf looks at all of a file
first. Lines, files, and the unpacked size of a packed file have limits.
"""

from __future__ import annotations

import gzip
import io
import logging
import os
import re
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from itertools import chain
from pathlib import Path
from typing import IO, Any, BinaryIO

import can

from linkloss.bus import message as textlog
from linkloss.bus.message import Ready
from linkloss.logs.columns import Columns
from linkloss.logs.mf4 import Measurement
from linkloss.logs.packets import packets
from linkloss.logs.printed import Printed, is_printed
from linkloss.problem import BadInput, nearest

LIBRARY_TABLE = "timestamp,arbitration_id,extended,remote,error,dlc,data"
"""The first line of a .csv that python-can wrote: its data are in base64."""

_FRAMELESS = re.compile(
    r"\s*(//|date\s|base\s|(no )?internal events|(begin|end) triggerblock|version\s|$"
    r"|[\d.]+\s+start of (run|measurement))",
    re.IGNORECASE,
).match
"""Matches the lines of an .asc that hold no frame and need not hold one."""

PACKABLE = (".log", ".csv", ".txt", ".asc", ".trc", ".blf", ".pcap", ".pcapng")
READABLE = (*PACKABLE, ".mf4", ".db", *(f"{suffix}.gz" for suffix in PACKABLE))
"""The extensions that are read."""

MOST_LINES_WITHOUT_A_FRAME = 1000
"""A text with this many unreadable lines at its beginning is not a log of this format."""
_BUFFER = 1 << 16
_HEAD_LINES, _HEAD_CHARACTERS = 1000, 1 << 20
"""So much of a text is looked at before it is read."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a log may be at most. ``line``: bytes of a line; the rest of a longer one is left out.
    ``file``: bytes of a file, unpacked. ``times``: how many times its size a packed file may
    unpack to, once that is more than ``unpacked`` bytes. ``part``: bytes of an object of a .blf,
    unpacked.
    """

    line: int = 1 << 16
    file: int = 1 << 36
    times: int = 200
    unpacked: int = 1 << 26
    part: int = 1 << 26


class LogFile:
    """A log on disk. ``frames`` counts the messages read so far, ``unreadable`` the lines or
    packets that were skipped, ``passed_over`` lines of an .asc that its reader ignores silently.
    ``broken_off`` says why the rest of the file could not be read, or is empty. ``no_end`` says
    that the last line of a text has no line end, ``timeless`` that the frames have no times; they
    are then all at instant 0.

    Raises BadInput for a file that is missing, empty, or of an unknown extension.
    """

    def __init__(self, path: str | Path, limits: Limits = Limits()) -> None:
        self.path = Path(path)
        self.limits = limits
        self.suffix = format_of(self.path, READABLE)
        self.frames = 0
        self.unreadable = 0
        self.first_unreadable = ""
        self.broken_off = ""
        self.passed_over = 0
        self.no_end = False
        self.timeless = False
        self.remarks: list[str] = []
        self._line = 0
        self._instead: str | None = None
        self._file_failed = ""
        _ensure_there(self.path)

    def entries(self) -> Iterator[Ready | can.Message]:
        """Everything in the file in order: a message, or for text logs an instant, frame and
        channel. Raises BadInput if there is nothing.
        """
        self.frames = self.unreadable = self.passed_over = self._line = 0
        self.no_end = self.timeless = False
        self.remarks = []
        self.first_unreadable = self.broken_off = self._file_failed = ""
        kind = self.suffix.removesuffix(".gz")
        with _counted_losses(self._lost_line):
            if kind in (".log", ".txt", ".csv", ".asc", ".trc"):
                file = self._bounded(lines=True)
                with io.TextIOWrapper(file, "utf-8", "replace") as text:  # type: ignore[type-var]
                    yield from self._text(kind, text)
                self.broken_off = self._file_failed
                if file.cut:
                    most = f"longer than {self.limits.line:,} bytes"
                    lines = many(file.cut, "line")
                    self.remarks.append(f"{lines} {most}: the rest of it left out")
            else:
                yield from self._binary(kind)
        if not self.frames:
            raise BadInput.one(self.path, "", self._nothing(kind))

    def notes(self) -> list[str]:
        """What could not be read, in sentences; empty if everything could be read."""
        notes = list(self.remarks)
        if self.unreadable:
            skipped = many(self.unreadable, f"unreadable {self._unit}")
            notes.append(f"{skipped} skipped, the first: {self.first_unreadable}")
        if self.passed_over:
            text = "held no frame (events of the bus, or damage)"
            notes.append(f"{many(self.passed_over, 'line')} {text}")
        if self.broken_off:
            notes.append(f"cannot be read after frame {self.frames:,}: {self.broken_off}")
        if self.no_end:
            notes.append("its last line has no line end; it may have been cut off")
        return notes

    @property
    def _unit(self) -> str:
        kind = self.suffix.removesuffix(".gz")
        return {".pcap": "packet", ".pcapng": "packet", ".mf4": "record"}.get(kind, "line")

    # ---- text, line by line

    def _text(self, kind: str, text: IO[str]) -> Iterator[Ready | can.Message]:
        """What reads a text: its extension says which, or what is in it."""
        if kind == ".asc":
            return self._by_library(_AscReader, text, _ASC_HEADER)
        if kind == ".trc":
            return self._by_library(can.TRCReader, text)
        head, lines = _head(text)
        if kind == ".csv" and next(iter(head), "").strip() == LIBRARY_TABLE:
            return self._by_library(can.CSVReader, lines)
        if kind == ".csv":
            table = Columns(self.path, head)
            self.remarks = table.notes
            return self._by_line(table.entries(self._lines(lines)))
        if _shows_frames(head):
            printed = Printed(head)
            self.remarks, self.timeless = printed.notes, printed.timeless
            return self._by_line(printed.entries(self._lines(lines)))
        return self._by_line(textlog.entries(self._lines(lines)))

    def _by_line(
        self, entries: Iterator[Ready | can.Message | Exception]
    ) -> Iterator[Ready | can.Message]:
        for entry in entries:
            if isinstance(entry, Exception):
                self._skipped(_words(entry))
                if not self.frames and self.unreadable >= MOST_LINES_WITHOUT_A_FRAME:
                    break
            else:
                self.frames += 1
                yield entry

    def _by_library(
        self, make: Callable[..., Any], lines: Iterable[str], instead: str = ""
    ) -> Iterator[can.Message]:
        """``instead`` takes the place of the header where the reader begins anew."""
        self._instead = None
        reader = make(self._fed(lines))
        messages = iter(reader)
        while True:
            try:
                message = next(messages)
            except StopIteration:
                break
            except Exception as error:  # noqa: BLE001 - readers raise whatever they run into
                if self._file_failed:
                    break
                self._skipped(_words(error))
                if not self.frames and self.unreadable >= MOST_LINES_WITHOUT_A_FRAME:
                    break
                self._instead = instead
                messages = iter(reader)
            else:
                self.frames += 1
                yield message

    def _bounded(self, *, lines: bool = False) -> _Bounded:
        """The file, unpacked, within the limits."""
        packed = self.suffix.endswith(".gz")
        size = self.path.stat().st_size if packed else 0
        open_it: Callable[..., Any] = gzip.open if packed else io.open
        file = open_it(self.path, "rb")
        return _Bounded(file, self.limits, size, lines=lines)

    def _lines(self, lines: Iterable[str]) -> Iterator[str]:
        """The lines, counted."""
        with self._up_to_damage():
            line = "\n"
            for line in lines:
                self._line += 1
                yield line
            self._ended(line)

    def _fed(self, lines: Iterable[str]) -> Iterator[str]:
        """The lines for a reader that passes over some without a word. Where it begins anew it
        takes the first one as header.
        """
        silent = self.suffix.startswith(".asc")
        with self._up_to_damage():
            line = "\n"
            for line in lines:
                while self._instead is not None:
                    instead, self._instead = self._instead, None
                    yield instead
                self._line += 1
                found = self.frames + self.unreadable
                yield line
                if silent and found == self.frames + self.unreadable and not _FRAMELESS(line):
                    self.passed_over += 1
            self._ended(line)

    @contextmanager
    def _up_to_damage(self) -> Iterator[None]:
        try:
            yield
        except (OSError, EOFError, ValueError, zlib.error) as error:
            self._file_failed = _words(error)

    def _ended(self, line: str) -> None:
        self.no_end = not line.endswith("\n") and self.frames > 0

    def _lost_line(self, why: str) -> None:
        """Count a line that the library could not read and skipped by itself."""
        if self._line:
            self._skipped(why)

    def _skipped(self, why: str) -> None:
        self.unreadable += 1
        if self.unreadable == 1:
            self.first_unreadable = f"{self._unit} {self._line}: {why}"

    # ---- binary

    def _binary(self, kind: str) -> Iterator[Ready | can.Message]:
        try:
            if kind in (".pcap", ".pcapng"):
                with io.BufferedReader(self._bounded()) as file:
                    yield from self._numbered(packets(file))
            elif kind == ".mf4":
                yield from self._measurement()
            else:
                with closing(_Stopping(self._binary_reader(kind))) as holder:
                    for message in holder.reader:
                        self.frames += 1
                        yield message
                    self.broken_off = self._cut_off(holder.reader)
        except GeneratorExit:
            raise
        except BadInput:
            raise
        except Exception as error:  # noqa: BLE001 - readers raise whatever they run into
            self.broken_off = _words(error)

    def _numbered(self, entries: Iterator[Ready | can.Message | str]) -> Iterator[Any]:
        """Frames of packets or records; for what is none there is a reason."""
        for entry in entries:
            self._line += 1
            if isinstance(entry, str):
                self._skipped(_words(entry))
            else:
                self.frames += 1
                yield entry

    def _measurement(self) -> Iterator[Ready | can.Message]:
        if find_spec("asammdf") is None:
            text = "reading '.mf4' needs a library: pip install 'linkloss[mf4]'"
            raise BadInput.one(self.path, "", text)
        with closing(Measurement(self.path)) as measurement:
            yield from self._numbered(measurement.entries())
            of = f"{measurement.lost:,} of {measurement.announced:,} frames"
            if measurement.broken_off:
                missing = f"; {of} are missing" if measurement.lost else ""
                self.broken_off = f"{measurement.broken_off}{missing}"
            elif measurement.lost:
                where = f"after frame {measurement.first_lost:,}"
                self.remarks.append(f"{of} are damaged and left out, the first {where}")

    def _binary_reader(self, kind: str) -> Any:
        if kind == ".db":
            return can.SqliteReader(self.path)
        return can.BLFReader(_Objects(io.BufferedReader(self._bounded()), self.limits.part))  # type: ignore[arg-type]

    def _cut_off(self, reader: Any) -> str:
        """Why a file that ended without an error is incomplete; empty if it is complete."""
        whole = getattr(reader, "file_size", None)
        if not isinstance(whole, int) or self.suffix.endswith(".gz"):
            return ""
        there = self.path.stat().st_size
        return f"it has {there} of {whole} bytes" if there < whole else ""

    def _nothing(self, kind: str) -> str:
        why = self.broken_off or self.first_unreadable
        text = f"not one frame could be read; expected a log in the format '{kind}'"
        return f"{text} ({why})" if why else text


def _head(text: IO[str]) -> tuple[list[str], Iterator[str]]:
    """The first lines of a text, and all of them."""
    head: list[str] = []
    size = 0
    try:
        for line in text:
            head.append(line)
            size += len(line)
            if len(head) == _HEAD_LINES or size > _HEAD_CHARACTERS:
                break
    except (OSError, EOFError, ValueError, zlib.error) as error:
        return head, chain(head, _failing(error))
    return head, chain(head, text)


def _failing(error: Exception) -> Iterator[str]:
    yield from ()
    raise error


def _shows_frames(head: Sequence[str]) -> bool:
    """Whether a text is in the screen format: its first line of either format tells."""
    for line in head:
        if is_printed(line):
            return True
        if not isinstance(next(textlog.entries([line]), ValueError()), Exception):
            return False
    return False


class _Bounded(io.RawIOBase):
    """A file that ends with an error where it holds too much. ``lines``: it is a text, of whose
    lines the rest is dropped where they are too long; ``cut`` counts those.
    """

    def __init__(self, file: BinaryIO, limits: Limits, packed: int, *, lines: bool) -> None:
        self._file = file
        self._limits = limits
        self._packed = packed
        self._lines = lines
        self._total = 0
        self._open = 0
        self._dropping = False
        self.cut = 0

    def readable(self) -> bool:
        """Always."""
        return True

    def close(self) -> None:
        """Close the file, too."""
        self._file.close()
        super().close()

    def readinto(self, buffer: Any) -> int:
        """More of the file. Raises ValueError at a limit."""
        data = self.read1(len(buffer))
        buffer[: len(data)] = data
        return len(data)

    def read1(self, size: int) -> bytes:
        """The same, for a text, which takes what it gets."""
        most = min(_BUFFER, self._limits.line) if self._lines else size
        while data := self._file.read(most):
            self._count(len(data))
            if self._lines:
                data = self._within(data)
            if data:
                return data
        return b""

    def _count(self, size: int) -> None:
        self._total += size
        most, times = self._limits.file, self._limits.times
        if self._total > most:
            raise ValueError(f"it holds more than {most:,} bytes, expected a log of at most that")
        if self._packed and self._total > max(self._limits.unpacked, times * self._packed):
            text = f"it unpacks to more than {times} times its {self._packed:,} bytes"
            raise ValueError(f"{text}, expected a log, which does not")

    def _within(self, data: bytes) -> bytes:
        """The data, of too long a line only its beginning. They are never longer than a line."""
        if not self._dropping and self._open + len(data) <= self._limits.line:
            end = max(data.rfind(b"\n"), data.rfind(b"\r"))
            self._open = len(data) - end - 1 if end >= 0 else self._open + len(data)
            return data
        ends = [place for place in (data.find(b"\n"), data.find(b"\r")) if place >= 0]
        first = min(ends, default=len(data))
        kept = 0 if self._dropping else min(first, self._limits.line - self._open)
        self.cut += kept < first and not self._dropping
        self._dropping = not ends and (self._dropping or kept < first)
        rest = data[first:]
        self._open = len(rest) - max(rest.rfind(b"\n"), rest.rfind(b"\r")) - 1 if ends else (
            self._open + kept
        )  # fmt: skip
        return data[:kept] + rest


class _Objects:
    """A .blf for its reader, which takes an object as a whole and unpacks it as a whole."""

    def __init__(self, file: BinaryIO, most: int) -> None:
        self._file = file
        self._most = most
        self.close = file.close

    def read(self, size: int) -> bytes:
        """So many bytes. Raises ValueError for an object that is too large, packed or not."""
        text = f"an object in it is larger than {self._most:,} bytes, expected at most that"
        if size > self._most:
            raise ValueError(text)
        data = self._file.read(size)
        if size * _MOST_DEFLATED > self._most and data[:2] == _DEFLATED:
            unpacked = zlib.decompressobj().decompress(data[_OBJECT_HEAD:], self._most + 1)
            if len(unpacked) > self._most:
                raise ValueError(text)
        return data


_MOST_DEFLATED = 1032
"""Deflate makes at most so many bytes of one."""
_DEFLATED, _OBJECT_HEAD = b"\2\0", 16
"""How the content of a packed object of a .blf begins, and where what is packed does."""


class _AscReader(can.ASCReader):
    """The library's reader, with the data length codes above 8 of classical frames as they stand:
    it takes those for the lengths of CAN FD frames, and those of remote frames for 0.
    """

    def _process_classic_can_frame(self, line: str, msg_kwargs: dict[str, Any]) -> can.Message:
        message = _classical_of(self, line, msg_kwargs)
        if message.dlc > 8 and not message.is_remote_frame:
            message.dlc = can.util.len2dlc(message.dlc)
        elif not message.dlc and message.is_remote_frame:
            words = line.split(None, 4)
            if len(words) > 3 and _CODE.fullmatch(words[3]):
                message.dlc = int(words[3], 16)
        return message


_classical_of = can.ASCReader._process_classic_can_frame
_CODE = re.compile("[0-9A-Fa-f]")
_ASC_HEADER = "no internal events logged"
"""What a reader of an .asc takes for the end of its header."""


class _Stopping:
    """A reader that is stopped at the end, even if it complains."""

    def __init__(self, reader: Any) -> None:
        self.reader = reader

    def close(self) -> None:
        try:
            self.reader.stop()
        except Exception:
            logging.getLogger("linkloss.logs").debug("a reader did not stop", exc_info=True)


def format_of(path: str | Path, known: Sequence[str], what: str = "a log") -> str:
    """The extension of a file, including the one before ``.gz``. Raises BadInput for an unknown
    one.
    """
    name = Path(path).name.lower()
    suffix = "".join(Path(name).suffixes[-2:]) if name.endswith(".gz") else Path(name).suffix
    if suffix in known:
        return suffix
    got = f"unknown format of {what} '{suffix}'" if suffix else "the name has no extension"
    text = f"{got}; expected one of: {', '.join(known)}{nearest(suffix, known)}"
    raise BadInput.one(path, "", text)


def _ensure_there(path: Path) -> None:
    try:
        size = path.stat().st_size
        folder = path.is_dir()
        if not folder and not os.access(path, os.R_OK):
            raise BadInput.one(path, "", "cannot be read: permission denied")
    except FileNotFoundError:
        raise BadInput.one(path, "", "there is no such file; expected a log") from None
    except (OSError, ValueError) as error:
        raise BadInput.one(path, "", f"cannot be read: {_words(error)}") from None
    if folder:
        raise BadInput.one(path, "", "this is a folder; expected a log")
    if not size and path.is_file():
        raise BadInput.one(path, "", "is empty; expected a log")


def many(number: int, what: str) -> str:
    """``1 frame``, ``12,000 frames``."""
    return f"{number:,} {what}" if number == 1 else f"{number:,} {what}s"


def _words(error: BaseException | str) -> str:
    """An error of a library in one short line."""
    text = " ".join(str(error).split())
    text = "".join(char if char.isprintable() else "?" for char in text)
    return (text[:117] + "..." if len(text) > 120 else text) or type(error).__name__


@contextmanager
def _counted_losses(lost: Callable[[str], None]) -> Iterator[None]:
    """What python-can would log of a line that it leaves out is counted."""

    class Counting(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.levelno >= logging.WARNING:
                lost(_words(record.getMessage()))

    handler = Counting()
    readers = logging.getLogger("can.io")
    before = readers.propagate
    readers.addHandler(handler)
    readers.propagate = False
    try:
        yield
    finally:
        readers.removeHandler(handler)
        readers.propagate = before
