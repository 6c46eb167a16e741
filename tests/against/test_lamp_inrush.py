"""The inrush of a filament lamp, and what voltage does to it.

Shape: an abstract on lamp drivers, looked up: 10 to 12 times the rated current at first, twice
after 3 to 5 ms. In a harness 5 to 8 times, settled after 50 to 100 ms: from memory. Voltage: the
IES exponents (current 0.55, power 1.55, light 3.4), from memory.
"""

from __future__ import annotations

from math import inf

import pytest

from linkloss.power.consumers import Filament


def currents(lamp: Filament, volts: float, ohm: float, steps: int, step_s: float) -> list[float]:
    found = []
    for _ in range(steps):
        found.append(volts / (ohm + lamp.hot_ohm * lamp.warmth) / lamp.amps)
        lamp.advance(volts, ohm, step_s, inf, 1.0)
    return found


def test_a_cold_lamp_draws_ten_times_its_current_and_twice_after_3_to_5_ms():
    found = currents(Filament(12, 4.6), 12, 0.0, 2000, 5e-5)
    assert 10 <= found[0] <= 12
    twice_ms = next(k for k, amps in enumerate(found) if amps <= 2) * 0.05
    assert 3 <= twice_ms <= 5
    assert found[int(50 / 0.05)] == pytest.approx(1, abs=0.02)
    assert found == sorted(found, reverse=True)


def test_in_a_harness_of_a_seventh_of_an_ohm_the_first_current_is_5_to_8_times():
    found = currents(Filament(12, 4.6), 12, 0.14, 100, 1e-3)
    assert 5 <= found[0] <= 8
    assert found[-1] == pytest.approx(found[-2], rel=1e-3)


@pytest.mark.parametrize(
    ("share", "amps", "light"),
    [(0.85, 0.914, 0.575), (12.7 / 13.2, 0.98, 0.877), (11 / 13.2, 0.905, 0.54)],
)
def test_less_voltage_is_less_current_and_much_less_light(share, amps, light):
    lamp = Filament(13.2, 4.4)
    volts = 13.2 * share
    lamp.advance(volts, 0.0, 1.0, inf, 1.0)
    assert volts / (lamp.hot_ohm * lamp.warmth) / lamp.amps == pytest.approx(amps, abs=0.006)
    assert lamp.light() == pytest.approx(light, abs=0.006)


def test_many_steps_and_one_step_end_alike():
    one, many = Filament(12, 4.6), Filament(12, 4.6)
    one.advance(12, 0.1, 0.01, inf, 1.0)
    for _ in range(1000):
        many.advance(12, 0.1, 1e-5, inf, 1.0)
    assert one.warmth == pytest.approx(many.warmth, rel=2e-3)
