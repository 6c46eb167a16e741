"""Errors to be borne, lengths as times, and what a stream may be."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.sizing.message_plan import NO_ERRORS, Errors, Stream, time_of, utilisation


def test_bits_become_times_rounded_up_so_that_no_frame_is_taken_too_short():
    assert time_of(135, 125_000) == 1_080_000
    assert time_of(1, 83_333) == 12_001  # 12000.048 ns


@pytest.mark.parametrize(
    ("errors", "span", "most"),
    [
        (NO_ERRORS, 10**9, 0),
        (Errors(2), 10**9, 2),
        (Errors(1, 100), 99, 1),
        (Errors(1, 100), 100, 2),
        (Errors(3, 100), 250, 5),
    ],
)
def test_the_most_errors_in_an_interval(errors, span, most):
    assert errors.most(span) == most


@given(
    st.integers(0, 3),
    st.one_of(st.none(), st.integers(1, 50)),
    st.lists(st.integers(0, 300), max_size=12).map(sorted),
)
def test_instants_are_borne_just_when_no_interval_holds_more_than_the_most(burst, every, instants):
    errors = Errors(burst, every)
    counted = (
        last - first + 1 <= errors.most(instants[last] - instants[first])
        for first in range(len(instants))
        for last in range(first, len(instants))
    )
    if burst or every is None:
        assert (errors.bear(instants) is None) == all(counted)
    else:
        assert (errors.bear(instants) is None) == (not instants)


def test_utilisation_is_exact():
    streams = [Stream("a", 1, 125, 2_500_000), Stream("b", 2, 125, 3_500_000)]
    assert utilisation(streams, 125_000) * 35 == 14 + 10


@pytest.mark.parametrize("change", [{"bits": 0}, {"period_ns": 0}, {"jitter_ns": -1}])
def test_a_stream_without_length_or_period_cannot_be_made(change):
    with pytest.raises(ValueError, match="more than zero"):
        Stream(**{"name": "a", "rank": 1, "bits": 55, "period_ns": 1, "jitter_ns": 0, **change})


@pytest.mark.parametrize("wrong", [(-1, None), (1, 0)])
def test_an_error_model_that_makes_no_sense_cannot_be_made(wrong):
    with pytest.raises(ValueError, match="burst"):
        Errors(*wrong)
