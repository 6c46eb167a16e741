"""What the bench needs to know of each message of the DBC, compiled for speed.

Two attributes of our message definitions say how a message protects its content: the signal
attribute ``LinkRole`` (``payload``, ``counter``, ``checksum``) and the message attribute
``ChecksumKind``. The checks here are the bench's own and share no code with any node.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import reduce
from itertools import chain
from math import inf
from operator import xor
from pathlib import Path
from typing import Any

import cantools
from cantools.database import Database
from cantools.database.can import Message as DbcMessage
from cantools.database.can import Signal as DbcSignal

from linkloss.problem import BadInput

Reader = Callable[[bytes], int]


@dataclass(frozen=True, slots=True)
class SignalInfo:
    """One signal. ``raw`` reads its raw value; physical = raw * scale + offset."""

    name: str
    raw: Reader
    scale: float
    offset: float
    length_bits: int
    choices: Mapping[int, str]
    minimum: float | None = None
    maximum: float | None = None
    """``minimum`` to ``maximum``: the range that the DBC gives it, in its unit; None where it gives
    none.
    """
    unit: str | None = None
    floating: bool = False
    """Whether ``raw`` is the bit pattern of an IEEE 754 number."""
    shown: Callable[[bytes], bool] | None = None
    """Whether a payload has the signal, where a multiplexer decides that; None: every payload has
    it.
    """
    page: frozenset[tuple[str, frozenset[int]]] = frozenset()
    """The multiplexers that select the signal, each with the values by which it does. Signals of
    one page come in the same frames.
    """
    turns: int = 1
    """How many pages take turns with its own, that one included."""
    switch: bool = False
    """Whether it is a multiplexer: it tells which other signals a payload has."""

    def physical(self, data: bytes) -> float:
        """The signal's value in its unit."""
        raw = self.raw(data)
        return (_float(raw, self.length_bits) if self.floating else raw) * self.scale + self.offset

    def present(self, data: bytes) -> bool:
        """Whether a payload has the signal: another page of a multiplexed message does not."""
        return self.shown is None or self.shown(data)

    def nonzero(self, data: bytes) -> bool:
        """Whether its raw value is other than zero; a floating point number has two zeros."""
        raw = self.raw(data)
        return bool(_float(raw, self.length_bits) if self.floating else raw)

    def ends(self, length: int) -> tuple[float, float]:
        """The least and the largest value that its bits hold in a payload of ``length`` bytes."""
        if self.floating:
            return -inf, inf
        signed = self.raw(b"\xff" * length) < 0
        bits = self.length_bits - signed
        raw = (-(1 << bits) if signed else 0, (1 << bits) - 1)
        low, high = sorted(end * self.scale + self.offset for end in raw)
        return low, high

    def strays(self, length: int) -> bool:
        """Whether its bits can hold a value outside the range of the DBC."""
        low, high = self.ends(length)
        least = -inf if self.minimum is None else self.minimum
        most = inf if self.maximum is None else self.maximum
        return low < least or high > most

    def in_range(self, data: bytes) -> bool:
        """Whether the value lies in the range of the DBC, or has a name there; a signal that the
        payload does not have is in range. Half a step beyond a limit is rounding.
        """
        if not self.present(data):
            return True
        value, slack = self.physical(data), abs(self.scale) / 2
        low = -inf if self.minimum is None else self.minimum - slack
        high = inf if self.maximum is None else self.maximum + slack
        return low <= value <= high or self.raw(data) in self.choices


@dataclass(frozen=True, slots=True)
class MessageInfo:
    """One message: who sends it, how often, how long it is and how it is protected."""

    name: str
    identifier: int
    extended: bool
    length: int
    senders: tuple[str, ...]
    period_ns: int | None
    signals: Mapping[str, SignalInfo]
    counter: SignalInfo | None
    checksum: Callable[[bytes], bool] | None
    guards: frozenset[str] = frozenset()
    """The signals that protect the others: counter and checksum."""
    fd: bool = False
    """Whether its frames are CAN FD frames."""


LONGEST_BYTES = 1785
"""The longest message that a DBC file describes as one: what the transport protocol of SAE J1939-21
carries, 255 packets of 7 bytes (from memory).
"""


