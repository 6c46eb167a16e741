"""How long a value takes at worst from its source through a gateway to the other bus.

    due -- R of 'from' --> at the gateway -- latency --> handed over -- w + C --> at the receivers

A gateway that passes on each message as it comes *inherits* what its source may be early or late:
relative to the earliest arrival, the message ``to`` is handed over with a jitter of

    J = R of 'from' - its shortest time over the bus + latency

(Tindell and Clark, "Holistic schedulability analysis for distributed hard real-time systems",
Microprocessing and Microprogramming 40 (1994) 117-134). The analysis of each bus stays that of
:mod:`linkloss.sizing.response`. Response times and jitter depend on one another where routes lead
both ways, so they are worked out in rounds until nothing changes. Jitter grows from round to round
only, so the first point at which it stays is the bound.

A gateway with a cycle of its own inherits nothing: ``latency`` includes the wait for that cycle,
and its message has the jitter that is declared.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from linkloss.bus.frame import INTERMISSION_BITS
from linkloss.sizing.analysis import Analysis, analyse
from linkloss.sizing.message_plan import (
    NS_PER_S,
    Plan,
    Planned,
    plan_of,
    shortest_bits,
    time_of,
)
from linkloss.vehicle.loading import Vehicle

ROUNDS = 500
"""After so many rounds jitter that still grows is taken to have no bound."""


@dataclass(frozen=True, slots=True)
class Hop:
    """A message that leads to another over a gateway; times are in ns.

    :param latency_ns: longest time from the arrival of ``source`` until ``target`` is handed over.
    :param quickest_ns: shortest time from when ``source`` is due until it arrives.
    :param source_tail_ns: the intermission on the bus of ``source``, which a response time
        includes; ``target_tail_ns`` that of ``target``.
    :param follows: whether ``target`` is handed over because ``source`` arrived.
    """

    source: str
    target: str
    latency_ns: int
    quickest_ns: int
    source_tail_ns: int
    target_tail_ns: int
    follows: bool

    def jitter_ns(self, source_ns: int) -> int:
        """The jitter that ``target`` inherits from a worst response time of ``source``."""
        return source_ns - self.source_tail_ns - self.quickest_ns + self.latency_ns

    def worst_ns(self, source_ns: int, target_ns: int) -> int:
        """From when ``source`` is due until ``target`` is at its receivers, at worst, from both
        worst response times. That of a message that follows counts from the earliest arrival.
        """
        before_ns = self.quickest_ns
        if not self.follows:
            before_ns = source_ns - self.source_tail_ns + self.latency_ns
        return before_ns + target_ns - self.target_tail_ns


Worst = Mapping[str, int | None]
"""The worst response time of each message by name, in ns; None without a bound."""


def settle(hops: Sequence[Hop], work_out: Callable[[Worst], Worst]) -> tuple[Worst, Worst]:
    """The jitter that the messages behind gateways inherit, and all worst response times with it.

    :param work_out: the response times, given the inherited jitter by message (None: no bound).
    """
    following = [hop for hop in hops if hop.follows]
    targets = [hop.target for hop in following]
    inherited: Worst = {name: 0 if targets.count(name) == 1 else None for name in targets}
    for number in range(ROUNDS):
        worst = work_out(inherited)
        found: dict[str, int | None] = {}
        for hop in following:
            source_ns = worst.get(hop.source)
            known = source_ns is not None and inherited[hop.target] is not None
            found[hop.target] = hop.jitter_ns(source_ns or 0) if known else None
        if found == inherited:
            return inherited, worst
        if number == ROUNDS - 2:
            found = {name: ns if ns == inherited[name] else None for name, ns in found.items()}
        inherited = found
    return inherited, work_out(dict.fromkeys(inherited))


@dataclass(frozen=True, slots=True)
class RouteTime:
    """A route with its worst time from the source's due instant to the receivers of ``to``, in ns;
    None without a bound, and then why.
    """

    name: str
    source: str
    target: str
    gateway: str
    latency_ns: int
    source_ns: int | None
    target_ns: int | None
    worst_ns: int | None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Buses:
    """The plan and the analysis of each bus by name, with inherited jitter, and all routes."""

    plans: Mapping[str, Plan]
    analyses: Mapping[str, Analysis]
    routes: tuple[RouteTime, ...]


def analyse_buses(vehicle: Vehicle) -> Buses:
    """Analyse all buses of a vehicle together with what leads from one to another."""
    plans = {name: plan_of(vehicle, name) for name in vehicle.file.bus}
    hops = dict(_hops(vehicle, plans))
    sources = {hop.target: hop.source for hop in hops.values() if hop.follows}
    planned = {message.name: message for plan in plans.values() for message in plan.messages}

    def with_jitter(inherited: Worst) -> dict[str, Plan]:
        def one(message: Planned) -> Planned:
            if message.name not in inherited:
                return message
            source, jitter_ns = sources[message.name], inherited[message.name]
            shortest_ns = message.shortest_ns or planned[source].shortest_ns
            if jitter_ns is None:
                why = f"it follows {source}, which has no bound"
                return replace(message, no_bound=why)
            jitter_ns = max(jitter_ns, message.jitter_ns)
            return replace(message, shortest_ns=shortest_ns, jitter_ns=jitter_ns)

        return {
            name: replace(plan, messages=tuple(map(one, plan.messages)))
            for name, plan in plans.items()
        }

    def work_out(inherited: Worst) -> Worst:
        return {
            bound.message.name: bound.worst_ns
            for plan in with_jitter(inherited).values()
            for bound in analyse(plan).bounds
        }

    inherited, worst = settle([*hops.values()], work_out)
    done = with_jitter(inherited)
    routes = tuple(_time(vehicle, name, hop, worst) for name, hop in hops.items())
    return Buses(done, {name: analyse(plan) for name, plan in done.items()}, routes)


def _hops(vehicle: Vehicle, plans: Mapping[str, Plan]) -> Iterator[tuple[str, Hop]]:
    rates = {name: table.bit_rate for name, table in vehicle.file.bus.items()}
    only = next(iter(plans))
    for name, route in vehicle.routes.items():
        source = vehicle.messages[route.source_message]
        target = vehicle.messages[route.target_message]
        here, there = rates[source.bus or only], rates[target.bus or only]
        same = not target.period_ns or target.period_ns == source.period_ns
        yield (
            name,
            Hop(
                source=source.name,
                target=target.name,
                latency_ns=route.latency,
                quickest_ns=shortest_bits(source.length, source.extended) * NS_PER_S // here,
                source_tail_ns=time_of(INTERMISSION_BITS, here),
                target_tail_ns=time_of(INTERMISSION_BITS, there),
                follows=same or route.on_stale == "stop",
            ),
        )


def _time(vehicle: Vehicle, name: str, hop: Hop, worst: Worst) -> RouteTime:
    source_ns, target_ns = worst.get(hop.source), worst.get(hop.target)
    missing = hop.source if source_ns is None else hop.target if target_ns is None else ""
    return RouteTime(
        name=name,
        source=hop.source,
        target=hop.target,
        gateway=vehicle.sender(hop.target),
        latency_ns=hop.latency_ns,
        source_ns=source_ns,
        target_ns=target_ns,
        worst_ns=None
        if source_ns is None or target_ns is None
        else hop.worst_ns(source_ns, target_ns),
        why=f"{missing} has no bound" if missing else "",
    )
