"""What the bus tells its observers, and what disturbs it."""

from __future__ import annotations

from math import floor, log
from random import Random
from typing import Literal, NamedTuple

from linkloss.bus.frame import Frame

Cause = Literal["ack", "disturbed", "collision", "broken_off"]
"""Why a frame failed: no acknowledgement; a bit seen other than sent; two nodes that sent different
content under one identifier; or a sender that went away.
"""


class BitError(NamedTuple):
    """A bit that is seen inverted, as if a disturbance had hit its sample point."""

    bit: int
    """Counted from the start of frame, which is bit 0, stuff bits included."""
    nodes: frozenset[str] | None = None
    """The controllers that see it inverted; None: all of them."""


class BitRecord(NamedTuple):
    """One bit on a segment that is followed bit by bit."""

    start_ns: int
    end_ns: int
    nodes: tuple[str, ...]
    """The controllers on the segment in cable order; the sets below count them from bit 0 on."""
    driven: int
    """The set of controllers that drive the bus dominant."""
    seen: int
    """The set of controllers that see it dominant."""


class BusRecord(NamedTuple):
    """One frame, or an attempt at one, on one segment.

    A failed one may have receivers all the same: an error in the last two bits of the end of frame
    comes too late for them, and so does an error after the last dominant bit whose sender is
    error-passive. Its sender repeats it.
    """

    start_ns: int
    """The instant of its start of frame."""
    end_ns: int
    """The end of its end of frame; for a failed one, the end of the bit that showed the error,
    unless some receivers accepted it all the same.
    """
    sender: str
    frame: Frame
    """As it stood on the bus, which is not what the sender queued if a fault altered it."""
    receivers: tuple[str, ...] = ()
    """The controllers to which it was validly delivered, before filters and receive FIFO."""
    error: Cause | None = None
    lost_overrun: tuple[str, ...] = ()
    """Receivers whose receive FIFO was full: they lost this frame, or the newest one in the
    FIFO.
    """
    rivals: tuple[str, ...] = ()
    """Other nodes that sent the same identifier from the same start of frame on."""
    bus: str = ""
    """The name of the bus; empty where there is only one."""


class Noise:
    """Each bit is seen inverted with one probability, independently of all others.

    The gap to the next hit is drawn at once (geometric distribution), so that a frame without a hit
    costs no more than a subtraction.

    Only bits between a start of frame and the end of the intermission count. A glitch on the idle
    bus, which would look like a start of frame, is left out.

    :param share: the bit error rate, above 0 and below 1.
    :param random: the source of randomness.
    :param node: the controller that sees the bits inverted; None: all alike.
    """

    def __init__(self, share: float, random: Random, node: str | None = None) -> None:
        self.node = node
        self._scale = log(1 - share)
        self._random = random
        self._left = self._gap()

    def spares(self, bits: int) -> bool:
        """Whether the next ``bits`` bits pass without a hit. If so, they have passed."""
        if self._left < bits:
            return False
        self._left -= bits
        return True

    def strikes(self) -> bool:
        """Whether the next bit is hit."""
        if self._left:
            self._left -= 1
            return False
        self._left = self._gap()
        return True

    def _gap(self) -> int:
        """How many bits pass before the next one is hit."""
        return floor(log(1 - self._random.random()) / self._scale)
