"""The analysis of a whole message plan: each message's worst case and slack, the bus load, and the
same at other bit rates.

The analysis holds as long as frames leave each node in order of priority and the declared gaps and
jitter are true. If a controller breaks that order, its messages reach the bus later than declared,
and may delay all messages of lower priority: these have no bound either. Messages of higher
priority keep their bound, because a frame of lower priority delays them by one frame at most.

The bus load is given with typical and with worst-case stuff bits.

Typical means the actual header, with data and CRC as random bits. Real data with long runs of zeros
has more stuff bits, but never more than the worst case.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

from linkloss.bus.bits import state_after, stuffed
from linkloss.bus.frame import INTERMISSION_BITS, TAIL_BITS, Frame, longest_bits
from linkloss.sizing.message_plan import (
    Patience,
    Plan,
    Planned,
    Stream,
    patience,
    shortest_bits,
)
from linkloss.sizing.response import Response, find_order, responses


def known_limits(plan: Plan) -> dict[str, str]:
    """Why messages have no bound, as far as the plan alone tells: name -> reason.

    Only causes in the message itself or in its node count; :func:`spread` adds the rest.
    """
    other = next((m for m in plan.messages if not m.classical), None)
    if other is not None:
        what = "is a CAN FD message" if other.fd else f"has {other.length} bytes"
        text = f"{other.name} {what}: only classical frames are covered"
        return {message.name: text for message in plan.messages}
    found = {}
    for message in plan.messages:
        reason = _own_reason(plan, message)
        if reason:
            found[message.name] = reason
    return found


def _own_reason(plan: Plan, message: Planned) -> str:
    if message.no_bound:
        return message.no_bound
    if message.shortest_ns is None:
        return "neither a cycle time in the DBC nor a 'min_gap' is declared"
    if len(message.senders) > 1:
        return f"{' and '.join(message.senders)} both send it"
    node = message.senders[0]
    others = [m.name for m in plan.messages if m.senders == (node,) and m is not message]
    if plan.nodes[node].order == "fifo" and others:
        return f"{node} sends in order of arrival, not of priority"
    return ""


def mailbox_limits(plan: Plan, bounded: Mapping[str, Response]) -> dict[str, str]:
    """Why messages have no bound because their node may run out of mailboxes: name -> reason. A
    message then has to wait outside, whatever its priority. Each message needs as many mailboxes as
    instances of it can wait at once; one without a bound may fill them all.
    """
    limits: dict[str, str] = {}
    for node, sending in plan.nodes.items():
        own = [m for m in plan.messages if m.senders == (node,)]
        endless = [m.name for m in own if m.name not in bounded]
        needed = sum(bounded[m.name].buffered for m in own if m.name in bounded)
        if endless and len(own) > 1:
            text = f"{endless[0]}, which has no bound, may fill the mailboxes of {node}"
        elif needed > sending.mailboxes:
            boxes = "mailbox" if sending.mailboxes == 1 else "mailboxes"
            text = f"{node} has {sending.mailboxes} {boxes} but {needed} frames may wait in it"
        else:
            continue
        limits.update({m.name: text for m in own if m.name in bounded})
    return limits


def spread(messages: Iterable[Planned], limits: Mapping[str, str]) -> dict[str, str]:
    """The same reasons, plus one for each message of lower priority than the first of them: it
    waits behind that one.
    """
    found: dict[str, str] = {}
    first = ""
    for message in messages:
        if message.name in limits:
            found[message.name] = limits[message.name]
            first = first or message.name
        elif first:
            found[message.name] = f"it waits behind {first}, which has no bound"
    return found


_CRC_BITS = 15
_RUN = 5


@dataclass(frozen=True, slots=True)
class Load:
    """The bus load, as shares of the bus's time (1.0 is all of it), intermissions included.

    ``typical`` and ``worst`` (stuff bits) count every message at its period; ``bursts`` counts each
    at its shortest gap all the time, with the worst-case stuff bits. ``left_out`` names messages
    without a period, and CAN FD messages.
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
    """The mean number of stuff bits in ``tosses`` random bits that follow a stuffing state (``last
    bit << 2 | run - 1``, see linkloss.bus.bits).
    """
    if tosses == 0:
        return 0.0
    last, run = state >> 2, (state & 3) + 1
    other = expected_stuff_bits((1 - last) << 2, tosses - 1)
    if run + 1 == _RUN:  # the stuff bit has the other value and begins a new run
        same = 1.0 + expected_stuff_bits((1 - last) << 2, tosses - 1)
    else:
        same = expected_stuff_bits(last << 2 | run, tosses - 1)
    return (other + same) / 2


