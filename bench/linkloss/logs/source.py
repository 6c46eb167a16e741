"""A log file as a stream of messages, with an account of everything in it that cannot be read.

The readers are python-can's. This file adds what real files need: a line that cannot be read is
skipped and counted, a file that breaks off ends there and a note says so, and nothing ends in a
traceback. A file without a single readable frame is bad input.

SocketCAN text logs, .asc, .csv, .trc, .blf and .db are read in memory that does not grow with them;
.mf4 is not: asammdf looks at all of it first.
"""

from __future__ import annotations

import gc
import gzip
import logging
import os
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import IO, Any

import can

from linkloss.bus import message as textlog
from linkloss.bus.message import Ready
from linkloss.problem import BadInput, nearest

TEXT_READERS: dict[str, tuple[Callable[..., can.io.generic.MessageReader], str]] = {
    ".csv": (can.CSVReader, ""),
    ".asc": (can.ASCReader, "no internal events logged"),
    ".trc": (can.TRCReader, ""),
}
"""By extension: the reader, and a line in place of the header for a reader that starts again."""

_FRAMELESS = re.compile(
    r"\s*(//|date\s|base\s|(no )?internal events|(begin|end) triggerblock|version\s|$"
    r"|[\d.]+\s+start of (run|measurement))",
    re.IGNORECASE,
).match
"""Matches the lines of an .asc that hold no frame and need not hold one."""

READABLE = (
    ".log", ".csv", ".asc", ".trc", ".blf", ".mf4", ".db",
    ".log.gz", ".csv.gz", ".asc.gz", ".trc.gz", ".blf.gz",
)  # fmt: skip
"""The extensions that are read."""

MOST_LINES_WITHOUT_A_FRAME = 1000
"""A text with this many unreadable lines at its beginning is not a log of this format."""


class LogFile:
    """A log on disk. ``frames`` counts the messages read so far, ``unreadable`` the lines that
    were skipped, ``passed_over`` the lines of an .asc that its reader ignores silently.
    ``broken_off`` says why the rest of the file could not be read, or is empty. ``no_end`` says
    that the last line of a text has no line end.

    Raises BadInput for a file that is missing, empty, or of an unknown extension.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self.suffix = format_of(self.path, READABLE)
        self.frames = 0
        self.unreadable = 0
        self.first_unreadable = ""
        self.broken_off = ""
        self.passed_over = 0
        self.no_end = False
        self._line = 0
        self._instead: str | None = None
        self._file_failed = ""
        _ensure_there(self.path)

    def entries(self) -> Iterator[Ready | can.Message]:
        """Everything in the file in order: a message, or for text logs an instant, frame and
        channel. Raises BadInput if there is nothing.
        """
        self.frames = self.unreadable = self.passed_over = self._line = 0
        self.no_end = False
        self.first_unreadable = self.broken_off = self._file_failed = ""
        kind = self.suffix.removesuffix(".gz")
        with _quiet_libraries(self._lost_line):
            if kind == ".log":
                yield from self._text_log()
            elif kind in TEXT_READERS:
                yield from self._text(kind)
            else:
                yield from self._binary(kind)
        if not self.frames:
            raise BadInput.one(self.path, "", self._nothing(kind))

    def notes(self) -> list[str]:
        """What could not be read, in sentences; empty if everything could be read."""
        notes = []
        if self.unreadable:
            skipped = many(self.unreadable, "unreadable line")
            notes.append(f"{skipped} skipped, the first: {self.first_unreadable}")
        if self.passed_over:
            text = "held no frame (events of the bus, or damage)"
            notes.append(f"{many(self.passed_over, 'line')} {text}")
        if self.broken_off:
            notes.append(f"cannot be read after frame {self.frames:,}: {self.broken_off}")
        if self.no_end:
            notes.append("its last line has no line end; it may have been cut off")
        return notes

    # ---- text, line by line

    def _text_log(self) -> Iterator[Ready | can.Message]:
        with self._opened_text() as text:
            for entry in textlog.entries(self._lines(text)):
                if isinstance(entry, Exception):
                    self._skipped(_words(entry))
                    if not self.frames and self.unreadable >= MOST_LINES_WITHOUT_A_FRAME:
                        break
                else:
                    self.frames += 1
                    yield entry
        self.broken_off = self._file_failed

    def _text(self, kind: str) -> Iterator[can.Message]:
        make, instead = TEXT_READERS[kind]
        with self._opened_text() as text:
            self._instead = None
            reader = make(self._lines(text))
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
        self.broken_off = self._file_failed

    def _opened_text(self) -> Any:
        if self.suffix.endswith(".gz"):
            return gzip.open(self.path, "rt", encoding="utf-8", errors="replace")
        return self.path.open(encoding="utf-8", errors="replace")

    def _lines(self, text: IO[str]) -> Iterator[str]:
        """The lines, counted; for a reader that starts again, first one in place of the header."""
        line = "\n"
        silent = self.suffix.startswith(".asc")
        try:
            for line in text:
                while self._instead is not None:
                    instead, self._instead = self._instead, None
                    yield instead
                self._line += 1
                found = self.frames + self.unreadable
                yield line
                if silent and found == self.frames + self.unreadable and not _FRAMELESS(line):
                    self.passed_over += 1
        except (OSError, EOFError, ValueError, gzip.zlib.error) as error:  # type: ignore[attr-defined]
            self._file_failed = _words(error)
            return
        self.no_end = not line.endswith("\n") and self.frames > 0

    def _lost_line(self, why: str) -> None:
        """Count a line that the library could not read and skipped by itself."""
        if self._line:
            self._skipped(why)

    def _skipped(self, why: str) -> None:
        self.unreadable += 1
        if self.unreadable == 1:
            self.first_unreadable = f"line {self._line}: {why}"

    # ---- binary

    def _binary(self, kind: str) -> Iterator[can.Message]:
        try:
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
        if kind == ".mf4" and self.broken_off:
            gc.collect()  # now, while asammdf's complaints about it are suppressed

    def _binary_reader(self, kind: str) -> Any:
        if kind == ".db":
            return can.SqliteReader(self.path)
        if kind == ".blf":
            if self.suffix.endswith(".gz"):
                return can.BLFReader(gzip.open(self.path, "rb"))  # type: ignore[arg-type]
            return can.BLFReader(self.path)
        if find_spec("asammdf") is None:
            text = "reading '.mf4' needs a library: pip install 'linkloss[mf4]'"
            raise BadInput.one(self.path, "", text)
        return can.MF4Reader(self.path)

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
def _quiet_libraries(lost: Callable[[str], None]) -> Iterator[None]:
    """What the libraries would print is counted (a line of a .trc) or suppressed (asammdf)."""

    class Counting(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.levelno >= logging.WARNING:
                lost(_words(record.getMessage()))

    handler = Counting()
    readers, asammdf = logging.getLogger("can.io"), logging.getLogger("asammdf")
    before = (readers.propagate, asammdf.level, sys.unraisablehook)
    readers.addHandler(handler)
    readers.propagate = False
    asammdf.setLevel(logging.CRITICAL)
    sys.unraisablehook = lambda _: None  # asammdf fails to clean up files that it did not open
    try:
        yield
    finally:
        readers.removeHandler(handler)
        readers.propagate = before[0]
        asammdf.setLevel(before[1])
        sys.unraisablehook = before[2]
