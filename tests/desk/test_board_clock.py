"""What the bench says of an instant of the board is true: held against loops whose delays, jitter
and drift the test knows. Whatever comes between is told.
"""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sketch_lab import DIGITAL, MS, RELAYS, US, Line

from linkloss.desk.board_clock import BoardClock, RoundTrip
from linkloss.desk.line_protocol import BoardLine, LineReader, read_line, written


def jittering(seed, base_ms, jitter_ms):
    draws = Random(seed)
    return lambda: round((base_ms + draws.random() * jitter_ms) * MS)


def spans_of(line, edges=30):
    """Edges at known instants, and the spans in which the bench says that they were."""
    line.settle()
    true_ns: list[int] = []
    for number in range(edges):
        line.run(35)
        line.board.input(DIGITAL[0], 1 - number % 2)
        true_ns.append(line.now_ns)
    line.run(300)
    felt = list(line.host.take_felt())
    assert len(felt) == edges
    spans = []
    for one in felt:
        early = line.host.clock.span(one.board_us - one.since_us - 1)
        late = line.host.clock.span(one.board_us + 1)
        assert early is not None
        assert late is not None
        spans.append((early.from_ns, late.to_ns))
    return true_ns, spans


@pytest.mark.parametrize("rate", [0.99, 1.0, 1.01])
@pytest.mark.parametrize(
    ("there_ms", "back_ms", "jitter_ms"),
    [(0, 0, 0), (1, 1, 2), (0, 30, 5), (30, 0, 0), (30, 30, 10)],
)
def test_an_edge_was_when_the_bench_says_whatever_the_way_and_the_clock(
    rate, there_ms, back_ms, jitter_ms
):  # fmt: skip
    line = Line(jittering(1, there_ms, jitter_ms), jittering(2, back_ms, jitter_ms), rate)
    true_ns, spans = spans_of(line)
    for at_ns, (from_ns, to_ns) in zip(true_ns, spans, strict=True):
        # the board takes its step in pieces of a quarter of a millisecond, which is the lab's doing
        assert from_ns - MS // 4 <= at_ns <= to_ns + MS // 4
    widest_ms = max(to_ns - from_ns for from_ns, to_ns in spans) / MS
    # the lines themselves take 1 to 3 ms at their baud rate
    assert widest_ms < there_ms + back_ms + jitter_ms * 2 + 6
    if rate == 1.0 and not (there_ms or back_ms or jitter_ms):
        assert widest_ms < 5
    assert not line.host.doubts


trips = st.lists(
    st.tuples(st.integers(1, 200), st.integers(0, 30_000), st.integers(0, 30_000)), min_size=1,
    max_size=40,
)  # fmt: skip


@given(trips, st.floats(-0.019, 0.019), st.integers(-300_000, 8_000_000))
@settings(max_examples=300, deadline=None)
def test_no_way_and_no_clock_within_its_bounds_makes_a_span_without_the_truth(
    drawn, drift, edge_us
):
    clock = BoardClock()
    true_us = 1_000_000

    def shown(at_us: float) -> int:
        return round(at_us * (1 + drift))

    for pause_ms, there_us, back_us in drawn:
        sent_us = true_us + pause_ms * 1000
        answered_us = sent_us + there_us
        true_us = answered_us + back_us
        clock.note(RoundTrip(sent_us * US, shown(answered_us), true_us * US))
    assert not clock.unsteady
    at_us = 1_000_000 + edge_us
    span = clock.span(shown(at_us))
    assert span is not None
    assert span.from_ns <= at_us * US <= span.to_ns


def test_a_clock_that_jumps_dates_nothing():
    clock = BoardClock()
    for number in range(20):
        clock.note(RoundTrip(number * 50 * MS, number * 50_000, number * 50 * MS + MS))
    assert clock.span(700_000) is not None
    clock.note(RoundTrip(1000 * MS, 1_000_000 + 30_000, 1001 * MS))
    assert clock.unsteady
    assert clock.span(700_000) is None


def doubts_of(line):
    return {doubt.why for doubt in line.host.doubts}


def fed(line, spoil):
    line.settle()
    line.spoil = spoil
    for number in range(20):
        line.run(20)
        line.board.input(DIGITAL[number % 3], number // 3 % 2)
    line.run(200)
    return doubts_of(line)


def test_bytes_that_are_lost_are_told():
    draws = Random(3)
    told = fed(Line(), lambda data: bytes(one for one in data if draws.random() > 0.01))
    assert "because a line of the I/O board came damaged" in told


def test_a_whole_line_that_is_lost_is_told():
    line, lines, number = Line(), LineReader(), 0

    def without_one(data):
        nonlocal number
        kept = b""
        for one in lines.feed(data):
            number += 1
            kept += b"" if number == 7 else written(one)
        return kept

    assert fed(line, without_one) == {"because lines of the I/O board were lost"}


def test_lines_that_come_twice_change_nothing():
    lines = LineReader()
    line = Line()
    assert not fed(line, lambda data: b"".join(written(one) * 2 for one in lines.feed(data)))
    assert [one.line for one in line.host.take_felt()]


def test_a_board_that_restarts_is_told_and_its_relays_are_known_to_be_at_rest():
    line = Line()
    line.settle()
    line.host.relay(0, 1)
    line.run(100)
    assert line.board.output(RELAYS[0])
    waiting = line.host.relay(1, 1)
    line.restart()
    line.run(400)
    assert not line.board.output(RELAYS[0])
    assert "because the I/O board restarted" in doubts_of(line)
    assert waiting.over
    line.settle()
    line.host.relay(0, 1)
    line.run(100)
    assert line.board.output(RELAYS[0])


def test_a_board_that_is_pulled_is_told_and_its_orders_fail():
    line = Line()
    line.settle()
    line.cut = True
    order = line.host.relay(0, 1)
    line.run(5000)
    assert order.failed
    assert not line.host.alive
    assert "because the I/O board was not heard" in doubts_of(line)


@given(
    st.integers(0, 255),
    st.sampled_from("ABEFNOPTDRHL"),
    st.lists(st.integers(0, 0xFFFFFFFF), max_size=4),
)
def test_a_line_is_read_as_it_was_written(number, word, values):  # fmt: skip
    line = BoardLine(number, word, tuple(f"{value:X}" for value in values))
    assert LineReader().feed(b"noise" + written(line)) == [line]


@given(st.binary(max_size=60))
def test_noise_is_no_line(noise):
    assert read_line(noise) is None or noise == b""
