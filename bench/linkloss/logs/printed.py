"""What the SocketCAN tools show of frames on a screen, written to a file.

    (1669809689.869107)  can0  123   [8]  11 22 33 44 55 66 77 88
    (1669809689.869390)  can0  18DAF110   [2]  remote request
    (1669809689.869701)  can0  RX B -  123  [12]  11 22 33 44 55 66 77 88 99 AA BB CC

One digit in brackets is the length of a classical frame, two are that of a CAN FD frame, a digit in
braces is a data length code up to F. The times in front count from 1970, from the first frame, or
each from the frame before; or there are none. The form of the lines is from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from itertools import pairwise

import can

from linkloss.bus.frame import FdFrame, Frame
from linkloss.bus.message import Ready

_LINE = re.compile(
    r"\s*(?:\((?P<stamp>[\d :.-]+)\)\s+)?(?P<channel>[^\s(]\S*)\s+"
    r"(?:[RT]X\s+(?P<switch>[B-])\s+(?P<passive>[E-])\s+)?"
    r"(?P<identifier>[0-9A-F]{8}|[0-9A-F]{3})\s+"
    r"(?:\[(?P<length>\d\d?)\]|\{(?P<code>[0-9A-F])\})(?:\s+(?P<content>.*?))?\s*$"
)
_CONTENT = re.compile(r"((?:[0-9A-F]{2}(?: [0-9A-F]{2})*)?)(?:\s*'.*')?(\s*ERRORFRAME.*)?")
_COLOUR = re.compile(r"\x1b\[[\d;]*m")
_REMOTE = "remote request"
_ERROR = 0x2000_0000
_SHARE_BACK = 0.25
"""Times from the beginning hardly ever stand still or go back; spans do half of the time."""
_FEW = 20
"""Fewer times cannot tell it."""
_DATED_NS = 100_000_000 * 1_000_000_000
"""From here on a time is a date."""
_DIGITS = {6: 1000, 9: 1}

TIMELESS = "it has no times: what needs them is left out"
ADDED_UP = "its times are spans from one frame to the next; they were added up"
UNSURE = "its times were read as counted from its beginning; it is too short to tell"
FLAGLESS = "it does not tell which CAN FD frames switch the bit rate; none was read so"


def is_printed(line: str) -> bool:
    """Whether a line shows a frame."""
    return _found(line) is not None


class Printed:
    """A file of such lines, of which the first are known.

    ``timeless`` says that the first frame has no time; all instants are then 0, and a line with a
    time cannot be read. Otherwise that is one without. ``notes`` say how times and flags were read.
    """

    def __init__(self, head: Sequence[str]) -> None:
        found = [match for match in map(_found, head) if match is not None]
        stamps = [_stamp_ns(match["stamp"]) for match in found if match["stamp"]]
        self.timeless = bool(found) and found[0]["stamp"] is None
        self.notes: list[str] = [TIMELESS] if self.timeless else []
        self._spans = False
        times = [stamp for stamp in stamps if stamp is not None]
        if not self.timeless and len(times) > 1 and max(times) < _DATED_NS:
            back = sum(later <= earlier for earlier, later in pairwise(times[1:]))
            self._spans = back > _SHARE_BACK * (len(times) - 2)
            if self._spans:
                self.notes.append(ADDED_UP)
            elif len(times) < _FEW:
                self.notes.append(UNSURE)

    def entries(self, lines: Iterable[str]) -> Iterator[Ready | can.Message | Exception]:
        """The frames, a message for an error frame, the error for a line that cannot be read."""
        now_ns = 0
        for line in lines:
            found = _found(line)
            if found is None:
                if line.strip():
                    yield _misread(line)
                continue
            at_ns = 0 if found["stamp"] is None else _stamp_ns(found["stamp"])
            if at_ns is None or (found["stamp"] is None) is not self.timeless:
                yield _misread(line)
                continue
            if self._spans:
                at_ns = now_ns = now_ns + at_ns
            try:
                entry = _entry(found, at_ns)
            except ValueError as error:
                yield error
                continue
            if (
                found["switch"] is None
                and isinstance(entry, tuple)
                and entry[1].fd
                and FLAGLESS not in self.notes
            ):
                self.notes.append(FLAGLESS)
            yield entry


def _found(line: str) -> re.Match[str] | None:
    return _LINE.match(_COLOUR.sub("", line) if "\x1b" in line else line)


def _misread(line: str) -> ValueError:
    expected = "expected '(SECONDS) CHANNEL ID [LENGTH] BYTES'"
    return ValueError(f"got '{line.strip()[:40]}'; {expected}")


def _stamp_ns(stamp: str) -> int | None:
    """The time in front of a line in ns; None where it is none. A date is taken as UTC: only
    differences matter.
    """
    whole, _, fraction = stamp.strip().rpartition(".")
    ns_per_digit = _DIGITS.get(len(fraction))
    if ns_per_digit is None or not fraction.isdecimal():
        return None
    try:
        if "-" in whole:
            date = datetime.strptime(whole, "%Y-%m-%d %H:%M:%S").replace(tzinfo=UTC)
            seconds = int(date.timestamp())
        else:
            seconds = int(whole)
    except ValueError:
        return None
    return seconds * 1_000_000_000 + int(fraction) * ns_per_digit


def _entry(found: re.Match[str], at_ns: int) -> Ready | can.Message:
    """Raises ValueError for what cannot be a frame."""
    name, channel = found["identifier"], found["channel"]
    identifier, extended = int(name, 16), len(name) == 8
    content = _CONTENT.fullmatch(found["content"] or "")
    if extended and identifier & _ERROR and content is not None and content[2]:
        return can.Message(timestamp=at_ns / 1e9, channel=channel, is_error_frame=True)
    code = found["code"]
    length = int(code, 16) if code else int(found["length"])
    if (found["content"] or "").startswith(_REMOTE):
        return at_ns, Frame(identifier, b"", extended, True, length), channel
    data = bytes.fromhex(content[1]) if content is not None else b""
    if content is None or len(data) != (min(length, 8) if code else length):
        raise _misread(found.string)
    if not code and len(found["length"]) == 2:
        flags = found["switch"] == "B", found["passive"] == "E"
        return at_ns, FdFrame(identifier, data, extended, False, None, *flags), channel
    return at_ns, Frame(identifier, data, extended, False, length), channel
