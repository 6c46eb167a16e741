"""When the bits of a frame begin: counted from its start of frame, rounded to the nearest ns."""

from __future__ import annotations

from typing import Protocol

from linkloss.bus.frame import Frame, fast_bits
from linkloss.clock.queue import NS_PER_S


class BitClock(Protocol):
    """For each number of bits from a start of frame on, how long they take in ns. A list is one."""

    def __getitem__(self, count: int, /) -> int:
        """How long so many bits take."""


class SwitchingClock:
    """The bits of a frame of which some go at the data bit rate; what follows it is nominal.

    :param bit_rate: bits per second.
    :param data_bit_rate: bits per second between BRS and the end of the CRC delimiter.
    """

    __slots__ = ("_fast_from", "_fast_to", "_rate", "_twice")

    def __init__(self, frame: Frame, bit_rate: int, data_bit_rate: int) -> None:
        self._fast_from, self._fast_to = fast_bits(frame)
        self._rate = bit_rate, data_bit_rate
        self._twice = 2 * bit_rate * data_bit_rate

    def __getitem__(self, count: int, /) -> int:
        bit_rate, data_bit_rate = self._rate
        fast = min(max(count, self._fast_from), self._fast_to) - self._fast_from
        units = (count - fast) * data_bit_rate + fast * bit_rate  # of 1 / (both rates) seconds
        return (2 * units * NS_PER_S + self._twice // 2) // self._twice
