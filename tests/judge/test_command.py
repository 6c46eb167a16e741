"""What a load shows of what its node commands: fast switching, fades, levels."""

from __future__ import annotations

from math import nan

import pytest

from bench.judge.command import shown_changes
from bench.judge.states import admits
from bench.model.load import LoadTable
from bench.recording import series

MS = 1_000_000


def load(**keys) -> LoadTable:
    return LoadTable.model_validate({"node": "rear", **keys})


def shown(*changes, end_ms=10_000, **keys):
    """(ms, level) -> (ms, what is shown)."""
    command = series(*((round(at_ms * MS), level) for at_ms, level in changes))
    return [
        (at / MS, value) for at, value in shown_changes(command, load(**keys), round(end_ms * MS))
    ]


def test_a_load_without_levels_is_off_on_or_dim():
    assert shown((0, 0.0), (10, 0.02), (20, 0.9), (30, 1.0)) == [(0, 0), (10, 2), (20, 100)]
    assert not admits("on", 2.0)
    assert not admits("off", 2.0)


def test_no_number_is_no_state():
    ((_, value),) = shown((0, nan))
    assert not any(admits(state, value) for state in ("off", "on", "flash", 30.0))


def test_switching_faster_than_one_and_a_half_periods_is_one_level():
    edges = [(at, level) for k in range(20) for at, level in ((5 * k, 1.0), (5 * k + 1.5, 0.0))]
    changes = shown((0, 0.0), *((100 + at, level) for at, level in edges),
                    pwm="200 Hz", level="M.S")  # fmt: skip
    assert changes[0] == (0, 0)
    assert changes[1][0] == 100
    assert changes[1][1] == pytest.approx(30)
    assert [value for _, value in changes[2:]] == [0]


def test_switching_as_slowly_is_no_level():
    edges = [(0, 0.0), (100, 1.0), (107.5, 0.0), (115, 1.0)]
    assert [value for _, value in shown(*edges, pwm="200 Hz")] == [0, 100, 0, 100]


def test_a_fade_is_one_change_at_its_first_step():
    steps = [(100 + 30 * k, k / 10) for k in range(1, 11)]
    assert shown((0, 0.0), *steps, ramp_up="300 ms") == [(0, 0), (130, 100)]


def test_a_fade_that_the_end_of_the_recording_cuts_off_goes_on():
    steps = [(100 + 10 * k, 1 - k / 30) for k in range(1, 30)]
    for end_ms, cut_off in ((409.999, True), (410, False)):
        _, (at_ms, value) = shown((0, 1.0), *steps, ramp_down="300 ms", end_ms=end_ms)
        assert at_ms == 110
        assert admits("off", value) is cut_off
        assert not admits("on", value)


def test_a_fade_that_stays_half_way_is_dim():
    assert shown((0, 0.0), (100, 0.5), (500, 1.0), ramp_up="300 ms")[1] == (100, 50)


def test_a_fade_that_is_turned_goes_beyond_what_it_reached():
    changes = shown((0, 0.0), (100, 0.2), (150, 0.4), (200, 0.0), ramp_up="300 ms")
    (_, up), (_, off) = changes[1:]
    assert admits("on", up)
    assert admits(60.0, up)
    assert not admits("off", up)
    assert not admits(20.0, up)
    assert off == 0
