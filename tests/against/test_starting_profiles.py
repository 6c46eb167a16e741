"""The corner points of the supply profiles of ISO 16750-2:2023, 12 V.

The numbers were looked up in a transcription of the standard by a test project (second hand); the
starting levels are the same as the trade remembers of the editions since 2003. That the plateau is
the trough of the ripple comes from a pulse generator's library, looked up as well.
"""

from __future__ import annotations

import pytest

from linkloss.power.supply import PROFILES, load_dump, starting

MS, S = 1_000_000, 1_000_000_000

LEVELS = [  # level, dip V, plateau V, plateau ns, last rise ns
    (1, 8.0, 9.5, 1 * S, 40 * MS),
    (2, 4.5, 6.5, 10 * S, 100 * MS),
    (3, 3.0, 5.0, 1 * S, 100 * MS),
    (4, 6.0, 6.5, 10 * S, 100 * MS),
]


@pytest.mark.parametrize(("level", "dip", "plateau", "lasts", "rise"), LEVELS)
def test_a_starting_level_has_its_corners(level, dip, plateau, lasts, rise):
    profile = starting(level, ripple=False)
    corners = {
        0: 12.0,
        5 * MS: dip,
        20 * MS: dip,
        70 * MS: plateau,
        70 * MS + lasts: plateau,
        70 * MS + lasts + rise: 12.0,
    }
    assert {t: profile.volts(t) for t in corners} == pytest.approx(corners)
    assert profile.lasts_ns == 70 * MS + lasts + rise
    assert profile.volts(5 * MS // 2) == pytest.approx((12 + dip) / 2)


@pytest.mark.parametrize(("level", "dip", "plateau", "lasts", "rise"), LEVELS)
def test_the_ripple_of_2_v_at_2_hz_comes_down_to_the_plateau(level, dip, plateau, lasts, rise):
    profile = starting(level)
    volts = [profile.volts(70 * MS + t) for t in range(0, lasts, 5 * MS)]
    assert min(volts) == pytest.approx(plateau, abs=1e-3)
    assert max(volts) == pytest.approx(plateau + 2, abs=1e-3)
    quarter = 125 * MS
    assert profile.volts(70 * MS + quarter) == pytest.approx(plateau + 2)
    assert profile.volts(70 * MS + 3 * quarter) == pytest.approx(plateau)


@pytest.mark.parametrize(
    ("name", "corners"),
    [
        ("momentary_drop", {0: 8.0, 10 * MS: 4.5, 110 * MS: 4.5, 120 * MS: 8.0}),
        ("jump_start", {0: 10.8, 10 * MS: 26.0, 60 * S: 26.0, 61 * S: 10.8}),
        ("over_voltage", {0: 16.0, 1 * MS: 18.0, 401 * MS: 18.0, 402 * MS: 16.0}),
        ("slow_ramp", {0: 14.0, 60 * S: 13.5, 28 * 60 * S: 0.0, 29 * 60 * S: 0.5}),
    ],
)
def test_other_profiles_have_their_corners(name, corners):
    profile = PROFILES[name]()
    assert {t: profile.volts(t) for t in corners} == pytest.approx(corners)


def test_the_reset_staircase_goes_down_by_5_percent_with_10_s_between():
    profile = PROFILES["reset_staircase"]()
    period = 15 * S + 20 * MS
    lows = [profile.volts(step * period + 2 * S) for step in range(20)]
    assert lows[:6] == pytest.approx([7.6, 7.2, 6.8, 6.4, 6.0, 5.6])
    assert lows[-1] == pytest.approx(0.0)
    assert [profile.volts(step * period + 10 * S) for step in range(20)] == pytest.approx(
        [8.0] * 20
    )


def test_a_load_dump_falls_to_a_tenth_in_the_time_it_is_named_by():
    profile = load_dump(peak=101.0, lasts_ns=400 * MS)
    assert profile.volts(10 * MS) == pytest.approx(101.0)
    assert profile.volts(410 * MS) == pytest.approx(14 + (101 - 14) / 10)
    assert max(PROFILES["load_dump_clamped"]().volts(t * MS) for t in range(500)) == 35.0
