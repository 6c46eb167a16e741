"""What the bench needs to know of each message of the DBC, compiled for speed.

Two attributes of our message definitions say how a message protects its content: the signal
attribute ``LinkRole`` (``payload``, ``counter``, ``checksum``) and the message attribute
``ChecksumKind``. The checks here are the bench's own and share no code with any node.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import reduce
from itertools import chain
from math import inf
from operator import xor
from typing import Any

from cantools.database.can import Message as DbcMessage
from cantools.database.can import Signal as DbcSignal

Reader = Callable[[bytes], int]
MS = 1_000_000


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
    bus: str = ""
    """The name of the bus that it is on; empty for the only bus of a vehicle, if that has none."""

    def period_of(self, signal: str, page_cycle_ns: int | None) -> int:
        """How often a signal comes, in ns: one of a multiplexed message comes with its page. 0
        where the message has no cycle time. ``page_cycle_ns``: what the vehicle file says of pages.
        """
        info = self.signals[signal]
        if not info.page:
            return self.period_ns or 0
        return page_cycle_ns or (self.period_ns or 0) * info.turns


def compile_message(message: DbcMessage) -> tuple[MessageInfo, list[str]]:
    """One message, and what is wrong with it: a role or a cycle time that makes no sense is told,
    and left out.
    """
    told = [*_roles(message)]
    signals = {signal.name: _signal(message, signal) for signal in message.signals}
    counter = _with_role(message, "counter", told)
    checksum = _with_role(message, "checksum", told)
    info = MessageInfo(
        name=message.name,
        identifier=message.frame_id,
        extended=message.is_extended_frame,
        length=message.length,
        senders=tuple(message.senders),
        period_ns=_period_ns(message, told),
        signals=signals,
        counter=None if counter is None else signals[counter.name],
        checksum=None if checksum is None else _checker(message, checksum, told),
        guards=frozenset(signal.name for signal in (counter, checksum) if signal is not None),
        fd=message.is_fd,
    )
    return info, told


def _period_ns(message: DbcMessage, told: list[str]) -> int | None:
    """The cycle time in ns; None for a message that has none, or 0."""
    value = attribute(message, "GenMsgCycleTime")
    value = message.cycle_time if value is None else value
    try:
        period_ms = float(value or 0)
    except ValueError:
        period_ms = -1.0
    if 0 <= period_ms < inf:
        return round(period_ms * MS) or None
    told.append(f"GenMsgCycleTime is '{value}'; expected milliseconds, 0 or more")
    return None


_ROLES = (None, "payload", "counter", "checksum")


def _roles(message: DbcMessage) -> Iterator[str]:
    """Roles that no signal has; one that is misspelt would leave its message unprotected."""
    for signal in message.signals:
        role = attribute(signal, "LinkRole")
        if role not in _ROLES:
            expected = ", ".join(filter(None, _ROLES))
            yield f"signal {signal.name}: unknown LinkRole '{role}'; expected one of: {expected}"


def _with_role(message: DbcMessage, role: str, told: list[str]) -> DbcSignal | None:
    found = [signal for signal in message.signals if attribute(signal, "LinkRole") == role]
    if len(found) > 1:
        names = ", ".join(signal.name for signal in found)
        told.append(f"several signals are its {role}: {names}")
        return None
    if found and found[0].multiplexer_ids:
        text = (
            f"signal {found[0].name}: its {role} is multiplexed; expected a {role} in every frame"
        )
        told.append(text)
        return None
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
    return SignalInfo(
        name=signal.name,
        raw=_reader(signal, length),
        scale=float(signal.scale),
        offset=float(signal.offset),
        length_bits=signal.length,
        choices=_choices(signal),
        minimum=None if signal.minimum is None else float(signal.minimum),
        maximum=None if signal.maximum is None else float(signal.maximum),
        unit=signal.unit,
        floating=signal.is_float,
        shown=_shown(message, signal),
        page=frozenset((switch.name, ids) for switch, ids in _page(message, signal)),
        turns=_turns(message, signal),
        switch=bool(signal.is_multiplexer),
    )


def _choices(signal: DbcSignal) -> dict[int, str]:
    """The names of raw values. A raw value that is written with the other sign stands for its bits:
    255 is -1 for a signed signal of 8 bits; one that its bits cannot hold is left out.
    """
    whole = 1 << signal.length
    low = -(whole >> 1) if signal.is_signed else 0
    found: dict[int, str] = {}
    for raw, text in (signal.choices or {}).items():
        if low <= raw < low + whole:
            found[int(raw)] = str(text)
        elif -(whole >> 1) <= raw < whole:
            found.setdefault(low + (int(raw) - low) % whole, str(text))
    return found


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


def _checker(
    message: DbcMessage, signal: DbcSignal, told: list[str]
) -> Callable[[bytes], bool] | None:
    kind = attribute(message, "ChecksumKind") or "crc8"
    if kind not in _CHECKSUMS:
        text = f"unknown ChecksumKind '{kind}'; expected one of: {', '.join(_CHECKSUMS)}"
        told.append(text)
        return None
    if signal.length != 8 or signal.start % 8 != (0 if signal.byte_order == "little_endian" else 7):
        told.append(f"signal {signal.name}: a checksum fills one whole byte")
        return None
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
