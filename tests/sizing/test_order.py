"""Audsley's method finds an order whenever there is one, and none otherwise."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkloss.sizing.message_plan import Errors, Stream
from linkloss.sizing.response import find_order, responses

RATE = 1_000_000
US = 1_000


def meets(order, deadlines, errors) -> bool:
    ranked = [replace(stream, rank=place) for place, stream in enumerate(order)]
    worst = responses(ranked, RATE, errors)
    return all(
        worst[name] is not None and worst[name].worst_ns <= limit
        for name, limit in deadlines.items()
    )


plans = st.lists(
    st.tuples(
        st.sampled_from([55, 95, 135]),
        st.integers(150, 700),
        st.integers(80, 700),
        st.sampled_from([0, 0, 30, 200]),
    ),
    min_size=2,
    max_size=4,
)


@given(plans, st.sampled_from([Errors(), Errors(1, 3_000_000)]))
@settings(max_examples=150, deadline=None)
def test_an_order_is_found_just_when_one_of_all_orders_meets_all_deadlines(drawn, errors):
    streams = [
        Stream(f"m{n}", n, bits, period * US, jitter * US)
        for n, (bits, period, _, jitter) in enumerate(drawn)
    ]
    deadlines = {f"m{n}": deadline * US for n, (_, _, deadline, _) in enumerate(drawn)}
    found = find_order(streams, deadlines, RATE, errors)
    possible = any(meets(order, deadlines, errors) for order in permutations(streams))
    assert (not found.stuck) == possible
    assert len(found.streams) + len(found.stuck) == len(streams)
    if not found.stuck:
        assert meets(found.streams, deadlines, errors)


def test_what_is_left_when_nobody_can_take_the_lowest_place_is_named():
    streams = [Stream("a", 1, 135, 200 * US), Stream("b", 2, 135, 200 * US)]
    found = find_order(streams, {"a": 150 * US, "b": 150 * US}, RATE)
    assert [stream.name for stream in found.stuck] == ["a", "b"]
    assert found.streams == ()


def test_equal_ranks_or_names_are_refused():
    with pytest.raises(ValueError, match="of its own"):
        responses([Stream("a", 1, 55, 100), Stream("b", 1, 55, 100)], RATE)
    with pytest.raises(ValueError, match="of its own"):
        responses([Stream("a", 1, 55, 100), Stream("a", 2, 55, 100)], RATE)