BIT_RATES = (10_000, 20_000, 50_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""The usual bit rates, in bit/s (CiA DS-102)."""


@dataclass(frozen=True, slots=True)
class Bound:
    """One message at one bit rate: its worst case, or why it has none.

    ``patience`` is that of its most impatient receiver; None if no receiver watches it or it has no
    bound.
    """

    message: Planned
    response: Response | None
    why: str
    patience: Patience | None = None

    @property
    def worst_ns(self) -> int | None:
        """Worst-case response time, intermission included; None without a bound."""
        return None if self.response is None else self.response.worst_ns

    @property
    def slack_ns(self) -> int | None:
        """What is left before the deadline; negative if the message may miss it. None without a
        bound or a deadline.
        """
        if self.response is None or self.message.deadline_ns is None:
            return None
        return self.message.deadline_ns - self.response.worst_ns

    @property
    def wait_ns(self) -> int | None:
        """The longest time from the controller to the receivers: without jitter, intermission
        included. None without a bound.
        """
        return None if self.worst_ns is None else self.worst_ns - self.message.jitter_ns

    @property
    def late(self) -> bool:
        """Whether it may miss its deadline, or go stale although nothing is lost."""
        missed = self.slack_ns is not None and self.slack_ns < 0
        return missed or (self.patience is not None and self.patience.losses is None)


@dataclass(frozen=True, slots=True)
class Analysis:
    """The analysis of a plan at one bit rate, in bit/s. ``bounds`` are in order of priority."""

    bit_rate: int
    load: Load
    bounds: tuple[Bound, ...]

    @property
    def late(self) -> tuple[Bound, ...]:
        """The messages that may be late."""
        return tuple(bound for bound in self.bounds if bound.late)

    @property
    def unbounded(self) -> tuple[Bound, ...]:
        """The messages without a bound."""
        return tuple(bound for bound in self.bounds if bound.response is None)


@dataclass(frozen=True, slots=True)
class Proposal:
    """Another order of priority. It meets all deadlines if ``stuck`` is empty.

    ``identifiers`` are the plan's own identifiers, reassigned in the order of ``names``. They are
    empty if ``stuck`` is not, or if base and extended identifiers are mixed, because the length of
    a frame depends on its format.
    """

    names: tuple[str, ...]
    identifiers: tuple[int, ...]
    stuck: tuple[str, ...]


def analyse(plan: Plan, bit_rate: int | None = None) -> Analysis:
    """Analyse every message of a plan, at the plan's bit rate or at another one (bit/s)."""
    rate = plan.bit_rate if bit_rate is None else bit_rate
    limits = known_limits(plan)
    hopeless = spread(plan.messages, limits)
    streams = [m.stream for m in plan.messages if m.name not in hopeless]
    found = _with_blocking(plan, streams, rate)
    full = {name: FULL for name, response in found.items() if response is None}
    reasons = _all_reasons(plan, limits | full, found)
    bounds = []
    for message in plan.messages:
        why = reasons.get(message.name, "")
        response = None if why else found[message.name]
        bounds.append(
            Bound(message, response, why, _most_impatient(message, response, rate)),
        )
    return Analysis(rate, load_of(plan.messages, rate), tuple(bounds))


FULL = "this and all that ranks above it may fill the bus"


def _all_reasons(
    plan: Plan, limits: dict[str, str], found: Mapping[str, Response | None]
) -> dict[str, str]:
    """One reason can lead to others: a message without a bound may fill mailboxes, and delays
    others.
    """
    while True:
        reasons = spread(plan.messages, limits)
        bounded = {n: r for n, r in found.items() if r is not None and n not in reasons}
        more = mailbox_limits(plan, bounded)
        if not more:
            return reasons
        limits = more | limits


def _with_blocking(plan: Plan, streams: Sequence[Stream], rate: int) -> dict[str, Response | None]:
    """The worst case of each stream by name, with blocking by the other messages too."""
    known = {stream.name for stream in streams}
    others = [m for m in plan.messages if m.name not in known]
    seldom = [replace(m, shortest_ns=_NEVER_NS, jitter_ns=0).stream for m in others if m.classical]
    found = responses([*streams, *seldom], rate, plan.errors)
    return {name: response for name, response in found.items() if name in known}


_NEVER_NS = 10**18
"""So rare that only the length counts: it may be the frame that is on the bus already."""


def _most_impatient(message: Planned, response: Response | None, rate: int) -> Patience | None:
    period_ns = message.period_ns or message.shortest_ns
    if response is None or period_ns is None:
        return None
    quickest = shortest_bits(message.length, message.extended)
    found = [
        patience(watch, period_ns, response.worst_ns, quickest, rate) for watch in message.watches
    ]
    return min(
        found, key=lambda p: (-1 if p.losses is None else p.losses, p.slack_ns), default=None
    )


def overlong(plan: Plan, analysis: Analysis) -> tuple[Bound, ...]:
    """Watched messages that may take longer over the bus than ``worst_wait`` in the vehicle file
    allows.
    """
    limit_ns = plan.worst_wait_ns
    if limit_ns is None:
        return ()
    return tuple(
        bound
        for bound in analysis.bounds
        if bound.message.watches and bound.wait_ns is not None and bound.wait_ns > limit_ns
    )


def what_if(plan: Plan, bit_rates: Sequence[int] = BIT_RATES) -> tuple[Analysis, ...]:
    """The analysis at each of these bit rates (bit/s) and at the plan's own, the lowest first."""
    return tuple(analyse(plan, rate) for rate in sorted({*bit_rates, plan.bit_rate}))


def propose(plan: Plan) -> Proposal | None:
    """A priority order by Audsley's method, for a plan in which deadlines are missed.

    None if a bound is missing for reasons other than priority, so that no order helps.
    """
    if known_limits(plan) or not plan.messages:
        return None
    deadlines = {message.name: message.deadline_ns or 0 for message in plan.messages}
    order = find_order([m.stream for m in plan.messages], deadlines, plan.bit_rate, plan.errors)
    identifiers: tuple[int, ...] = ()
    if not order.stuck and len({message.extended for message in plan.messages}) == 1:
        identifiers = tuple(sorted(message.identifier for message in plan.messages))
    names, stuck = (tuple(s.name for s in some) for some in (order.streams, order.stuck))
    return Proposal(names, identifiers, stuck)
