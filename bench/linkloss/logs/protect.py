"""Counters and checksums in a log: where they jump, where they fail.

Our own message definitions say which signal is which. Other definitions only give names: there, a
signal that is named like a counter counts as one only if it counts. A checksum is then left alone,
since its algorithm is not known.

:class:`Columns` decodes the signals of one message over many frames at once, since decoding a frame
of ten signals takes longer than reading it from a log. Payloads are gathered and laid side by side
as 64-bit numbers, and a signal is taken out of all of them with one shift and one mask:

    payloads   11 22 33 | 11 23 33 | ...      gathered, all of one length
    columns    11 11 .. | 22 23 .. | 33 33 ..
    words      0x332211   0x332311            one number for each payload
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from cantools.database.can import Message as DbcMessage
from cantools.database.can import Signal as DbcSignal

from linkloss.vehicle.messages import attribute, compile_message

MOST_BYTES = 8


class Columns:
    """Payloads of one length, at most 8 bytes, side by side."""

    def __init__(self, payloads: Sequence[bytes], length: int) -> None:
        self._joined = b"".join(payloads)
        self._count = len(payloads)
        self._length = length
        self._words: dict[str, memoryview] = {}

    def words(self, byte_order: str) -> memoryview:
        """Each payload as a number, read as little or as big endian."""
        found = self._words.get(byte_order)
        if found is None:
            laid = bytearray(MOST_BYTES * self._count)
            for place in range(self._length):
                target = place if byte_order == "little_endian" else self._length - 1 - place
                laid[_native(target) :: MOST_BYTES] = self._joined[place :: self._length]
            found = self._words[byte_order] = memoryview(laid).cast("Q")
        return found


def _native(place: int) -> int:
    """Where a byte of this significance lies in a number of this machine."""
    little = struct.pack("=H", 1)[0] == 1
    return place if little else MOST_BYTES - 1 - place


class SignalColumn:
    """How one signal is taken out of the words, and its smallest and largest value so far."""

    def __init__(self, signal: DbcSignal, length: int) -> None:
        self.name: str = signal.name
        self.unit: str = signal.unit or ""
        self.choices = {int(raw): str(text) for raw, text in (signal.choices or {}).items()}
        self.length_bits: int = signal.length
        self.byte_order: str = signal.byte_order
        self.shift = _shift(signal, length)
        self.mask = (1 << signal.length) - 1
        self.scale, self.offset = float(signal.scale), float(signal.offset)
        self._value = _reading(signal)
        self.least: float | None = None
        self.most: float | None = None
        self.seen: set[int] = set()

    def raw(self, columns: Columns) -> list[int]:
        """The signal's raw bits in each payload."""
        shift, mask = self.shift, self.mask
        return [word >> shift & mask for word in columns.words(self.byte_order)]

    def take(self, columns: Columns) -> None:
        """Take more payloads into account."""
        shift, mask = self.shift, self.mask
        bits = {word >> shift & mask for word in columns.words(self.byte_order)}
        if self.choices and len(self.seen) <= len(self.choices):
            self.seen |= bits
        values = [self._value(raw) for raw in bits]
        values = [value for value in values if value == value]  # noqa: PLR0124 - leaves out NaN
        if values:
            low, high = min(values), max(values)
            self.least = low if self.least is None else min(self.least, low)
            self.most = high if self.most is None else max(self.most, high)

    @property
    def limits(self) -> tuple[float, float] | None:
        """The smallest and the largest value in its unit; None if there was none."""
        if self.least is None or self.most is None:
            return None
        ends = sorted(value * self.scale + self.offset for value in (self.least, self.most))
        return ends[0], ends[1]

    @property
    def named(self) -> list[str]:
        """The names of the values that occurred, if the DBC names values."""
        return [self.choices[raw] for raw in sorted(self.seen) if raw in self.choices]


def plain_signals(message: DbcMessage) -> list[SignalColumn]:
    """The signals of a message that are in each of its frames and can be read as columns."""
    if message.length > MOST_BYTES or message.is_container:
        return []
    return [
        SignalColumn(signal, message.length)
        for signal in message.signals
        if not signal.multiplexer_ids and _fits(signal, message.length)
    ]


