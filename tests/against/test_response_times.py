"""Response times against Davis, Burns, Bril, Lukkien: "Controller Area Network (CAN)
schedulability analysis: Refuted, revisited and revised", Real-Time Systems 35 (2007) 239-272:
tables 2 to 5 and the worked example of section 4.1, with the page numbers of the journal.
"""

from __future__ import annotations

import pytest

from linkloss.bus.controller import Controller
from linkloss.bus.frame import Frame, length_bits, longest_bits
from linkloss.bus.medium import Bus
from linkloss.clock.queue import EventQueue
from linkloss.sizing.message_plan import Stream, utilisation
from linkloss.sizing.response import find_order, responses

MS = 1_000_000
RATE = 125_000
SEVEN_BYTES = 125


def table_2(b_and_c_ns: int = 3_500_000) -> list[Stream]:
    return [
        Stream("A", 1, SEVEN_BYTES, 2_500_000),
        Stream("B", 2, SEVEN_BYTES, b_and_c_ns),
        Stream("C", 3, SEVEN_BYTES, b_and_c_ns),
    ]


def flawed(streams: list[Stream], rate: int) -> list[int]:
    """The earlier analysis, equations 6 and 7, which looks at the first instance alone. J = 0."""
    tick = 10**9 // rate
    length = [s.bits * tick for s in streams]
    found = []
    for place in range(len(streams)):
        blocking = max(length[place + 1 :], default=0)
        wait, before = blocking, -1
        while wait != before:
            before = wait
            wait = blocking + sum(
                -(-(before + tick) // streams[k].period_ns) * length[k] for k in range(place)
            )
        found.append(wait + length[place])
    return found


def test_table_2_the_earlier_analysis_calls_all_three_schedulable():  # page 243
    assert flawed(table_2(), RATE) == [2 * MS, 3 * MS, 3 * MS]


def test_table_3_the_second_instance_of_c_misses_its_deadline():  # page 254
    found = responses(table_2(), RATE)
    assert [found[name].worst_ns for name in "ABC"] == [2 * MS, 3 * MS, 3_500_000]
    assert found["C"].worst_ns > 3_250_000
    assert (found["C"].busy_ns, found["C"].instances, found["C"].slowest) == (7 * MS, 2, 1)
    assert float(utilisation(table_2(), RATE)) == pytest.approx(0.9714, abs=5e-5)


def test_above_a_full_bus_the_earlier_analysis_still_says_the_same():  # page 244
    streams = table_2(3_250_000)
    assert flawed(streams, RATE) == [2 * MS, 3 * MS, 3 * MS]
    assert utilisation(streams, RATE) > 1
    assert responses(streams, RATE)["C"] is None


def test_the_simulation_of_table_2_completes_c_at_3_ms_and_at_7_ms():  # page 244
    contents = {"A": bytes(7), "B": bytes(7), "C": bytes(7)}
    frames = {name: Frame(0x100 + place, contents[name]) for place, name in enumerate("ABC")}
    lengths = {length_bits(frame) + 3 for frame in frames.values()}
    assert len(lengths) == 1  # no real frame has all 125 bits: the rate makes these take 1 ms
    queue = EventQueue()
    bus = Bus(queue, lengths.pop() * 1000)
    records = []
    bus.observers.append(records.append)
    for stream in table_2():
        controller = Controller(stream.name)
        bus.attach(controller)
        for number in range(4):
            queue.at(number * stream.period_ns, controller.send, frames[stream.name])
    queue.run_until(8 * MS)
    free_ns = [r.end_ns + bus.span_ns(3) for r in records if r.sender == "C"]
    # the instances are queued at 0 and at 3.5 ms
    assert free_ns[:2] == [pytest.approx(3 * MS, abs=1), pytest.approx(7 * MS, abs=1)]
    assert free_ns[1] - 3_500_000 == pytest.approx(responses(table_2(), RATE)["C"].worst_ns, abs=1)


def section_4_1(instances: int, high: int, other: int, longest: int, low: int = 0) -> list[Stream]:
    """H, n times I, X and, with a length, L: periods by the equations of page 259, tau = 1 us."""
    us = 1000
    twice_h = low + 2 * high + 2 * instances * longest + other
    twice_x = low + 3 * high + 2 * instances * longest + 2 * other
    streams = [Stream("H", 0, high, twice_h * us // 2)]
    rare = low + 2 * high + instances * longest + other  # T - J of the messages I
    jitter = 100 * twice_x * us
    streams += [
        Stream(f"I{n}", 1 + n, longest, rare * us + jitter, jitter) for n in range(instances)
    ]
    streams.append(Stream("X", 100, other, twice_x * us // 2))
    return streams + ([Stream("L", 101, low, 10 * twice_x * us)] if low else [])


def test_section_4_1_the_second_instance_is_the_slowest_one():  # pages 259 and 260
    streams = section_4_1(1, 55, 55, 135)
    assert [s.period_ns for s in streams if s.name in "HX"] == [217_500, 272_500]
    found = responses(streams, 1_000_000)["X"]
    assert (found.busy_ns, found.instances, found.slowest) == (545_000, 2, 1)
    assert found.worst_ns == 272_500
    assert flawed([s for s in streams if s.name != "I0"], 1_000_000)[-1] < 245_000


@pytest.mark.parametrize(
    ("messages", "percent"), [(3, 45.5), (5, 21.4), (10, 9.2), (25, 3.4), (100, 0.82)]
)
def test_table_4_lowest_utilisation_at_which_the_earlier_analysis_fails(messages, percent):
    # page 261; messages I are so rare that they add nothing
    streams = section_4_1(messages - 2, 55, 55, 135)
    load = utilisation([s for s in streams if s.name in "HX"], 1_000_000)
    assert 100 * float(load) == pytest.approx(percent, abs=0.05 if percent > 1 else 0.005)
    found = responses(streams, 1_000_000)["X"]
    assert found.slowest == 1  # the first instance, all that the earlier analysis sees, is quicker
    assert found.worst_ns == next(s.period_ns for s in streams if s.name == "X")


EIGHT_BYTES, ONE_BYTE = longest_bits(8), longest_bits(1)


def table_5(order: str) -> list[Stream]:
    plan = {
        "A": (EIGHT_BYTES, 3 * MS),
        "B": (EIGHT_BYTES, 4 * MS),
        "C": (ONE_BYTE, 4_500_000),
    }
    named = [Stream(name, place, *plan[name]) for place, name in enumerate(order)]
    return [*named, Stream("lower", 10, EIGHT_BYTES, 1000 * MS)]


DEADLINES = {"A": 3 * MS, "B": 4 * MS, "C": 4_500_000, "lower": 1000 * MS}


@pytest.mark.parametrize(
    ("order", "expected_us"),
    [
        ("ABC", {"A": 2160, "B": 3240, "C": 5920}),
        ("ACB", {"A": 2160, "C": 2680, "B": 3760}),
    ],
)
def test_table_5_response_times_of_both_orders(order, expected_us):  # pages 264 and 265
    found = responses(table_5(order), RATE)
    assert {name: found[name].worst_ns // 1000 for name in "ABC"} == expected_us


def test_table_5_an_order_by_deadlines_fails_where_audsleys_method_finds_one():
    by_deadline = table_5("ABC")
    found = responses(by_deadline, RATE)
    assert found["C"].worst_ns > DEADLINES["C"]
    order = find_order(by_deadline, DEADLINES, RATE)
    assert order.stuck == ()
    names = [stream.name for stream in order.streams]
    assert names == ["A", "C", "B", "lower"]
    again = [Stream(s.name, n, s.bits, s.period_ns) for n, s in enumerate(order.streams)]
    worst = responses(again, RATE)
    assert all(worst[name].worst_ns <= limit for name, limit in DEADLINES.items())
