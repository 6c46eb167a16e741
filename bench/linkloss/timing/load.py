"""How much of the bus's time a message plan takes, with typical and with worst-case stuff bits.

Typical: the header stuffed as it is, data and CRC as a row of fair coin tosses. Real data with long
rows of zeros has more stuff bits, never more than the worst case.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from linkloss.bus.coding import state_after, stuffed
from linkloss.bus.frame import INTERMISSION_BITS, TAIL_BITS, Frame, longest_bits
from linkloss.timing.plan import Planned

_CRC_BITS = 15
_RUN = 5


@dataclass(frozen=True, slots=True)
class Load:
    """Shares of the bus's time, 1.0 being all of it, intermissions included.

    ``typical`` and ``worst`` (stuff bits) take every message at its period, ``bursts`` takes each
    at its shortest gap for ever, with the worst stuff bits. ``left_out`` names messages without a
    period, and those of CAN FD.
    """

    typical: float
    worst: float
    bursts: float
    left_out: tuple[str, ...]


def load_of(messages: Iterable[Planned], bit_rate: int) -> Load:
    """The bus load of a plan at a bit rate, in bit/s."""
    typical = worst = bursts = 0.0
    left_out = []
    for message in messages:
        if not message.classical or message.shortest_ns is None:
            left_out.append(message.name)
            continue
        longest = longest_bits(message.length, message.extended)
        per_s = 1e9 / (message.period_ns or message.shortest_ns) / bit_rate
        typical += typical_bits(message.identifier, message.length, message.extended) * per_s
        worst += longest * per_s
        bursts += longest * 1e9 / message.shortest_ns / bit_rate
    return Load(typical, worst, bursts, tuple(left_out))


def typical_bits(identifier: int, length: int, extended: bool = False) -> float:
    """The mean length in bits of a data frame with random content, intermission included."""
    head = Frame(identifier, bytes(length), extended).head
    sent = stuffed(head.bits)
    random_bits = 8 * length + _CRC_BITS
    added = expected_stuff_bits(state_after(sent), random_bits)
    return len(sent) + random_bits + added + TAIL_BITS + INTERMISSION_BITS


@cache
def expected_stuff_bits(state: int, tosses: int) -> float:
    """The mean number of stuff bits that fair coin tosses bring, from a state of stuffing on
    (``last bit << 2 | run - 1``, see linkloss.bus.coding).
    """
    if tosses == 0:
        return 0.0
    last, run = state >> 2, (state & 3) + 1
    other = expected_stuff_bits((1 - last) << 2, tosses - 1)
    if run + 1 == _RUN:  # the stuff bit is the other one and begins a row of its own
        same = 1.0 + expected_stuff_bits((1 - last) << 2, tosses - 1)
    else:
        same = expected_stuff_bits(last << 2 | run, tosses - 1)
    return (other + same) / 2
