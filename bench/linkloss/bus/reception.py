"""The bits of a frame at either end: what a sender drives, and what a receiver makes of the bits
that it sees, from the start of frame to the end of the CRC.

Sources of the format: :mod:`linkloss.bus.bits`. A recessive bit after FDF, which is reserved for
future formats, is an error here; a controller may also be set to wait for the end of such a frame
instead (from memory of ISO 11898-1:2015, protocol exception).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache

from linkloss.bus.bits import LENGTHS, crc_of_bits, crc_sequence, stuff_count
from linkloss.bus.frame import TAIL_BITS, FdFrame, Frame, bits, fast_bits

_IDE = 13
"""The place of IDE, unstuffed."""

_BASE_HEAD_BITS = 19
_EXTENDED_HEAD_BITS = 39
"""Start of frame to data length code, unstuffed (Bosch CAN Specification 2.0, part B section 3)."""

_CRC_BITS = 15
_STUFF_AFTER = 5


class Heard(Enum):
    """What a bit meant to a receiver."""

    MORE = "more bits follow"
    END = "the CRC sequence is complete"
    STUFF_ERROR = "six equal bits"
    FORM_ERROR = "a bit of fixed form has the other value"


class Reception:
    """A frame on its way in: the bits without stuff bits, and how many there will be.

    The reserved bits and SRR may have either value (part B section 3 and the addendum of 1997).
    """

    __slots__ = ("_content", "_due", "_last", "_run", "fast")

    def __init__(self, seen: Iterable[int] = (0,)) -> None:
        self._content: list[int] = []
        self._due = _IDE + 1
        self._last = 1
        self._run = 0
        self.fast = False
        """Whether its next bit has the data bit rate."""
        for bit in seen:
            self.hear(bit)

    def hear(self, bit: int) -> Heard:
        """Read one more bit of the stuffed part."""
        if self._run == _STUFF_AFTER:
            if bit == self._last:
                return Heard.STUFF_ERROR
            self._last, self._run = bit, 1
        else:
            if bit == self._last:
                self._run += 1
            else:
                self._last, self._run = bit, 1
            self._content.append(bit)
            if len(self._content) == self._due:
                self._look_ahead()
        # after five equal bits at the end of the CRC a stuff bit is still to come
        complete = len(self._content) == self._due and self._run < _STUFF_AFTER
        return Heard.END if complete else Heard.MORE

    def frame(self) -> Frame | None:
        """The frame, once it is complete; None if the CRC is wrong."""
        content, crc = self._content[:-_CRC_BITS], self._content[-_CRC_BITS:]
        if crc_of_bits(_text(content)) != _number(crc):
            return None
        extended = bool(content[_IDE])
        head = _EXTENDED_HEAD_BITS if extended else _BASE_HEAD_BITS
        identifier = _number(content[1:12])
        if extended:
            identifier = identifier << 18 | _number(content[14:32])
        data = content[head:]
        return Frame(
            identifier,
            bytes(_number(data[place : place + 8]) for place in range(0, len(data), 8)),
            extended=extended,
            remote=self._remote(),
            dlc=_number(content[head - 4 : head]),
        )

    def _look_ahead(self) -> None:
        """Update how many bits there will be, as far as the bits up to now tell."""
        extended = self._content[_IDE]
        head = _EXTENDED_HEAD_BITS if extended else _BASE_HEAD_BITS
        if self._due < head:
            self._due = head
        elif self._due == head:
            dlc = _number(self._content[head - 4 : head])
            size = 0 if self._remote() else min(dlc, 8)
            self._due = head + 8 * size + _CRC_BITS

    def _remote(self) -> bool:
        return bool(self._content[32] if self._content[_IDE] else self._content[12])


def _text(bits: Iterable[int]) -> str:
    return "".join(map(str, bits))


def _number(bits: Iterable[int]) -> int:
    return int(_text(bits), 2)


_BASE_FDF, _EXTENDED_FDF = 14, 33
_TO_BRS, _TO_LENGTH = 2, 7
"""From FDF to BRS, and to the last bit of the data length code."""


class FdReception(Reception):
    """A frame on its way in, classical or not."""

    __slots__ = ("_field", "_fixed", "_raw", "_size")

    def __init__(self, seen: tuple[int, ...] = (0,)) -> None:
        self._raw: list[int] = []
        self._field: list[int] | None = None
        """Stuff count and CRC, once they begin."""
        self._fixed = True
        """Whether a fixed stuff bit comes next in that field."""
        self._size = 0
        super().__init__(seen)

    def hear(self, bit: int) -> Heard:
        """Read one more bit before the CRC delimiter."""
        if self._field is not None:
            return self._hear_field(self._field, bit)
        self._raw.append(bit)
        heard = super().hear(bit)
        if heard is Heard.STUFF_ERROR or not self._is_fd():
            return heard
        reserved = self._fdf() + 1
        if len(self._content) == reserved + 1 and self._content[reserved]:
            return Heard.FORM_ERROR
        return Heard.MORE

    def frame(self) -> Frame | None:
        """The frame, once it is complete; None if its CRC or its stuff count is wrong."""
        if not self._is_fd():
            return super().frame()
        assert self._field is not None
        count, crc = _bits_text(self._field[:4]), _bits_text(self._field[4:])
        content = self._content
        if count != stuff_count(len(self._raw) - len(content)):
            return None
        if crc != crc_sequence(_bits_text(self._raw) + count, self._size):
            return None
        fdf = self._fdf()
        identifier = int(_bits_text(content[1:12]), 2)
        if content[13]:
            identifier = identifier << 18 | int(_bits_text(content[14:32]), 2)
        data = _bits_text(content[fdf + _TO_LENGTH + 1 :])
        return FdFrame(
            identifier,
            bytes(int(data[place : place + 8], 2) for place in range(0, len(data), 8)),
            bool(content[13]),
            bit_rate_switch=bool(content[fdf + _TO_BRS]),
            error_state_indicator=bool(content[fdf + _TO_BRS + 1]),
        )

    def _hear_field(self, field: list[int], bit: int) -> Heard:
        if self._fixed:
            if bit == self._last:
                return Heard.FORM_ERROR
            self._last, self._fixed = bit, False
            return Heard.MORE
        field.append(bit)
        self._last = bit
        if len(field) == 4 + (17 if self._size <= 16 else 21):
            return Heard.END
        self._fixed = len(field) % 4 == 0
        return Heard.MORE

    def _look_ahead(self) -> None:
        content = self._content
        fdf = self._fdf()
        if self._due <= fdf:
            self._due = fdf + 1
        elif not content[fdf]:
            super()._look_ahead()
        elif self._due == fdf + 1:
            self._due = fdf + _TO_BRS + 1
        elif self._due == fdf + _TO_BRS + 1:
            self.fast = bool(content[-1])
            self._due = fdf + _TO_LENGTH + 1
        elif self._due == fdf + _TO_LENGTH + 1:
            self._size = LENGTHS[int(_bits_text(content[-4:]), 2)]
            self._due += 8 * self._size
            if not self._size:
                self._field = []
        else:
            self._field = []

    def _fdf(self) -> int:
        return _EXTENDED_FDF if self._content[13] else _BASE_FDF

    def _is_fd(self) -> bool:
        fdf = self._fdf() if len(self._content) > 13 else _EXTENDED_FDF
        return len(self._content) > fdf and bool(self._content[fdf])


def _bits_text(bits: list[int]) -> str:
    return "".join(map(str, bits))


_BASE_CONTEST = 13
_EXTENDED_CONTEST = 33
"""SOF and arbitration field, unstuffed: 11 bits of identifier and RTR, or 29 bits of identifier,
SRR, IDE and RTR (Bosch CAN Specification 2.0, part B section 3.1.1)."""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A frame as its sender drives it. All places are counted from the start of frame, from 0."""

    frame: Frame
    bits: tuple[int, ...]
    """0 is dominant. The acknowledgement slot is recessive: others fill it."""
    contest: int
    """The first place after the arbitration field: from there on no one can win the bus."""
    stuff: frozenset[int]
    """The stuff bits inside the arbitration field, that is, before its last bit."""
    ack: int
    """The acknowledgement slot."""
    fast: tuple[int, int]
    """The first place at the data bit rate, and the first one after those."""

    @property
    def length(self) -> int:
        """How many bits it has, up to the end of frame."""
        return len(self.bits)


@lru_cache(maxsize=512)
def outgoing(frame: Frame) -> Outgoing:
    """A frame in bits, with its parts; cached, because failing frames are repeated."""
    line = bits(frame)
    ack = len(line) - TAIL_BITS + 1
    driven = [int(bit) for bit in line]
    driven[ack] = 1
    contest, stuff = _contest(line, _EXTENDED_CONTEST if frame.extended else _BASE_CONTEST)
    return Outgoing(frame, tuple(driven), contest, stuff, ack, fast_bits(frame))


def _contest(line: str, content: int) -> tuple[int, frozenset[int]]:
    """Where the first ``content`` bits of content end in a stuffed line, and the stuff bits
    before.
    """
    stuff = set()
    run, last, place = 0, "", 0
    while content:
        bit = line[place]
        if run == 5:
            stuff.add(place)
            run = 1
        else:
            run = run + 1 if bit == last else 1
            content -= 1
        last = bit
        place += 1
    return place, frozenset(stuff)
