"""Long cases: all that the situations do, in seeded order, for minutes. What fails after many
messages, many changes or a long time fails here, and not only what fails soon.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from random import Random

from linkloss.campaign.cases import MS, CaseMaker, instances
from linkloss.scenario import Scenario, TimedAction, TimedFault

S = 1_000 * MS
LEAST_NS = 300 * S
LEAST_MESSAGES = 300
"""So many of the slowest message that has a counter: more than once around one of 8 bits."""
GAPS_MS = (200, 2_400)
"""From one action to the next."""
SOAK, SOAK_WITH_FAULTS = "soak", "soak_with_faults"
"""How such cases are named, behind the situation whose inputs they begin with."""


def soaks(maker: CaseMaker) -> Iterator[Scenario]:
    """One without and one with faults; none for a vehicle without situations."""
    if maker.vehicle.situations:
        yield soak(maker, SOAK)
        if instances(maker.vehicle):
            yield soak(maker, SOAK_WITH_FAULTS)


def soak(maker: CaseMaker, name: str) -> Scenario:
    """The long case of a vehicle with one of the two names."""
    situation = next(iter(maker.vehicle.situations))
    random = Random(f"{maker.seed}/{name}")  # noqa: S311 - repeatable on purpose
    lasts_ns = length_ns(maker)
    actions = tuple(_actions(maker, random, lasts_ns))
    faults = tuple(_faults(maker, random, lasts_ns)) if name == SOAK_WITH_FAULTS else ()
    case = maker.case(situation, ())
    return replace(
        case,
        name=f"{situation}/{name}",
        title=f"all that is done, in mixed order{', with faults' if faults else ''}",
        actions=actions,
        faults=faults,
        lasts_ns=lasts_ns,
        counted_as=SOAK,
    )


def length_ns(maker: CaseMaker) -> int:
    """How long such a case lasts, in ns."""
    counted = [
        message.period_ns
        for message in maker.vehicle.messages.values()
        if message.counter is not None
        and message.period_ns is not None
        and any(sender in maker.vehicle.nodes for sender in message.senders)
    ]
    return max(LEAST_NS, (LEAST_MESSAGES + 1) * max(counted, default=0)) + maker.spans.recovery


def _actions(maker: CaseMaker, random: Random, lasts_ns: int) -> Iterator[TimedAction]:
    """All that situations begin with and do, in one order after the other."""
    every = [table.inputs for table in maker.vehicle.situations.values() if table.inputs]
    every += [action.set for table in maker.vehicle.situations.values() for action in table.actions]
    at_ns = maker.spans.recovery
    while every:
        random.shuffle(every)
        for values in every:
            if at_ns > lasts_ns - maker.spans.recovery:
                return
            yield TimedAction(at_ns, values)
            at_ns += random.randint(*GAPS_MS) * MS


def _faults(maker: CaseMaker, random: Random, lasts_ns: int) -> Iterator[TimedFault]:
    """All faults that meet others, one at a time: some brief, some for long, each with time to
    recover from it.
    """
    took, every = maker.spans, instances(maker.vehicle)
    at_ns = took.recovery
    while True:
        random.shuffle(every)
        for fault in every:
            lasts = random.choice((took.brief, took.outage)) if fault.lasting else 0
            if at_ns + lasts > lasts_ns - took.recovery:
                return
            yield TimedFault(fault, at_ns, at_ns + lasts if fault.lasting else None)
            at_ns += lasts + took.recovery + random.randrange(took.recovery // MS) * MS
