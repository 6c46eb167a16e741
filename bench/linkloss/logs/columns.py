"""Frames in a table of text (.csv) with its columns in any order, by the names in its first line.

    Time [ms];ID (hex);Extended;DLC;D0;D1;D2
    12.5;1A0;0;3;00;FF;07

Columns are separated by comma, semicolon or tab. A time is in seconds unless its name ends in a
unit. Whether identifiers and bytes are hexadecimal is told by the name of their column, or by the
first lines; what these leave open is taken as they suggest, with a note.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from pathlib import Path

import can

from linkloss.bus.bits import LENGTHS
from linkloss.bus.frame import FdFrame, Frame
from linkloss.bus.message import Ready
from linkloss.problem import BadInput

KNOWN = {
    "time": ("time", "timestamp", "timestamps", "t"),
    "id": ("id", "canid", "arbitrationid", "identifier", "messageid", "msgid"),
    "data": ("data", "bytes", "payload", "databytes"),
    "length": ("length", "len", "datalength"),
    "dlc": ("dlc",),
    "extended": ("extended", "isextended", "isextendedid", "extendedid", "ide", "xtd"),
    "remote": ("remote", "isremote", "isremoteframe", "rtr"),
    "error": ("error", "iserror", "iserrorframe", "errorframe"),
    "fd": ("fd", "isfd", "canfd", "edl", "fdf"),
    "switch": ("brs", "bitrateswitch"),
    "passive": ("esi", "errorstateindicator"),
    "channel": ("channel", "bus", "interface", "busid", "buschannel"),
}
"""What a column holds, and its names in small letters, without blanks and underscores."""
_KINDS = {name: kind for kind, names in KNOWN.items() for name in names}
_UNITS = {"s": 9, "sec": 9, "seconds": 9, "ms": 6, "us": 3, "µs": 3, "ns": 0}
"""The power of ten that makes nanoseconds of a unit."""
_BASES = {"hex": 16, "dec": 10}
_BYTE = re.compile(r"(?:d|b|data|byte)(\d{1,2})")
_SUFFIX = re.compile(r"(?:[\s_]+|\s*[\[(])(seconds|sec|ms|us|µs|ns|s|hex|dec)[\])]?$")
_TRUE = {"1", "true", "t", "yes", "y", "x", "ext", "extended", "rtr", "remote", "fd"}
_FALSE = {"", "0", "false", "f", "no", "n", "std", "standard", "-"}
_LATEST_S = 100_000_000_000
"""A greater number of seconds (after the year 5000) is one of a smaller unit."""
_EXAMPLES = "'time,id,extended,dlc,data' or 'time_ms;id_hex;dlc;data0;data1;data2'"


class Columns:
    """How a table is read, as its first lines tell. ``notes`` say what was taken for granted.

    Raises BadInput for a table that lacks a column or whose numbers contradict each other.
    """

    def __init__(self, path: Path, head: Sequence[str]) -> None:
        self.path = path
        self.notes: list[str] = []
        lines = list(_meant(head))
        first = lines[0].lstrip("\ufeff") if lines else ""
        self._separator = max(",;\t", key=first.count)
        self.header = self._split(first)
        self._place: dict[str, int] = {}
        self._byte_places: list[int] = []
        self._suffix: dict[str, str] = {}
        self._take_header()
        self._power = _UNITS.get(self._suffix["time"], 9)
        rows = [self._split(line) for line in lines[1:]]
        rows = [row for row in rows if self._whole(row)]
        self._base = self._base_of("id", [row[self._place["id"]].rstrip("xX") for row in rows])
        pieces = [piece for row in rows for piece in self._pieces(row)]
        self._byte_base = self._base_of("data", pieces)

    def entries(self, lines: Iterable[str]) -> Iterator[Ready | can.Message | Exception]:
        """The frames, a message for an error frame, the error for a line that cannot be read."""
        meant = _meant(lines)
        next(meant, None)
        for line in meant:
            try:
                yield self._entry(self._split(line))
            except (ValueError, ArithmeticError) as error:
                yield ValueError(f"got '{line.strip()[:40]}': {error}")

    # ---- the first line

    def _take_header(self) -> None:
        bytes_at: dict[int, int] = {}
        for place, name in enumerate(self.header):
            kind, suffix = _kind(name)
            byte = _BYTE.fullmatch(kind)
            if byte:
                bytes_at.setdefault(int(byte[1]), place)
                self._suffix.setdefault("data", suffix)
            elif kind in _KINDS and _KINDS[kind] not in self._place:
                self._place[_KINDS[kind]] = place
                self._suffix[_KINDS[kind]] = suffix
        missing = [kind for kind in ("time", "id") if kind not in self._place]
        if bytes_at:
            numbers = sorted(bytes_at)
            start = min(numbers[0], 1)
            gaps = [n for n in range(start, numbers[-1]) if n not in bytes_at]
            missing += [f"data{number}" for number in gaps]
            self._byte_places = [bytes_at[number] for number in numbers]
        elif "data" not in self._place:
            missing.append("data")
        if missing:
            listed = ", ".join(f"'{name}'" for name in self.header) or "none"
            named = ", ".join(f"'{name}'" for name in missing)
            text = "not one frame could be read; expected a log in the format '.csv'"
            text += f" with a first line such as {_EXAMPLES}"
            text += f" (it lacks a column for {named}; found: {listed})"
            raise BadInput.one(self.path, "", text)

    def _split(self, line: str) -> list[str]:
        rows = csv.reader([line.rstrip("\r\n")], delimiter=self._separator)
        try:
            return [field.strip() for field in next(rows, [])]
        except csv.Error as error:
            raise ValueError(str(error)) from None

    def _whole(self, row: list[str]) -> bool:
        """Whether a line has the columns that all frames need."""
        needed = ("time", "id") if self._byte_places else ("time", "id", "data")
        return len(row) > max(self._place[kind] for kind in needed)

    # ---- hexadecimal or decimal

    def _base_of(self, kind: str, words: list[str]) -> int:
        """16 or 10, as the name of the column or the words in it tell."""
        named = _BASES.get(self._suffix[kind])
        if named:
            return named
        plain = {word for word in words if word.isalnum() and not word.lower().startswith("0x")}
        longest = 2 if kind == "data" else 8
        padded = any(len(word) > 1 and word[0] == "0" for word in plain)
        lettered = any(not word.isdecimal() for word in plain)
        decimal = any(len(word) > longest for word in plain)
        if decimal and (padded or lettered):
            self._contradiction(kind)
        if padded or lettered or not plain:
            return 16
        base = 16 if kind == "data" and not decimal and all(len(w) == 2 for w in plain) else 10
        if not decimal:
            told = "hexadecimal" if base == 16 else "decimal"
            name, wanted = self._name(kind), "dec" if base == 16 else "hex"
            text = f"its column '{name}' was taken as {told}: nothing in its first lines tells"
            self.notes.append(f"{text} (if it is not, name it '{kind}_{wanted}')")
        return base

    def _name(self, kind: str) -> str:
        places = self._byte_places if kind == "data" and self._byte_places else [self._place[kind]]
        return self.header[places[0]]

    def _contradiction(self, kind: str) -> None:
        text = "holds numbers that are hexadecimal and numbers that are decimal"
        expected = f"expected one sort, and the column named '{kind}_hex' or '{kind}_dec'"
        raise BadInput.one(self.path, f"column '{self._name(kind)}'", f"{text}; {expected}")

    def _number(self, kind: str, word: str, base: int) -> int:
        """A number of an identifier or a byte. Raises BadInput where it shows that the base that
        was taken for granted is wrong.
        """
        if word[:2].lower() == "0x":
            return int(word, 16)
        open_to_doubt = self._suffix[kind] not in _BASES
        if base == 10 and open_to_doubt and re.fullmatch("[0-9]*[a-fA-F][0-9a-fA-F]*", word):
            self._contradiction(kind)
        return _int(word, base)

    # ---- a line

    def _entry(self, row: list[str]) -> Ready | can.Message:
        if not self._whole(row):
            raise ValueError(f"{len(row)} of {len(self.header)} columns")
        flag = self._flag
        channel = self._word(row, "channel")
        at_ns = self._instant_ns(row[self._place["time"]])
        if flag(row, "error"):
            return can.Message(timestamp=at_ns / 1e9, channel=channel, is_error_frame=True)
        word = row[self._place["id"]]
        marked = word[-1:] in "xX" and len(word) > 1
        identifier = self._number("id", word.rstrip("xXhH"), self._base)
        declared = flag(row, "extended")
        eight = self._base == 16 and len(word.rstrip("xXhH")) == 8 and word[:2] not in ("0x", "0X")
        extended = marked or identifier > 0x7FF or eight if declared is None else declared
        length, dlc = self._count(row, "length"), self._count(row, "dlc")
        if flag(row, "remote"):
            asked = next((n for n in (dlc, length) if n is not None), 0)
            return at_ns, Frame(identifier, b"", extended, True, asked), channel
        data = bytes(self._number("data", piece, self._byte_base) for piece in self._pieces(row))
        declared = flag(row, "fd")
        fd = len(data) > 8 and not self._byte_places if declared is None else declared
        if declared is None and self._byte_places:
            fd = max(length or 0, 0 if dlc is None or dlc <= 15 else dlc) > 8
        if length is None and dlc is not None:
            length = _bytes_of(dlc, len(data), fd)
        if length is not None and self._byte_places:
            data = data[:length]
        if length is not None and len(data) != length:
            raise ValueError(f"{len(data)} bytes where {length} are told")
        if fd:
            flags = bool(flag(row, "switch")), bool(flag(row, "passive"))
            return at_ns, FdFrame(identifier, data, extended, False, None, *flags), channel
        code = dlc if dlc is not None and dlc > 8 and len(data) == 8 else None
        return at_ns, Frame(identifier, data, extended, False, code), channel

    def _pieces(self, row: list[str]) -> list[str]:
        """The bytes of a line as they are written."""
        if self._byte_places:
            words = [row[place] if place < len(row) else "" for place in self._byte_places]
            while words and not words[-1]:
                words.pop()
            return words
        text = row[self._place["data"]].strip("[](){}'\"")
        words = re.split(r"[\s,:;.-]+", text) if text else []
        if len(words) == 1 and len(text) % 2 == 0 and text[:2] not in ("0x", "0X"):
            return [text[place : place + 2] for place in range(0, len(text), 2)]
        if len(words) == 1 and text[:2] in ("0x", "0X") and len(text) > 4:
            return [f"0x{text[place : place + 2]}" for place in range(2, len(text), 2)]
        return words

    def _instant_ns(self, word: str) -> int:
        value = Decimal(word if self._separator == "," else word.replace(",", "."))
        if not value.is_finite() or value.adjusted() > 25:
            raise ValueError(f"its time is '{word}'")
        if self._suffix["time"] not in _UNITS and abs(value) > _LATEST_S:
            name = self._name("time")
            text = f"holds {word[:30]}, which can be no time in seconds"
            expected = f"expected a name that ends in its unit, such as '{name}_us'"
            raise BadInput.one(self.path, f"column '{name}'", f"{text}; {expected}")
        return int(value.scaleb(self._power).to_integral_value())

    def _word(self, row: list[str], kind: str) -> str:
        place = self._place.get(kind)
        return row[place] if place is not None and place < len(row) else ""

    def _flag(self, row: list[str], kind: str) -> bool | None:
        """None where there is no such column. Raises ValueError for what is neither."""
        if kind not in self._place:
            return None
        word = self._word(row, kind).lower()
        if word not in _TRUE and word not in _FALSE:
            name = self._name(kind)
            raise ValueError(f"'{word}' in column '{name}', expected 0 or 1")
        return word in _TRUE

    def _count(self, row: list[str], kind: str) -> int | None:
        word = self._word(row, kind)
        return _int(word, 16 if word[:2].lower() == "0x" else 10) if word else None


def _meant(lines: Iterable[str]) -> Iterator[str]:
    """The lines that are neither empty nor a comment."""
    return (line for line in lines if line.strip() and not line.startswith("#"))


def _kind(name: str) -> tuple[str, str]:
    """The name of a column without blanks and underscores, and the unit or base that it ends in."""
    small = name.lower().replace("μ", "µ")
    whole = re.sub(r"[\s_.]", "", small)
    suffix = _SUFFIX.search(small)
    if whole in _KINDS or suffix is None:
        return whole, ""
    return re.sub(r"[\s_.]", "", small[: suffix.start()]), suffix[1]


def _int(word: str, base: int) -> int:
    """Raises ValueError for anything but digits: Python takes signs and underscores too."""
    digits = word[2:] if word[:2].lower() == "0x" else word
    if not digits.isalnum() or not digits.isascii():
        raise ValueError(f"'{word}' is no number")
    return int(digits, base)


def _bytes_of(dlc: int, there: int, fd: bool) -> int:
    """The number of bytes that a data length code stands for; one that is the number is right."""
    if not fd:
        return min(dlc, 8) if dlc < 16 else dlc
    return dlc if dlc == there or dlc >= len(LENGTHS) else LENGTHS[dlc]
