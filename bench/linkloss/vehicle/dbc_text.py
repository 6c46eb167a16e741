"""The text of a DBC file, mended so that what is wrong with one statement spoils that one alone.

The parser gives up a whole file for one bad line. Here each statement that the bench reads is
looked at once before: what cannot be read is left out, what can be read another way is written so,
and every change is told as a :class:`Flaw`. Line numbers stay those of the file.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from math import isfinite

LONGEST_BYTES = 1785
"""The longest message that a DBC file describes as one: what the transport protocol of SAE J1939-21
carries, 255 packets of 7 bytes (from memory).
"""
_EXTENDED = 1 << 31
"""The bit of an identifier in a DBC file that says that it is extended."""
_BASE_MASK, _EXTENDED_MASK = 0x7FF, 0x1FFF_FFFF
_UNASSIGNED = "VECTOR__INDEPENDENT_SIG_MSG"
"""No message: tools keep signals under this name that belong to none."""
_NOBODY = "Vector__XXX"
_MOST_SELECTED = 1 << 16
"""So many values of a multiplexer may select one signal; the parser writes each of them down."""
_READ = (
    "GenMsgCycleTime", "VFrameFormat", "LinkRole", "ChecksumKind", "SystemMessageLongSymbol",
    "SystemSignalLongSymbol",
)  # fmt: skip
"""The attributes that decide how a message is read, sent and judged."""
_OWNERS = {
    "GenMsgCycleTime": ("BO_", "message"), "VFrameFormat": ("BO_", "message"),
    "ChecksumKind": ("BO_", "message"), "LinkRole": ("SG_", "signal"),
}  # fmt: skip
"""What some of them are attributes of."""
_PROTECTING = ("LinkRole", "ChecksumKind")
"""Without these a message is judged as one that is not protected."""
_WORDS_ONLY = ("CM_", "VAL_TABLE_", "SIG_GROUP_")
"""Statements that decide nothing but words."""
_NUMERIC = ("INT", "HEX", "FLOAT")
_TYPES = {
    "GenMsgSendType": ("ENUM", "STRING"),
    "GenSigStartValue": (*_NUMERIC, "ENUM"),
    "SPN": ("INT", "HEX", "ENUM"),
    "DBName": ("STRING",),
    "VFrameFormat": ("ENUM", "INT"),
}
"""What the parser expects of the attributes that it knows."""
_FLOATING = {16, 32, 64}
"""Bits of the IEEE 754 numbers that a signal may be."""

_STRING = r'"(?:[^"\\]|\\"|\\)*"'
_NUMBER = r"[-+]?\d+\.?\d*(?:[eE][+-]?\d+)?"
_OWNER = r"(?:BO_\s+\d+|SG_\s+\d+\s+\w+|BU_\s+\w+|EV_\s+\w+)(?=[\s\"])\s*"
_KEYWORDS = (
    "BO_", "SG_", "VAL_", "VAL_TABLE_", "CM_", "BA_", "BA_DEF_", "BA_DEF_DEF_", "SIG_VALTYPE_",
    "SG_MUL_VAL_", "BO_TX_BU_", "SIG_GROUP_",
)  # fmt: skip
_WORD = rf"\s*(?!(?:{'|'.join(_KEYWORDS)}|BU_|EV_|NS_|BS_)\b)[A-Za-z_]\w*"
_TOKEN = re.compile(rf"{_STRING}|//[^\n]*|\b(?P<word>{'|'.join(_KEYWORDS)}|NS_)(?=\s)", re.ASCII)
_OTHERS = re.compile(r"\b(?:BA_|BA_DEF_|BA_DEF_DEF_|CM_|SIG_VALTYPE_|SG_MUL_VAL_|VAL_)\s")
"""Statements that one which cannot be read may have run into."""
_NEXT = re.compile(
    rf";[ \t\r]*$|^(?=[ \t]*(?:{'|'.join(_KEYWORDS)}|BU_|EV_|NS_|BS_)\s)", re.MULTILINE
)
_SECTION = re.compile(
    r"NS_\s*:(?:.*?(?=^[ \t]*(?:BS_\s*:|BU_\s*:|BO_\s+\d)))?", re.DOTALL | re.MULTILINE
)
_WHOLE = {
    word: re.compile(pattern, re.ASCII)
    for word, pattern in {
        "BO_": r"BO_\s+(?P<id>\d+)\s+(?P<name>\w+)\s*:\s*(?P<bytes>\d+)"
        rf"(?P<sender>{_WORD})?",
        "SG_": r"SG_\s+(?P<name>\w+)(?:\s+(?P<mark>\w+))?\s*:\s*(?P<start>[-+]?\d+)\s*"
        r"\|\s*(?P<bits>[-+]?\d+)\s*@\s*(?P<order>\d+)\s*(?P<sign>[-+])\s*"
        rf"\(\s*(?P<scale>{_NUMBER})\s*,\s*(?P<offset>{_NUMBER})\s*\)\s*"
        rf"\[\s*(?P<least>{_NUMBER})\s*\|\s*(?P<most>{_NUMBER})\s*\]\s*{_STRING}"
        rf"(?P<receivers>{_WORD}(?:\s*,\s*\w+)*)?",
        "VAL_": rf"VAL_\s+(?:(?P<id>\d+)\s+)?(?P<name>[A-Za-z_]\w*\b)"
        rf"(?P<pairs>(?:\s*[-+]?\d+\s*{_STRING})*)(?:\s*;|(?=[ \t\r]*(?:\n|\Z)))",
        "VAL_TABLE_": rf"VAL_TABLE_\s+[A-Za-z_]\w*\b(?:\s*[-+]?\d+\s*{_STRING})*\s*;",
        "CM_": rf"CM_\s+(?:{_OWNER})?{_STRING}\s*;",
        "BA_": rf"BA_\s+(?P<attribute>{_STRING})\s*(?P<owner>{_OWNER})?"
        rf"(?P<value>{_NUMBER}|{_STRING})\s*;",
        "BA_DEF_": rf"BA_DEF_\s+(?:(?:BO_|SG_|BU_|EV_)\s+)?(?P<attribute>{_STRING})\s*(?P<type>\w+)"
        rf"(?P<values>\s*{_STRING}(?:\s*,\s*{_STRING})*|(?:\s+{_NUMBER})*)\s*;",
        "BA_DEF_DEF_": rf"BA_DEF_DEF_\s+(?P<attribute>{_STRING})\s*(?P<value>{_NUMBER}|{_STRING})"
        r"\s*;",
        "SIG_VALTYPE_": r"SIG_VALTYPE_\s+(?P<id>\d+)\s+(?P<name>\w+)\s*:\s*(?P<type>\d+)\s*;",
        "SG_MUL_VAL_": r"SG_MUL_VAL_\s+(?P<id>\d+)\s+(?P<name>\w+)\s+(?P<switch>\w+)"
        r"(?P<ranges>\s+\d+\s*-\d+(?:\s*,\s*\d+\s*-\d+)*)\s*;",
        "BO_TX_BU_": r"BO_TX_BU_\s+(?P<id>\d+)\s*:\s*(?P<senders>\w+(?:\s*,\s*\w+)*)\s*;",
        "SIG_GROUP_": r"SIG_GROUP_\s+(?P<id>\d+)\s+\w+\s+\d+\s*:(?:\s*\w+)*\s*;",
    }.items()
}
_EXPECTED = {
    "BO_": "BO_ 291 Name: 8 Sender",
    "SG_": 'SG_ Name : 0|8@1+ (1,0) [0|255] "unit" Receiver',
}
_ODD_NAME = re.compile(
    rf"{_STRING}|//[^\n]*|(?<![\w.])(?P<name>[0-9]+[A-Za-z_]\w*|(?=[A-Za-z0-9_]*[^\W\x00-\x7f])\w+)"
)
_WITH_EXPONENT = re.compile(r"[0-9]+[eE][0-9]*")
_RANGE = re.compile(r"(\d+)\s*-(\d+)", re.ASCII)
_MARK = re.compile(r"M|m\d+M?", re.ASCII)
_NAMED = re.compile(r"BO_\s+(\d+)\s+(\w+)\s*:", re.ASCII)
_OF_ONE = re.compile(r"(?P<kind>BO_|SG_)\s+(?P<id>\d+)(?:\s+(?P<signal>\w+))?", re.ASCII)
_TEXTS = re.compile(_STRING)
_VALUE = re.compile(rf"([-+]?\d+)\s*({_STRING})", re.ASCII)

Key = tuple[int, bool]
"""An identifier, and whether it is extended."""


@dataclass(frozen=True, slots=True)
class Flaw:
    """What is wrong with a DBC file in one place. ``message`` is empty where it concerns none;
    ``harmless``: what is left is read as it was meant.
    """

    line: int
    message: str
    text: str
    signal: str = ""
    harmless: bool = False

    @property
    def where(self) -> str:
        """The message and signal, in words."""
        named = [("message", self.message), ("signal", self.signal)]
        return ", ".join(f"{what} {name}" for what, name in named if name)


@dataclass(slots=True)
class Placed:
    """A signal as the text has it; ``mark``: how it is multiplexed (``M``, ``m3``, ``m3M``)."""

    line: int
    bits: int
    signed: bool
    mark: str


@dataclass(slots=True)
class Head:
    """A message as the text has it: its line, and the nodes that send or receive it."""

    line: int
    name: str
    key: Key
    bytes: int
    nodes: set[str] = field(default_factory=set)
    signals: dict[str, Placed] = field(default_factory=dict)
    lost: set[str] = field(default_factory=set)
    left_out: bool = False


Match = re.Match[str]


class DbcText:
    """Mends a text. ``text`` is what the parser may read, ``heads`` the messages in it and those
    that were left out, ``flaws`` what was wrong; ``fatal``: line and words of what may have been
    said of any message, and cannot be read.
    """

    def __init__(self, text: str) -> None:
        self.flaws: list[Flaw] = []
        self.heads: list[Head] = []
        self.fatal: tuple[int, str] | None = None
        self._lines = [found.end() for found in re.finditer("\n", text)]
        self._source = self._plain_names(text)
        self._lines = [found.end() for found in re.finditer("\n", self._source)]
        self._edits: list[tuple[int, int, str]] = []
        self._by_key: dict[Key, Head] = {}
        self._by_number: dict[int, Head] = {}
        self._by_name: dict[str, Head] = {}
        self._head: Head | None = None
        self._types: dict[str, tuple[str, int]] = {}
        self._selected: dict[tuple[int, str], str] = {}
        self._later: list[tuple[str, Match]] = []
        self._walk()
        for word, found in self._later:
            if word == "BA_":
                self._attribute(found)
            elif word == "BA_DEF_DEF_":
                self._default(found)
            elif found["id"] is not None:
                self._with_identifier(word, found)
        self._multiplexed()
        self.text = self._edited()
        self.flaws.sort(key=lambda flaw: flaw.line)

    @property
    def lines(self) -> dict[Key, int]:
        """Where the messages stand that the parser may read."""
        return {key: head.line for key, head in self._by_key.items()}

    def _line(self, place: int) -> int:
        return bisect_right(self._lines, place) + 1

    def _plain_names(self, text: str) -> str:
        """The text with names that the parser can read."""
        told: set[str] = set()

        def plain(found: Match) -> str:
            name = found["name"]
            if name is None or _WITH_EXPONENT.fullmatch(name):
                return found[0]
            new = re.sub(r"[^A-Za-z0-9_]", "_", name)
            new = f"_{new}" if new[0].isdigit() else new
            if name not in told:
                told.add(name)
                text = f"the name '{name}' is read as '{new}'; expected letters, digits and '_',"
                self._flaw(self._line(found.start()), "", f"{text} no digit first", harmless=True)
            return new

        return _ODD_NAME.sub(plain, text)

    def _flaw(
        self, line: int, message: str, text: str, signal: str = "", *, harmless: bool = False
    ) -> None:
        self.flaws.append(Flaw(line, message, text, signal, harmless))

    def _edit(self, start: int, end: int, text: str = "") -> None:
        """Put a text in the place of another; without one, only its ends of lines stay."""
        self._edits.append((start, end, text or "\n" * self._source.count("\n", start, end) or " "))

    def _edited(self) -> str:
        pieces, last = [], 0
        for start, end, text in sorted(self._edits):
            if start >= last:
                pieces += [self._source[last:start], text]
                last = end
        return "".join([*pieces, self._source[last:]])

    def _walk(self) -> None:
        """Every statement once, in the order of the file."""
        source, place = self._source, 0
        take = {"BO_": self._message, "SG_": self._signal, "BA_DEF_": self._definition}
        while token := _TOKEN.search(source, place):
            place, word = token.end(), token["word"]
            if word is None:
                continue
            if word == "NS_":
                section = _SECTION.match(source, token.start())
                place = section.end() if section else place
                continue
            if word != "SG_":
                self._head = None
            found = _WHOLE[word].match(source, token.start())
            if found is not None and (word != "SG_" or self._sound(found)):
                place = found.end()
                if word in take:
                    take[word](found)
                elif word not in ("CM_", "VAL_TABLE_"):
                    self._later.append((word, found))
                continue
            begin = source.rfind("\n", 0, token.start()) + 1
            if not source[begin : token.start()].strip():
                place = self._unread(word, token.start())

    @staticmethod
    def _sound(found: Match) -> bool:
        return all(isfinite(float(found[key])) for key in ("scale", "offset", "least", "most"))

    def _unread(self, word: str, start: int) -> int:
        """Leave out a statement that is not whole; where the next may begin."""
        source = self._source
        line_end = source.find("\n", start)
        line_end = len(source) if line_end < 0 else line_end
        following = _NEXT.search(source, start + len(word))
        end = line_end if word in _EXPECTED or following is None else following.end()
        self._edit(start, end)
        if word == "SG_" and re.search(r"\bBO_\s", source[start:end]):
            word = "BO_"  # what follows belongs to a message that is lost with this line
        line = self._line(start)
        shown = " ".join(source[start : min(end, line_end, start + 40)].split())
        text = f"'{shown}' cannot be read, and is left out"
        if word in _EXPECTED:
            text += f"; expected like '{_EXPECTED[word]}'"
        name, harmless = self._head.name if self._head is not None else "", False
        if word == "BO_":
            named = _NAMED.match(source, start)
            name = named[2] if named else ""
            self._head = Head(line, name, (-1, False), 0, left_out=True)
            self.heads.append(self._head)
            if named:
                self._by_number.setdefault(int(named[1]), self._head)
        elif word == "SG_" and self._head is not None:
            self._head.lost.update(re.findall(r"SG_\s+(\w+)", source[start:end]))
            if self._head.left_out:
                return end
        elif word not in _EXPECTED:
            harmless, name = self._judged(word, source[start:end])
            if not harmless and not name:
                self.fatal = self.fatal or (line, text.removesuffix(", and is left out"))
        self._flaw(line, name, text, harmless=harmless)
        return end

    def _judged(self, word: str, statement: str) -> tuple[bool, str]:
        """Whether a statement that cannot be read is harmless, and which message it may harm. One
        that does not end as it should may have run into another.
        """
        ended = statement.rstrip().endswith('";' if word == "CM_" else ";")
        if not ended or _OTHERS.search(statement, len(word)):
            return False, ""
        if word in _WORDS_ONLY:
            return True, ""
        number = re.search(r"(?:VAL_|VALTYPE_|BO_|SG_|TX_BU_)\s+(\d+)\s", statement)
        head = self._by_number.get(int(number[1])) if number else None
        return False, "" if head is None else head.name

    def _message(self, found: Match) -> None:
        line, name, length = self._line(found.start()), found["name"], int(found["bytes"])
        number = int(found["id"])
        key = (
            (number & ~_EXTENDED, bool(number & _EXTENDED)) if number < 1 << 32 else (number, True)
        )
        head = Head(line, name, key, length)
        self._head = head
        if name == _UNASSIGNED:
            self._by_number.setdefault(number, head)
            head.left_out = True
            self._edit(found.start(), found.end())
            return
        self.heads.append(head)
        if found["sender"] is None:
            self._edit(found.end(), found.end(), f" {_NOBODY}")
            self._flaw(line, name, f"no sender; read as '{_NOBODY}'", harmless=True)
        else:
            head.nodes.add(found["sender"].strip())
        if not key[1] and _BASE_MASK < number <= _EXTENDED_MASK:
            head.key = key = (number, True)
            self._edit(found.start("id"), found.end("id"), str(number | _EXTENDED))
            text = f"identifier {number:#x} is above {_BASE_MASK:#x}, the last of a base frame;"
            self._flaw(line, name, f"{text} read as that of an extended frame")
        told = ""
        other = self._by_key.get(key)
        if key[0] > _EXTENDED_MASK:
            told = f"identifier {key[0]:#x}; expected at most {_EXTENDED_MASK:#x}"
        elif length > LONGEST_BYTES:
            told = f"{length} bytes; expected at most {LONGEST_BYTES}"
        elif other is not None:
            told = f"message {other.name} on line {other.line} has its identifier"
            text = f"message {name} on line {line} has its identifier too"
            self._flaw(other.line, other.name, text)
        if told:
            head.left_out = True
            self._edit(found.start(), found.end())
            self._flaw(line, name, f"{told}; left out")
        else:
            self._by_key[key] = head
            self._twice(head)
        self._by_number.setdefault(number, head)

    def _twice(self, head: Head) -> None:
        """Two messages of one name."""
        other = self._by_name.setdefault(head.name, head)
        if other is not head:
            self._flaw(other.line, other.name, f"a message on line {head.line} has its name too")
            self._flaw(head.line, head.name, f"a message on line {other.line} has its name")

    def _signal(self, found: Match) -> None:
        head, name, line = self._head, found["name"], self._line(found.start())
        if head is None:
            self._edit(found.start(), found.end())
            text = f"signal {name} belongs to no message; left out"
            self._flaw(line, "", text, harmless=True)
            return
        head.nodes.update(re.findall(r"\w+", found["receivers"] or ""))
        told = "" if head.left_out else self._misplaced(head, found)
        if told:
            self._flaw(line, head.name, f"{told}; left out", name)
            head.lost.update({name} - head.signals.keys())
        if told or head.left_out:
            self._edit(found.start(), found.end())
        else:
            self._kept(head, found, line)

    @staticmethod
    def _misplaced(head: Head, found: Match) -> str:
        """Why a signal cannot be read; empty if it can."""
        start, bits = int(found["start"]), int(found["bits"])
        first = start if found["order"] != "0" else 8 * (start // 8) + 7 - start % 8
        if found["name"] in head.signals:
            return f"line {head.signals[found['name']].line} has a signal of this name"
        if bits < 1:
            return f"{_bits(bits)}; expected 1 or more"
        if start < 0:
            return f"starts at bit {start}; expected 0 or more"
        if first + bits > 8 * head.bytes:
            return f"{_bits(bits)} from bit {start} on do not fit into {head.bytes} bytes"
        return ""

    def _kept(self, head: Head, found: Match, line: int) -> None:
        """A signal that can be read, and what is odd about it."""
        name, mark = found["name"], found["mark"] or ""
        if mark and not _MARK.fullmatch(mark):
            self._edit(found.start("mark"), found.end("mark"))
            text = f"its mark '{mark}' cannot be read; expected 'M' of a multiplexer or like 'm3'"
            self._flaw(line, head.name, text, name)
            mark = ""
        head.signals[name] = Placed(line, int(found["bits"]), found["sign"] == "-", mark)
        if found["receivers"] is None:
            self._edit(found.end(), found.end(), f" {_NOBODY}")
            text = f"no receiver; read as '{_NOBODY}'"
            self._flaw(line, head.name, text, name, harmless=True)
        if float(found["scale"]) == 0:
            self._flaw(line, head.name, "its factor is 0, so its value never changes", name)
        if float(found["least"]) > float(found["most"]):
            least, most = found["most"], found["least"]
            self._edit(found.start("least"), found.end("most"), f"{least}|{most}")
            text = f"its range is given as {most} to {least}; read as {least} to {most}"
            self._flaw(line, head.name, text, name)

    def _definition(self, found: Match) -> None:
        name, kind = found["attribute"][1:-1], found["type"]
        choices = len(_TEXTS.findall(found["values"]))
        numbers = [] if choices else found["values"].split()
        told = ""
        if kind not in _TYPES.get(name, (kind,)):
            told = f"of the type {kind}; expected {' or '.join(_TYPES[name])}"
        elif kind in _NUMERIC and (choices or len(numbers) == 1 or None in map(_number, numbers)):
            told = "its limits are not two numbers"
        self._types[name] = ("" if told else kind, choices)
        if told:
            self._drop_attribute(found, told, None)

    def _default(self, found: Match) -> None:
        name = found["attribute"][1:-1]
        kind, choices = self._types.get(name, ("unknown", 0))
        told = ""
        if kind == "unknown" and name in _READ:
            told = "no BA_DEF_ says what it is"
        elif kind in _NUMERIC and _number(found["value"]) is None:
            told = f"its default {found['value']} is no number"
        elif kind == "ENUM" and found["value"][0] != '"':
            told = f"its default {found['value']} is none of its {choices} choices"
        if told:
            self._drop_attribute(found, told, None)

    def _attribute(self, found: Match) -> None:
        name = found["attribute"][1:-1]
        kind, choices = self._types.get(name, ("unknown", 0))
        value = _number(found["value"])
        told = ""
        if kind == "unknown":
            told = "no BA_DEF_ says what it is"
        elif kind in (*_NUMERIC, "ENUM") and value is None:
            told = f"{found['value']} is no number"
        elif kind == "ENUM" and value is not None and not 0 <= value < choices:
            told = f"{found['value']} is none of its {choices} choices"
        owner = _OF_ONE.match(found["owner"] or "")
        number = int(owner["id"]) if owner else -1
        head = self._by_number.get(number)
        told = told or _misattributed(name, owner, head)
        if told:
            self._drop_attribute(found, told, head)
        elif not kind or (head is not None and head.left_out):
            self._edit(found.start(), found.end())  # told of its definition, or of its message
        elif owner is not None and head is not None and head.key[1] and not number & _EXTENDED:
            start = found.start("owner") + 4
            self._edit(start, found.start("owner") + owner.end("id"), str(number | _EXTENDED))
        elif owner is not None and head is None and name in _READ:
            told = f"no message has the identifier {number}"
            self._drop_attribute(found, told, None)

    def _drop_attribute(self, found: Match, told: str, head: Head | None) -> None:
        name, line = found["attribute"][1:-1], self._line(found.start())
        self._edit(found.start(), found.end())
        lost = _READ if found[0].startswith("BA_DEF_") else _PROTECTING
        if head is None and name in lost:  # it may concern any message
            self.fatal = self.fatal or (line, f"attribute {name}: {told}")
        if head is None or not head.left_out:
            text = f"attribute {name}: {told}; left out"
            message = "" if head is None else head.name
            self._flaw(line, message, text, harmless=head is None)

    def _with_identifier(self, word: str, found: Match) -> None:
        """A statement about a message, or about one of its signals."""
        number = int(found["id"])
        head = self._by_number.get(number)
        name = found["name"] if "name" in found.re.groupindex else ""
        if head is not None and (head.left_out or name in head.lost):
            self._edit(found.start(), found.end())
            return
        if head is not None and head.key[1] and not number & _EXTENDED:
            self._edit(found.start("id"), found.end("id"), str(number | _EXTENDED))
        if word == "BO_TX_BU_" and head is not None:
            head.nodes.update(re.findall(r"\w+", found["senders"]))
        if word not in ("VAL_", "SIG_VALTYPE_", "SG_MUL_VAL_"):
            return
        line = self._line(found.start())
        if head is None or name not in head.signals:
            self._edit(found.start(), found.end())
            what = f"no message has the identifier {number}"
            what = what if head is None else f"the message has no signal '{name}'"
            harmless = word == "VAL_" or head is None
            text = f"{word} {number} {name}: {what}; left out"
            self._flaw(line, "" if head is None else head.name, text, harmless=harmless)
            return
        signal = head.signals[name]
        for told, harmless in self._of_signal(word, found, head, name, signal):
            self._flaw(line, head.name, told, name, harmless=harmless)

    def _of_signal(
        self, word: str, found: Match, head: Head, name: str, signal: Placed
    ) -> Iterator[tuple[str, bool]]:
        if word == "VAL_":
            if not found[0].endswith(";"):
                self._edit(found.end(), found.end(), " ;")
                yield "VAL_ has no ';' at its end", True
            strange = _strange([raw for raw, _ in _VALUE.findall(found["pairs"])], signal)
            if strange:
                listed = ", ".join(strange[:3]) + (", ..." if len(strange) > 3 else "")
                kind = "signed" if signal.signed else "unsigned"
                yield f"VAL_ names {listed}; it has {_bits(signal.bits)}, {kind}", True
        elif word == "SIG_VALTYPE_":
            if int(found["type"]) in (1, 2) and signal.bits not in _FLOATING:
                self._edit(found.start(), found.end())
                yield f"a floating-point number of {_bits(signal.bits)}; expected 32 or 64", False
        else:
            switch = head.signals.get(found["switch"])
            ranges = [(int(low), int(high)) for low, high in _RANGE.findall(found["ranges"])]
            told = ""
            if switch is None or not switch.mark.endswith("M"):
                told = f"'{found['switch']}' is no multiplexer of the message"
            elif not signal.mark:
                told = "it is not marked as multiplexed"
            elif sum(max(0, high - low + 1) for low, high in ranges) > _MOST_SELECTED:
                told = f"more than {_MOST_SELECTED} values of '{found['switch']}' select it"
            elif self._circular(head, name, found["switch"]):
                told = "its multiplexers select each other"
            if told:
                self._edit(found.start(), found.end())
                yield f"SG_MUL_VAL_: {told}; left out", False
            else:
                self._selected[id(head), name] = found["switch"]

    def _circular(self, head: Head, name: str, switch: str) -> bool:
        seen = {name}
        while switch not in seen:
            seen.add(switch)
            if (id(head), switch) not in self._selected:
                return False
            switch = self._selected[id(head), switch]
        return True

    def _multiplexed(self) -> None:
        """Signals of which nothing says what selects them; the parser takes them for plain ones."""
        for head in self.heads:
            if head.left_out:
                continue
            switches = [name for name, signal in head.signals.items() if signal.mark.endswith("M")]
            for name, signal in head.signals.items():
                if not signal.mark.startswith("m") or (id(head), name) in self._selected:
                    continue
                if len(switches) == 1 and switches[0] != name:
                    continue
                told = "it is multiplexed, and no signal of the message is its multiplexer"
                if len(switches) > 1:
                    told = f"which of {', '.join(switches)} selects it is not said"
                self._flaw(signal.line, head.name, told, name)


def _misattributed(name: str, owner: Match | None, head: Head | None) -> str:
    """Why an attribute says nothing of what it should; empty if it does."""
    if name not in _OWNERS:
        return ""
    kind, what = _OWNERS[name]
    if owner is None or owner["kind"] != kind:
        return f"it is given to no {what}; expected '{kind}' and its identifier"
    signal = owner["signal"]
    if head is None or kind != "SG_" or head.left_out or signal in {*head.signals, *head.lost}:
        return ""
    return f"the message has no signal '{signal}'"


def _strange(values: list[str], signal: Placed) -> list[str]:
    """The named values that a signal cannot have, each with what it is read as."""
    whole = 1 << signal.bits
    low = -(whole >> 1) if signal.signed else 0
    told = []
    for text in values:
        value = int(text)
        if low <= value < low + whole:
            continue
        fits = -(whole >> 1) <= value < whole
        told.append(f"{value} (read as {low + (value - low) % whole})" if fits else text)
    return told


def _bits(number: int) -> str:
    return "1 bit" if number == 1 else f"{number} bits"


def _number(text: str) -> float | None:
    """The number that an attribute's value stands for, also in quotation marks."""
    try:
        value = float(text.strip('"'))
    except ValueError:
        return None
    return value if isfinite(value) else None