def _shift(signal: DbcSignal, length: int) -> int:
    if signal.byte_order == "little_endian":
        return int(signal.start)
    # A big-endian start bit names the most significant bit, counted within its own byte from the
    # right: turn it into a distance from the end of the payload.
    first = 8 * (signal.start // 8) + 7 - signal.start % 8
    return int(8 * length - first - signal.length)


def _fits(signal: DbcSignal, length: int) -> bool:
    """Whether a signal lies within its message; a DBC that is read leniently may say otherwise."""
    if signal.is_float and signal.length not in _FLOATS:
        return False
    shift = _shift(signal, length)
    return shift >= 0 and shift + signal.length <= 8 * length


_FLOATS = {16: ("<H", "<e"), 32: ("<I", "<f"), 64: ("<Q", "<d")}
"""By length in bits: an IEEE 754 number as bits and as a number, for ``struct``."""


def _reading(signal: DbcSignal) -> Callable[[int], float]:
    """From raw bits to a number, before scale and offset."""
    if signal.is_float:
        packed, shape = _FLOATS[signal.length]
        return lambda raw: float(struct.unpack(shape, struct.pack(packed, raw))[0])
    if not signal.is_signed:
        return _same
    sign = 1 << (signal.length - 1)
    return lambda raw: (raw ^ sign) - sign


def _same(raw: Any) -> Any:
    return raw


_COUNTER = re.compile(r"(^|_)(alive_?)?(counter|cntr?|ctr|rolling|alive)\d*$", re.IGNORECASE)
COUNTS_SHARE = 0.8
"""A signal that is only named like a counter is one if at least this share of its steps is one."""


@dataclass(slots=True)
class Protection:
    """The counter and the checksum of a message, and what they showed.

    ``repeats`` counts frames with the same counter as the one before, ``jumps`` those whose counter
    moved by more than one, ``failed`` those whose checksum is wrong.
    """

    counter: SignalColumn | None
    declared: bool
    checksum: Callable[[bytes], bool] | None
    steps: int = 0
    repeats: int = 0
    jumps: int = 0
    first_jump_ns: int | None = None
    failed: int = 0
    first_failed_ns: int | None = None
    _last: list[int] = field(default_factory=list)

    def take(self, times: Sequence[int], payloads: Sequence[bytes], columns: Columns) -> None:
        """Add frames of the right length, in order."""
        if self.counter is not None:
            self._count(times, self.counter.raw(columns), self.counter.mask)
        if self.checksum is not None:
            right = self.checksum
            wrong = [at for at, data in zip(times, payloads, strict=True) if not right(data)]
            if wrong:
                self.failed += len(wrong)
                if self.first_failed_ns is None:
                    self.first_failed_ns = wrong[0]

    def _count(self, times: Sequence[int], values: list[int], mask: int) -> None:
        start = len(self._last)
        joined = [*self._last, *values]
        steps = [(later - earlier) & mask for earlier, later in pairwise(joined)]
        self._last = values[-1:] or self._last
        self.steps += len(steps)
        ones = steps.count(1)
        if ones == len(steps):
            return
        self.repeats += steps.count(0)
        self.jumps += len(steps) - ones - steps.count(0)
        if self.first_jump_ns is None:
            place = next((i for i, step in enumerate(steps) if step > 1), None)
            if place is not None:
                self.first_jump_ns = times[place + 1 - start]

    @property
    def counts(self) -> bool:
        """Whether its counter really is a counter."""
        if self.counter is None or not self.steps:
            return False
        ones = self.steps - self.repeats - self.jumps
        return self.declared or ones >= COUNTS_SHARE * self.steps


def protection(message: DbcMessage) -> Protection | None:
    """How a message is protected, as far as its definition says; None if it is not."""
    counter = None
    declared = False
    for signal in message.signals:
        role = attribute(signal, "LinkRole")
        if role == "counter" or (counter is None and _COUNTER.search(signal.name)):
            if signal.multiplexer_ids or signal.is_signed or signal.length < 2:
                continue
            counter = SignalColumn(signal, message.length)
            declared = role == "counter"
    checksum = compile_message(message)[0].checksum
    if counter is None and checksum is None:
        return None
    return Protection(counter, declared, checksum)
