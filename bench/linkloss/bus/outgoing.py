"""What a sender has to send, bit by bit, and what each of its bits is for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from linkloss.bus.frame import TAIL_BITS, Frame, bits, fast_bits

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
    """The first place behind the arbitration field: from there on nobody can win the bus."""
    stuff: frozenset[int]
    """The stuff bits inside the arbitration field, that is, in front of its last bit."""
    ack: int
    """The acknowledgement slot."""
    fast: tuple[int, int]
    """The first place at the data bit rate, and the first one behind those."""

    @property
    def length(self) -> int:
        """How many bits, to the end of frame."""
        return len(self.bits)


@lru_cache(maxsize=512)
def outgoing(frame: Frame) -> Outgoing:
    """A frame in bits, with its parts; remembered, because failing frames come again."""
    line = bits(frame)
    ack = len(line) - TAIL_BITS + 1
    driven = [int(bit) for bit in line]
    driven[ack] = 1
    contest, stuff = _contest(line, _EXTENDED_CONTEST if frame.extended else _BASE_CONTEST)
    return Outgoing(frame, tuple(driven), contest, stuff, ack, fast_bits(frame))


def _contest(line: str, content: int) -> tuple[int, frozenset[int]]:
    """Where the first so many bits of content end in a stuffed line, and the stuff bits before."""
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
