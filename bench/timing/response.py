"""Worst-case response times: from the instant a message is due until its frame has left the wire.

Source: Davis, Burns, Bril, Lukkien: "Controller Area Network (CAN) schedulability analysis:
Refuted, revisited and revised", Real-Time Systems 35 (2007) 239-272. Numbers of equations below
are the paper's.

    due ----- J ------> queued ------------- w ------------> start of frame --- C ---> free again
                               blocking B, then all that ranks higher

A response time includes the three bits of intermission; the message is with its receivers three
bits earlier (page 250).

The level of a message stays busy from the critical instant on for a busy period t (8), in which
several of its instances may fall (10); each is looked at (11, 12), for the first need not be the
slowest: that is what the earlier analysis overlooked. With errors, each costs at most 31 bits and
the longest frame that may have to be repeated (18 to 20).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from bench.timing.stream import NO_ERRORS, NS_PER_S, Errors, Stream, time_of, utilisation

ERROR_BITS = 31
"""From an error until the next start of frame, at most: 6 passive flag, 6 flag of others, 8
delimiter, 3 intermission, 8 suspended transmission (page 247; Bosch CAN Specification 2.0)."""

LONGEST_BUSY_NS = 100 * NS_PER_S
"""A busy period beyond this is not followed: the wire is all but full."""


@dataclass(frozen=True, slots=True)
class Response:
    """The worst case of one message.

    ``worst_ns`` is R (13), ``busy_ns`` the busy period t (8), ``instances`` how many instances
    fall into it (Q), ``slowest`` which of them, counted from 0, is the slowest one, and
    ``buffered`` how many instances can be waiting in the controller at one time (14).
    """

    worst_ns: int
    busy_ns: int
    instances: int
    slowest: int
    buffered: int


@dataclass(slots=True)
class Demand:
    """What streams ask of the wire. Those of equal period and jitter are counted as one."""

    bit_rate: int
    _groups: dict[tuple[int, int], int] = field(default_factory=dict)
    longest_ns: int = 0

    def add(self, stream: Stream) -> None:
        """Count in one stream more."""
        length_ns = time_of(stream.bits, self.bit_rate)
        key = stream.period_ns, stream.jitter_ns
        self._groups[key] = self._groups.get(key, 0) + length_ns
        self.longest_ns = max(self.longest_ns, length_ns)

    def within(self, span_ns: int) -> int:
        """The longest time that their frames take of an interval: sum of ceil((t+J)/T) C."""
        return sum(
            -(-(span_ns + jitter_ns) // period_ns) * length_ns
            for (period_ns, jitter_ns), length_ns in self._groups.items()
        )


def demand_of(streams: Iterable[Stream], bit_rate: int) -> Demand:
    """What a set of streams asks of the wire."""
    demand = Demand(bit_rate)
    for stream in streams:
        demand.add(stream)
    return demand


def responses(
    streams: Sequence[Stream], bit_rate: int, errors: Errors = NO_ERRORS
) -> dict[str, Response | None]:
    """The worst case of every stream, by name; None where the wire may never catch up.

    :raises ValueError: if two streams have one name or one rank.
    """
    ordered = in_order(streams)
    found: dict[str, Response | None] = {}
    higher = Demand(bit_rate)
    blocking_ns = _longest_below(ordered, bit_rate)
    share, longest_bits = Fraction(0), 0
    for stream, below_ns in zip(ordered, blocking_ns, strict=True):
        share += utilisation([stream], bit_rate)
        longest_bits = max(longest_bits, stream.bits)
        found[stream.name] = None
        if share + _share_of_errors(longest_bits, bit_rate, errors) < 1:
            found[stream.name] = worst_response(stream, higher, below_ns, errors)
        higher.add(stream)
    return found


def _longest_below(ordered: Sequence[Stream], bit_rate: int) -> list[int]:
    """For each stream, the longest frame of those after it, in ns; 0 for the last."""
    found = [0]
    for stream in reversed(ordered[1:]):
        found.append(max(found[-1], time_of(stream.bits, bit_rate)))
    return found[::-1][-len(ordered) :] if ordered else []


def in_order(streams: Sequence[Stream]) -> list[Stream]:
    """Streams from the highest priority down. Raises ValueError for equal names or ranks."""
    if len({s.name for s in streams}) < len(streams) or len({s.rank for s in streams}) < len(
        streams
    ):
        raise ValueError("each stream has a name and a rank of its own")
    return sorted(streams, key=lambda stream: stream.rank)


def converges(streams: Sequence[Stream], bit_rate: int, errors: Errors = NO_ERRORS) -> bool:
    """Whether a busy period of these streams surely ends: U < 1 (9), what errors cost included."""
    longest_bits = max((stream.bits for stream in streams), default=0)
    share = utilisation(streams, bit_rate)
    return share + _share_of_errors(longest_bits, bit_rate, errors) < 1


def _share_of_errors(longest_bits: int, bit_rate: int, errors: Errors) -> Fraction:
    if errors.interval_ns is None:
        return Fraction(0)
    cost_ns = time_of(ERROR_BITS, bit_rate) + time_of(longest_bits, bit_rate)
    return Fraction(cost_ns, errors.interval_ns)


def worst_response(
    stream: Stream, higher: Demand, blocking_ns: int, errors: Errors = NO_ERRORS
) -> Response | None:
    """The worst case of one stream below others (10 to 14, 19, 20).

    :param higher: what ranks above it; together they must converge.
    :param blocking_ns: the longest frame that ranks below it (B, 5).
    Returns None if the busy period is longer than ``LONGEST_BUSY_NS``.
    """
    own_ns, tick_ns = time_of(stream.bits, higher.bit_rate), time_of(1, higher.bit_rate)
    error_ns = time_of(ERROR_BITS, higher.bit_rate) + max(own_ns, higher.longest_ns)
    period_ns, jitter_ns = stream.period_ns, stream.jitter_ns
    busy_ns, next_ns = 0, own_ns
    while next_ns != busy_ns:
        busy_ns = next_ns
        if busy_ns > LONGEST_BUSY_NS:
            return None
        own_frames = -(-(busy_ns + jitter_ns) // period_ns)
        next_ns = blocking_ns + own_frames * own_ns + higher.within(busy_ns)
        next_ns += errors.most(busy_ns) * error_ns
    instances = -(-(busy_ns + jitter_ns) // period_ns)
    worst_ns, slowest, wait_ns = 0, 0, blocking_ns
    for instance in range(instances):
        wait_ns, next_ns = -1, max(wait_ns, blocking_ns + instance * own_ns)
        while next_ns != wait_ns:
            wait_ns = next_ns
            next_ns = blocking_ns + instance * own_ns + higher.within(wait_ns + tick_ns)
            next_ns += errors.most(wait_ns + own_ns) * error_ns
        response_ns = jitter_ns + wait_ns - instance * period_ns + own_ns
        if response_ns > worst_ns:
            worst_ns, slowest = response_ns, instance
        wait_ns += own_ns
    return Response(worst_ns, busy_ns, instances, slowest, -(-worst_ns // period_ns))
