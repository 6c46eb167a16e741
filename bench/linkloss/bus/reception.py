"""What a receiver makes of the bits it sees, from the start of frame to the end of the CRC."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

from linkloss.bus.coding import crc_of_bits
from linkloss.bus.frame import Frame

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
        """Take in one more bit of the stuffed part."""
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
        """The frame, once it is complete; None where the CRC does not fit."""
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
        """How many bits there will be, as far as the bits up to now tell."""
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
