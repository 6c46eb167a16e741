"""How long a message plan of 300 messages takes to work out; recorded as a ratio to the bare event
queue of the same run, and in seconds.
"""

from __future__ import annotations

from random import Random

import pytest

from linkloss.clock import EventQueue
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.sizing.analysis import BIT_RATES, propose, what_if
from linkloss.sizing.message_plan import Plan, Planned, Sending

MS = 1_000_000
MESSAGES = 300
EVENTS = 100_000


def plan(*, alike: bool) -> Plan:
    """A big body bus (the size is that of table 1 of Davis et al. 2007). Periods that differ all
    and jitter everywhere are the hardest: then no two messages can be counted as one.
    """
    random = Random(300)
    messages = []
    for place in range(MESSAGES):
        period_ns = random.choice([200, 500, 1_000, 2_000]) * MS
        if not alike:
            period_ns += random.randrange(50 * MS)
        jitter_ns = 0 if alike else random.randrange(5 * MS)
        messages.append(
            Planned(
                f"m{place}", 0x100 + place, False, random.randrange(9), (f"n{place % 20}",),
                period_ns, period_ns, jitter_ns, period_ns,
            )
        )  # fmt: skip
    nodes = {f"n{number}": Sending(32, "priority") for number in range(20)}
    return Plan(100_000, tuple(messages), nodes)


def bare_seconds() -> float:
    queue = EventQueue()
    for number in range(EVENTS):
        queue.at(number, int)
    begin = monotonic_seconds()
    queue.run_until(EVENTS)
    return monotonic_seconds() - begin


@pytest.mark.parametrize("alike", [True, False], ids=["usual", "hardest"])
@pytest.mark.benchmark(group="timing")
def test_three_hundred_messages_at_nine_bit_rates(benchmark, alike):
    made = plan(alike=alike)
    found = benchmark.pedantic(what_if, args=(made,), rounds=3, warmup_rounds=1)
    assert len(found) == len({*BIT_RATES, made.bit_rate})
    own = next(analysis for analysis in found if analysis.bit_rate == made.bit_rate)
    assert own.unbounded == ()
    assert len(own.bounds) == MESSAGES
    if benchmark.stats is not None:
        took = benchmark.stats.stats.min
        benchmark.extra_info["seconds"] = took
        benchmark.extra_info["bare_events"] = took / min(bare_seconds() for _ in range(3)) * EVENTS


@pytest.mark.benchmark(group="timing")
def test_an_order_for_three_hundred_messages(benchmark):
    found = benchmark.pedantic(propose, args=(plan(alike=False),), rounds=3, warmup_rounds=1)
    assert len(found.names) + len(found.stuck) == MESSAGES