def load_database(path: Path, *, strict: bool = True) -> Database:
    """Read a DBC file. Raises BadInput in one line.

    ``strict``: signals that overlap or do not fit their message are mistakes too.
    """
    try:
        _refuse_giants(path)
        database = cantools.database.load_file(str(path), database_format="dbc", strict=strict)
    except FileNotFoundError:
        raise BadInput.one(path, "", "there is no such file; expected a DBC file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput.one(path, "", f"cannot be read: {error}") from None
    except BadInput:
        raise
    except Exception as error:  # noqa: BLE001 - the parser raises whatever it stumbles over
        raise BadInput.one(path, "", f"this is no valid DBC: {_one_line(error)}") from None
    if not isinstance(database, Database):
        raise BadInput.one(path, "", "this file defines no CAN messages")
    for message in database.messages:
        for signal in message.signals:
            if signal.start < 0:
                where = f"message {message.name}, signal {signal.name}"
                text = f"starts at bit {signal.start}; expected 0 or more"
                raise BadInput.one(path, where, text)
    return database


_NUMBERS = re.compile(r"\bBO_\s+\d+\s+(\w+)\s*:\s*(\d+)|\bSG_\s+(\w+)[^:|]*:\s*(\d+)\s*\|\s*(\d+)")


def _refuse_giants(path: Path) -> None:
    """The parser lays out every bit up to the end of a signal: a typo there would cost it hours and
    all memory.
    """
    text = path.read_text(encoding="cp1252", errors="replace")
    for found in _NUMBERS.finditer(text):
        message, length, signal, start, bits = found.groups()
        line = text.count("\n", 0, found.start()) + 1
        if message and int(length) > LONGEST_BYTES:
            told = f"{length} bytes; expected at most {LONGEST_BYTES}"
            raise BadInput.one(path, f"message {message}", told, line)
        if signal and int(start) + int(bits) > 8 * LONGEST_BYTES:
            told = f"{bits} bits from bit {start} on; expected to end by bit {8 * LONGEST_BYTES}"
            raise BadInput.one(path, f"signal {signal}", told, line)


def _one_line(error: BaseException) -> str:
    """The parser's own words; where it tried several formats, those about the DBC."""
    error = getattr(error, "e_dbc", None) or error
    return " ".join(str(error).split()) or type(error).__name__


def compile_messages(database: Database, file: Path) -> dict[str, MessageInfo]:
    """All messages of a database by name. Raises BadInput for roles that make no sense."""
    return {message.name: compile_message(message, file) for message in database.messages}


def compile_message(message: DbcMessage, file: Path) -> MessageInfo:
    """One message. Raises BadInput for roles that make no sense."""
    signals = {signal.name: _signal(message, signal) for signal in message.signals}
    counter = _with_role(message, "counter", file)
    checksum = _with_role(message, "checksum", file)
    return MessageInfo(
        name=message.name,
        identifier=message.frame_id,
        extended=message.is_extended_frame,
        length=message.length,
        senders=tuple(message.senders),
        period_ns=None if message.cycle_time is None else message.cycle_time * 1_000_000,
        signals=signals,
        counter=None if counter is None else signals[counter.name],
        checksum=None if checksum is None else _checker(message, checksum, file),
        guards=frozenset(signal.name for signal in (counter, checksum) if signal is not None),
        fd=message.is_fd,
    )


def _with_role(message: DbcMessage, role: str, file: Path) -> DbcSignal | None:
    found = [signal for signal in message.signals if attribute(signal, "LinkRole") == role]
    if len(found) > 1:
        names = ", ".join(signal.name for signal in found)
        raise BadInput.one(file, message.name, f"several signals are its {role}: {names}")
    if found and found[0].multiplexer_ids:
        text = f"its {role} is multiplexed; expected a {role} in every frame"
        raise BadInput.one(file, f"{message.name}.{found[0].name}", text)
    return found[0] if found else None


def attribute(owner: Any, name: str) -> Any:
    """The value of a DBC attribute of a message or signal, as text where it comes from a list."""
    attributes = owner.dbc.attributes if owner.dbc is not None else {}
    if name not in attributes:
        return None
    attribute = attributes[name]
    choices = attribute.definition.choices
    value = attribute.value
    return choices[value] if choices and isinstance(value, int) else value


_FLOATS = {16: "e", 32: "f", 64: "d"}


def _float(raw: int, bits: int) -> float:
    """The IEEE 754 number whose bit pattern is ``raw``."""
    pattern = (raw % (1 << bits)).to_bytes(bits // 8, "big")
    return float(struct.unpack(f">{_FLOATS[bits]}", pattern)[0])


def _page(message: DbcMessage, signal: DbcSignal) -> Iterator[tuple[DbcSignal, frozenset[int]]]:
    """The multiplexers that select a signal, from the nearest one on, each with its values."""
    while signal.multiplexer_signal is not None:
        ids = frozenset(signal.multiplexer_ids or ())
        signal = message.get_signal_by_name(signal.multiplexer_signal)
        yield signal, ids


def _turns(message: DbcMessage, signal: DbcSignal) -> int:
    """In how many frames a signal comes once, where all pages take turns: common practice."""
    turns = 1
    for switch, own in _page(message, signal):
        ids = {
            frozenset(other.multiplexer_ids or ())
            for other in message.signals
            if other.multiplexer_signal == switch.name
        }
        turns *= len({*chain.from_iterable(ids)} - own) + 1
    return turns


def _shown(message: DbcMessage, signal: DbcSignal) -> Callable[[bytes], bool] | None:
    """Whether a payload has a signal: its multiplexer, and any multiplexer of that one,
    select it.
    """
    tests = [(_reader(switch, message.length), ids) for switch, ids in _page(message, signal)]
    if not tests:
        return None
    return lambda data: all(read(data) in ids for read, ids in tests)


def _signal(message: DbcMessage, signal: DbcSignal) -> SignalInfo:
    length = message.length
    choices = {int(raw): str(text) for raw, text in (signal.choices or {}).items()}
    return SignalInfo(
        name=signal.name,
        raw=_reader(signal, length),
        scale=float(signal.scale),
        offset=float(signal.offset),
        length_bits=signal.length,
        choices=choices,
        minimum=None if signal.minimum is None else float(signal.minimum),
        maximum=None if signal.maximum is None else float(signal.maximum),
        unit=signal.unit,
        floating=signal.is_float,
        shown=_shown(message, signal),
        page=frozenset((switch.name, ids) for switch, ids in _page(message, signal)),
        turns=_turns(message, signal),
        switch=bool(signal.is_multiplexer),
    )


def _reader(signal: DbcSignal, length: int) -> Reader:
    """The raw value straight from the payload: one shift, one mask."""
    mask = (1 << signal.length) - 1
    if signal.byte_order == "little_endian":
        shift, order = signal.start, "little"
    else:
        # A big-endian start bit names the most significant bit, counted within its own byte
        # from the right: turn it into a distance from the end of the payload.
        first = 8 * (signal.start // 8) + 7 - signal.start % 8
        shift, order = 8 * length - first - signal.length, "big"
    sign = 1 << (signal.length - 1)
    from_bytes = int.from_bytes
    if signal.is_signed:
        return lambda data: (
            (((from_bytes(data, order) >> shift) & mask) ^ sign) - sign  # type: ignore[arg-type]
        )
    return lambda data: (from_bytes(data, order) >> shift) & mask  # type: ignore[arg-type]


def _checker(message: DbcMessage, signal: DbcSignal, file: Path) -> Callable[[bytes], bool]:
    kind = attribute(message, "ChecksumKind") or "crc8"
    if kind not in _CHECKSUMS:
        text = f"unknown ChecksumKind '{kind}'; expected one of: {', '.join(_CHECKSUMS)}"
        raise BadInput.one(file, message.name, text)
    if signal.length != 8 or signal.start % 8 != (0 if signal.byte_order == "little_endian" else 7):
        raise BadInput.one(file, f"{message.name}.{signal.name}", "a checksum fills one whole byte")
    place = signal.start // 8
    seed = message.frame_id.to_bytes(4 if message.is_extended_frame else 2, "big")
    value = _CHECKSUMS[kind]
    return lambda data: value(seed + data[:place] + data[place + 1 :]) == data[place]


def _crc8_table() -> bytes:
    table = bytearray()
    for byte in range(256):
        for _ in range(8):
            byte = (byte << 1) ^ (0x1D if byte & 0x80 else 0)
        table.append(byte & 0xFF)
    return bytes(table)


_CRC8 = _crc8_table()


def crc8(data: bytes) -> int:
    """CRC-8 of SAE J1850: polynomial 0x1D, start 0xFF, final inversion; "123456789" gives 0x4B.

    Source: the published test vectors of the E2E libraries (tests/against/test_checksum.py).
    """
    value = 0xFF
    for byte in data:
        value = _CRC8[value ^ byte]
    return value ^ 0xFF


_CHECKSUMS: dict[str, Callable[[bytes], int]] = {
    "crc8": crc8,
    "xor": lambda data: reduce(xor, data, 0),
    "sum": lambda data: sum(data) & 0xFF,
}
