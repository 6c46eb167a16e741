"""A DBC file: its messages, and what is wrong with it.

A file that tools disagree about is read as far as it goes: a mistake spoils the message in which it
stands, and is told with its line. Whether it matters is for whoever uses the message.
"""

from __future__ import annotations

import logging
import re
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from cantools.database import Database
from cantools.database.can import Message as DbcMessage
from cantools.database.errors import Error as DatabaseError

from linkloss.problem import BadInput, Problem
from linkloss.vehicle.dbc_text import DbcText, Flaw, Key
from linkloss.vehicle.messages import MS, MessageInfo, compile_message

_OVERLAP = re.compile(r"The signals (\w+) and (\w+) are overlapping")
_LINE = re.compile(r"at line (\d+)")
_SHOWN = 8
"""So many flaws of one file are told one by one."""


@dataclass(frozen=True, slots=True)
class Dbc:
    """What was read of a file. ``messages`` holds the first of each name, ``lines`` where each
    identifier stands; ``nodes`` are those that send or receive a message, also one that was left
    out.
    """

    path: Path
    database: Database
    messages: Mapping[str, MessageInfo]
    lines: Mapping[Key, int]
    nodes: Mapping[str, frozenset[str]]
    flaws: tuple[Flaw, ...]
    bus: str = ""
    """The bus that names the file; empty where the vehicle does."""

    def problem(self, flaw: Flaw) -> Problem:
        """A flaw as a mistake."""
        return Problem(str(self.path), flaw.where, flaw.text, flaw.line)

    def place(self, key: Key) -> str:
        """File and line of a message, in words."""
        return f"{self.path.name}:{self.lines[key]}"

    def senders(self, message: str) -> Sequence[str]:
        """The nodes that send a message."""
        return self.messages[message].senders if message in self.messages else ()

    def notes(self, flaws: Sequence[Flaw]) -> tuple[str, ...]:
        """Flaws in sentences; of many, the first and how many more there are."""
        told = [str(replace(self.problem(flaw), file=self.path.name)) for flaw in flaws[:_SHOWN]]
        more = len(flaws) - _SHOWN
        if more > 0:
            told.append(f"{self.path.name}: {more} more flaw{'s' * (more > 1)} like these")
        return tuple(f"{sentence}." for sentence in told)


def read_dbc(path: Path) -> Dbc:
    """Read a DBC file. Raises BadInput in one line for a file that is none."""
    try:
        text = DbcText(_decoded(path.read_bytes()))
    except FileNotFoundError:
        raise BadInput.one(path, "", "there is no such file; expected a DBC file") from None
    except IsADirectoryError:
        raise BadInput.one(path, "", "this is a folder; expected a DBC file") from None
    except OSError as error:
        raise BadInput.one(path, "", f"cannot be read: {error.strerror}") from None
    if text.fatal is not None:
        raise BadInput.one(path, "", text.fatal[1], text.fatal[0])
    database = Database(strict=False)
    try:
        with quiet():
            database.add_dbc_string(text.text)
    except Exception as error:  # noqa: BLE001 - the parser raises whatever it stumbles over
        said = " ".join(str(error).split()) or type(error).__name__
        line = _LINE.search(said)
        said = f"this is no valid DBC: {said}"
        raise BadInput.one(path, "", said, int(line[1]) if line else 0) from None
    flaws, names, places = list(text.flaws), dict[int, str](), text.lines
    messages: dict[str, MessageInfo] = {}
    lines: dict[Key, int] = {}
    for message in database.messages:
        key = (message.frame_id, bool(message.is_extended_frame))
        lines[key] = places.get(key, 0)
        names[lines[key]] = message.name
        info, told = compile_message(message)
        message.cycle_time = milliseconds(info.period_ns)  # type: ignore[assignment]
        messages.setdefault(message.name, info)
        flaws += [Flaw(lines[key], message.name, what) for what in (*told, *_overlaps(message))]
    nodes: dict[str, frozenset[str]] = {}
    short: dict[str, str] = {}
    for head in text.heads:
        name = short[head.name] = names.get(head.line, head.name)
        nodes[name] = nodes.get(name, frozenset()) | head.nodes
    flaws = [replace(flaw, message=short.get(flaw.message, flaw.message)) for flaw in flaws]
    flaws.sort(key=lambda flaw: flaw.line)
    return Dbc(path, database, messages, lines, nodes, tuple(flaws))


def milliseconds(period_ns: int | None) -> int | float | None:
    """A cycle time as the parser keeps it."""
    if period_ns is None:
        return None
    return period_ns // MS if period_ns % MS == 0 else period_ns / MS


def _decoded(data: bytes) -> str:
    """The text of a file: with a byte order mark, in UTF-8, or else in Windows' western code."""
    if data[:2] in (BOM_UTF16_LE, BOM_UTF16_BE):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _overlaps(message: DbcMessage) -> list[str]:
    """Which signals share bits in the same payload; of several pairs the first."""
    try:
        message.refresh(strict=True)
    except DatabaseError as error:
        found = _OVERLAP.search(str(error))
        return [f"signals {found[1]} and {found[2]} overlap" if found else str(error)]
    return []


@contextmanager
def quiet() -> Iterator[None]:
    """The parser warns of what is told here with its place."""
    logger = logging.getLogger("cantools")
    level = logger.level
    logger.setLevel(logging.ERROR)
    try:
        yield
    finally:
        logger.setLevel(level)
