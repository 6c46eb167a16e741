"""A priority order in which every message meets its deadline, where there is one.

Audsley's method fills the places from the lowest up: any message that meets its deadline there may
have the place, and no choice made so can spoil a later one. It is optimal for this analysis, where
an order by deadline (less jitter) is not: Davis et al. 2007, section 5. To try the longest
deadlines first only makes it quick.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from linkloss.timing.response import converges, demand_of, worst_response
from linkloss.timing.stream import NO_ERRORS, Errors, Stream, time_of


@dataclass(frozen=True, slots=True)
class Order:
    """Streams from the highest priority down; ``stuck`` are those for which no place was left."""

    streams: tuple[Stream, ...]
    stuck: tuple[Stream, ...]


def find_order(
    streams: Sequence[Stream],
    deadlines_ns: Mapping[str, int],
    bit_rate: int,
    errors: Errors = NO_ERRORS,
) -> Order:
    """An order in which all deadlines (by name) are met. If there is none, ``stuck`` holds the
    streams of which none can take the lowest place that is left.
    """
    left = sorted(
        streams, key=lambda s: (deadlines_ns[s.name] - s.jitter_ns, s.bits, s.rank), reverse=True
    )
    placed: list[Stream] = []
    while left:
        blocking_ns = max((time_of(s.bits, bit_rate) for s in placed), default=0)
        if not converges(left, bit_rate, errors):
            break
        for stream in left:
            higher = demand_of((s for s in left if s is not stream), bit_rate)
            limit_ns = deadlines_ns[stream.name]
            if worst_response(stream, higher, blocking_ns, errors, limit_ns) is not None:
                placed.append(stream)
                left.remove(stream)
                break
        else:
            break
    return Order(tuple(reversed(placed)), tuple(sorted(left, key=lambda s: s.rank)))
