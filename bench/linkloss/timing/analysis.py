"""A whole message plan: every message's worst case, its slack, and what other bit rates give."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from linkloss.timing.limits import known_limits, mailbox_limits, spread
from linkloss.timing.load import Load, load_of
from linkloss.timing.losses import Patience, patience, shortest_bits
from linkloss.timing.order import Order, find_order
from linkloss.timing.plan import Plan, Planned, shared_format
from linkloss.timing.response import Response, responses
from linkloss.timing.stream import Stream

BIT_RATES = (10_000, 20_000, 50_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""The usual ones, in bit/s (CiA DS-102)."""


@dataclass(frozen=True, slots=True)
class Bound:
    """One message at one bit rate: its worst case, or why it has none.

    ``patience`` is that of its most impatient receiver, None if nobody watches it or there is no
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
        """What is left until the deadline; negative when it may be missed."""
        if self.response is None or self.message.deadline_ns is None:
            return None
        return self.message.deadline_ns - self.response.worst_ns

    @property
    def wait_ns(self) -> int | None:
        """From the controller to the receivers at most: without jitter; intermission included."""
        return None if self.worst_ns is None else self.worst_ns - self.message.jitter_ns

    @property
    def late(self) -> bool:
        """Whether it may miss its deadline, or go stale with nothing lost."""
        missed = self.slack_ns is not None and self.slack_ns < 0
        return missed or (self.patience is not None and self.patience.losses is None)


@dataclass(frozen=True, slots=True)
class Analysis:
    """A plan at one bit rate. ``bounds`` stand in order of priority."""

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
    """Another order of priority: it helps if ``stuck`` is empty.

    ``identifiers`` deals the plan's own identifiers out anew, in the order of ``names``; it is
    empty where base and extended ones are mixed, because a frame's length hangs on the format.
    """

    names: tuple[str, ...]
    identifiers: tuple[int, ...]
    stuck: tuple[str, ...]


def analyse(plan: Plan, bit_rate: int | None = None) -> Analysis:
    """Work out every message of a plan, at its own bit rate or at another one (bit/s)."""
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
    """Reasons beget reasons: what has no bound may fill mailboxes, and keeps others waiting."""
    while True:
        reasons = spread(plan.messages, limits)
        bounded = {n: r for n, r in found.items() if r is not None and n not in reasons}
        more = mailbox_limits(plan, bounded)
        if not more:
            return reasons
        limits = more | limits


def _with_blocking(plan: Plan, streams: Sequence[Stream], rate: int) -> dict[str, Response | None]:
    """The worst cases of streams, blocked also by the messages below that have no period."""
    known = {stream.name for stream in streams}
    others = [m for m in plan.messages if m.name not in known]
    seldom = [replace(m, shortest_ns=_NEVER_NS, jitter_ns=0).stream for m in others if m.classical]
    found = responses([*streams, *seldom], rate, plan.errors)
    return {name: response for name, response in found.items() if name in known}


_NEVER_NS = 10**18
"""So seldom that only its length counts, as the frame that is just on the bus."""


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
    """Requests that may take longer over the bus than ``worst_wait`` in the vehicle file says."""
    limit_ns = plan.worst_wait_ns
    if limit_ns is None:
        return ()
    return tuple(
        bound
        for bound in analysis.bounds
        if bound.message.watches and bound.wait_ns is not None and bound.wait_ns > limit_ns
    )


def what_if(plan: Plan, bit_rates: Sequence[int] = BIT_RATES) -> tuple[Analysis, ...]:
    """The plan at other bit rates, its own among them."""
    return tuple(analyse(plan, rate) for rate in sorted({*bit_rates, plan.bit_rate}))


def propose(plan: Plan) -> Proposal | None:
    """A priority order by Audsley's method, for a plan in which deadlines are missed.

    None where reasons other than priority stand in the way of a bound, so that no order helps.
    """
    if known_limits(plan) or not plan.messages:
        return None
    deadlines = {message.name: message.deadline_ns or 0 for message in plan.messages}
    order = find_order([m.stream for m in plan.messages], deadlines, plan.bit_rate, plan.errors)
    return _proposal(plan, order)


def _proposal(plan: Plan, order: Order) -> Proposal:
    names = tuple(stream.name for stream in order.streams)
    stuck = tuple(stream.name for stream in order.stuck)
    identifiers: tuple[int, ...] = ()
    if not stuck and shared_format(plan.messages):
        identifiers = tuple(sorted(message.identifier for message in plan.messages))
    return Proposal(names, identifiers, stuck)


def reordered(plan: Plan, proposal: Proposal) -> Plan:
    """The plan with its identifiers dealt out as proposed.

    :raises ValueError: if the proposal deals out no identifiers.
    """
    if not proposal.identifiers:
        raise ValueError("the proposal deals out no identifiers")
    given = dict(zip(proposal.names, proposal.identifiers, strict=True))
    messages = (replace(m, identifier=given[m.name]) for m in plan.messages)
    return replace(plan, messages=tuple(sorted(messages, key=lambda m: m.rank)))
