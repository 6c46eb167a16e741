"""Worst-case response times, and a priority order in which every message meets its deadline.

The order is found by Audsley's method. It fills the places from the lowest priority up: any message
that meets its deadline in a place may have it, and no such choice can spoil a later one. The method
is optimal for this analysis; an order by deadline (less jitter) is not (Davis et al. 2007, section
5). Trying the longest deadlines first only saves time.

A response time runs from the instant a message is due until its frame has left the bus.

Source: Davis, Burns, Bril, Lukkien: "Controller Area Network (CAN) schedulability analysis:
Refuted, revisited and revised", Real-Time Systems 35 (2007) 239-272. Equation numbers below are the
paper's.

    due ----- J ------> queued ------------- w ------------> start of frame --- C ---> free again
                               blocking B, then all that ranks higher

A response time includes the three bits of intermission; the receivers have the message three bits
earlier (page 250).

From the critical instant on, the priority level of a message is busy for a busy period t (8), into
which several of its instances may fall (10). Each of them is checked (11, 12), because the first
need not be the slowest; the earlier analysis overlooked that. Each error costs at most 31 bits and
the longest frame that may have to be repeated (18 to 20).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from linkloss.sizing.message_plan import NO_ERRORS, NS_PER_S, Errors, Stream, time_of, utilisation

ERROR_BITS = 31
"""The most bits from an error to the next start of frame: 6 passive flag, 6 flag of others, 8
delimiter, 3 intermission, 8 suspend transmission (page 247; Bosch CAN Specification 2.0).
"""

LONGEST_BUSY_NS = 100 * NS_PER_S
"""A longer busy period is not followed: the bus is all but full."""


@dataclass(frozen=True, slots=True)
class Response:
    """The worst case of one message.

    ``worst_ns`` is R (13), ``busy_ns`` the busy period t (8), ``instances`` how many instances fall
    into it (Q), ``slowest`` which of them, counted from 0, is the slowest, and ``buffered`` how
    many instances can wait in the controller at once (14).
    """

    worst_ns: int
    busy_ns: int
    instances: int
    slowest: int
    buffered: int


@dataclass(slots=True)
class Demand:
    """The bus time that streams need. Streams of equal period and jitter are counted as one."""

    bit_rate: int
    _groups: dict[tuple[int, int], int] = field(default_factory=dict)
    longest_ns: int = 0

    def add(self, stream: Stream) -> None:
        """Add one stream."""
        length_ns = time_of(stream.bits, self.bit_rate)
        key = stream.period_ns, stream.jitter_ns
        self._groups[key] = self._groups.get(key, 0) + length_ns
        self.longest_ns = max(self.longest_ns, length_ns)

    def within(self, span_ns: int) -> int:
        """The most time that their frames take within an interval: sum of ceil((t+J)/T) C."""
        return sum(
            -(-(span_ns + jitter_ns) // period_ns) * length_ns
            for (period_ns, jitter_ns), length_ns in self._groups.items()
        )


def demand_of(streams: Iterable[Stream], bit_rate: int) -> Demand:
    """The bus time that a set of streams needs."""
    demand = Demand(bit_rate)
    for stream in streams:
        demand.add(stream)
    return demand


def responses(
    streams: Sequence[Stream], bit_rate: int, errors: Errors = NO_ERRORS
) -> dict[str, Response | None]:
    """The worst case of every stream, by name; None if the bus may never catch up.

    :raises ValueError: if two streams have one name or one rank.
    """
    if len({s.name for s in streams} | {s.rank for s in streams}) < 2 * len(streams):
        raise ValueError("each stream has a name and a rank of its own")
    ordered = sorted(streams, key=lambda stream: stream.rank)
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


def converges(streams: Sequence[Stream], bit_rate: int, errors: Errors = NO_ERRORS) -> bool:
    """Whether a busy period of these streams is sure to end: U < 1 (9), the cost of errors
    included.
    """
    longest_bits = max((stream.bits for stream in streams), default=0)
    share = utilisation(streams, bit_rate)
    return share + _share_of_errors(longest_bits, bit_rate, errors) < 1


def _share_of_errors(longest_bits: int, bit_rate: int, errors: Errors) -> Fraction:
    if errors.interval_ns is None:
        return Fraction(0)
    cost_ns = time_of(ERROR_BITS, bit_rate) + time_of(longest_bits, bit_rate)
    return Fraction(cost_ns, errors.interval_ns)


def worst_response(
    stream: Stream,
    higher: Demand,
    blocking_ns: int,
    errors: Errors = NO_ERRORS,
    limit_ns: int | None = None,
) -> Response | None:
    """The worst case of one stream among others (10 to 14, 19, 20).

    :param higher: the streams of higher priority; together with this one they must converge.
    :param blocking_ns: the longest frame of lower priority (B, 5).
    :param limit_ns: a response time beyond which the search stops.
    :returns: None if the busy period is longer than ``LONGEST_BUSY_NS`` or a response time exceeds
    the limit.
    """
    level = _Level(stream, higher, blocking_ns, errors)
    limit_ns = LONGEST_BUSY_NS if limit_ns is None else limit_ns
    wait_ns = level.wait_ns(0, blocking_ns, limit_ns)  # first: it may be too long already
    busy_ns = None if wait_ns is None else level.busy_ns()
    if busy_ns is None:
        return None
    instances = -(-(busy_ns + stream.jitter_ns) // stream.period_ns)
    worst_ns, slowest = 0, 0
    for instance in range(instances):
        wait_ns = level.wait_ns(instance, wait_ns or 0, limit_ns)
        if wait_ns is None:
            return None
        response_ns = level.response_ns(instance, wait_ns)
        if response_ns > worst_ns:
            worst_ns, slowest = response_ns, instance
        wait_ns += level.own_ns
    return Response(worst_ns, busy_ns, instances, slowest, -(-worst_ns // stream.period_ns))


class _Level:
    """One stream among those of higher and lower priority."""

    def __init__(self, stream: Stream, higher: Demand, blocking_ns: int, errors: Errors) -> None:
        rate = higher.bit_rate
        self.stream = stream
        self.higher = higher
        self.blocking_ns = blocking_ns
        self.errors = errors
        self.own_ns = time_of(stream.bits, rate)
        self.tick_ns = time_of(1, rate)
        self.error_ns = time_of(ERROR_BITS, rate) + max(self.own_ns, higher.longest_ns)

    def busy_ns(self) -> int | None:
        """The busy period (8, 19); None if it is longer than ``LONGEST_BUSY_NS``."""
        stream = self.stream
        busy_ns, next_ns = 0, self.own_ns
        while next_ns != busy_ns:
            busy_ns = next_ns
            if busy_ns > LONGEST_BUSY_NS:
                return None
            own_frames = -(-(busy_ns + stream.jitter_ns) // stream.period_ns)
            next_ns = self.blocking_ns + own_frames * self.own_ns + self.higher.within(busy_ns)
            next_ns += self.errors.most(busy_ns) * self.error_ns
        return busy_ns

    def wait_ns(self, instance: int, begin_ns: int, limit_ns: int) -> int | None:
        """How long an instance waits, from the beginning of the busy period (11, 20); None if its
        response time exceeds the limit. ``begin_ns`` is where the iteration starts, at or below the
        answer.
        """
        before_ns = self.blocking_ns + instance * self.own_ns
        wait_ns, next_ns = -1, max(begin_ns, before_ns)
        while next_ns != wait_ns:
            wait_ns = next_ns
            if self.response_ns(instance, wait_ns) > limit_ns:
                return None
            next_ns = before_ns + self.higher.within(wait_ns + self.tick_ns)
            next_ns += self.errors.most(wait_ns + self.own_ns) * self.error_ns
        return wait_ns

    def response_ns(self, instance: int, wait_ns: int) -> int:
        """From when an instance is due until the bus is free again (12)."""
        stream = self.stream
        return stream.jitter_ns + wait_ns - instance * stream.period_ns + self.own_ns


@dataclass(frozen=True, slots=True)
class Order:
    """Streams from the highest priority down; ``stuck`` are those for which no place was found."""

    streams: tuple[Stream, ...]
    stuck: tuple[Stream, ...]


def find_order(
    streams: Sequence[Stream],
    deadlines_ns: Mapping[str, int],
    bit_rate: int,
    errors: Errors = NO_ERRORS,
) -> Order:
    """An order in which all deadlines (in ns, by name) are met. If there is none, ``stuck`` holds
    the streams of which none can take the lowest place that is left.
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
