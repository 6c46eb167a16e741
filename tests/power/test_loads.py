"""Loads over time: motors, solenoids, LEDs, electronics."""

from __future__ import annotations

from math import exp, inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.power.consumers import Electronics, Filament, Heater, Led, Load, Motor, Solenoid


def amps(load: Load, volts: float, ohm: float = 0.0) -> float:
    g, i0 = load.line(volts)
    return (g * volts + i0) / (1 + g * ohm)


def test_a_motor_starts_with_its_stall_current_and_falls_to_its_run_current():
    motor = Motor(12, 18, 80, 0.25)
    assert amps(motor, 12) == pytest.approx(80)
    motor.advance(12, 0.0, 0.25, inf, 1.0)
    assert amps(motor, 12) == pytest.approx(18 + 62 * exp(-1))
    motor.advance(12, 0.0, 10.0, inf, 1.0)
    assert amps(motor, 12) == pytest.approx(18)


def test_a_motor_behind_a_lead_settles_at_the_same_current_and_slower():
    motor = Motor(12, 18, 80, 0.25)
    ohm = 0.15
    motor.advance(12, ohm, 0.25 * 2, inf, 1.0)  # 0.15 ohm before 0.15 ohm: twice as slow
    assert amps(motor, 12, ohm) == pytest.approx(18 + (40 - 18) * exp(-1))
    motor.advance(12, ohm, 10.0, inf, 1.0)
    assert amps(motor, 12, ohm) == pytest.approx(18)


def test_with_too_little_voltage_a_motor_does_not_turn():
    motor = Motor(12, 18, 80, 0.25)
    motor.advance(2.5, 0.0, 10.0, inf, 1.0)  # 16.7 A make less torque than 18 A
    assert motor.emf == 0


def test_a_motor_that_is_switched_off_comes_to_rest():
    motor = Motor(12, 18, 80, 0.25, emf=9.3)
    motor.advance(0.0, inf, 0.25, inf, 0.0)
    assert motor.emf == pytest.approx(9.3 - 18 * 0.15)
    motor.advance(0.0, inf, 10.0, inf, 0.0)
    assert motor.emf == 0


def test_a_limited_current_speeds_a_motor_up_along_a_line():
    motor = Motor(12, 18, 80, 0.25)
    due_s = motor.next_s(12, 0.0, 40.0, 1.0, 0.02)
    assert due_s == pytest.approx((12 - 40 * 0.15) / ((40 - 18) * 0.15 / 0.25))
    motor.advance(12, 0.0, due_s, 40.0, 1.0)
    assert amps(motor, 12) == pytest.approx(40)


@given(st.floats(0.001, 0.5), st.integers(1, 40))
def test_a_motor_may_be_advanced_in_any_steps(whole_s, steps):
    one, many = Motor(12, 18, 80, 0.25), Motor(12, 18, 80, 0.25)
    one.advance(12, 0.05, whole_s, inf, 1.0)
    for _ in range(steps):
        many.advance(12, 0.05, whole_s / steps, inf, 1.0)
    assert one.emf == pytest.approx(many.emf)


@given(st.floats(6, 16), st.floats(0, 0.3), st.floats(0.1, 1.0))
def test_a_filament_settles_where_heat_in_is_heat_out(volts, ohm, duty):
    lamp = Filament(12, 4.6)
    lamp.advance(volts, ohm, 2.0, inf, duty)
    own = lamp.hot_ohm * lamp.warmth
    heat = duty * (volts / (ohm + own)) ** 2 * own / (12 * 4.6)
    assert heat == pytest.approx(lamp.warmth ** (31 / 9) - 0.1 ** (31 / 9), rel=0.01)
    assert lamp.next_s(volts, ohm, inf, duty, 0.02) == inf


def test_a_filament_cools_and_its_next_inrush_is_smaller():
    lamp = Filament(12, 4.6)
    lamp.advance(12, 0.0, 1.0, inf, 1.0)
    lamp.advance(0.0, inf, 0.33, inf, 0.0)
    assert 0.1 < lamp.warmth < 0.5
    lamp.advance(0.0, inf, 1000.0, inf, 0.0)
    assert lamp.warmth == pytest.approx(0.1, rel=0.3)


@given(st.floats(1e-4, 0.2), st.floats(1e-4, 0.2))
def test_cooling_twice_is_cooling_for_both_times(first_s, second_s):
    one, two = Filament(12, 4.6, warmth=1.0), Filament(12, 4.6, warmth=1.0)
    one.advance(0.0, inf, first_s + second_s, inf, 0.0)
    two.advance(0.0, inf, first_s, inf, 0.0)
    two.advance(0.0, inf, second_s, inf, 0.0)
    assert one.warmth == pytest.approx(two.warmth)


def test_half_the_time_is_half_the_mean_power():
    full, half = Filament(12, 4.6), Filament(12, 4.6)
    full.advance(12 / 2**0.5, 0.0, 1.0, inf, 1.0)
    half.advance(12, 0.0, 1.0, inf, 0.5)
    assert half.warmth == pytest.approx(full.warmth, rel=1e-3)


def test_a_solenoid_pulls_in_and_then_holds_with_less():
    coil = Solenoid(12, 10, 40, 0.03)
    assert amps(coil, 12) == pytest.approx(40)
    due_s = coil.next_s(12, 0.0, inf, 1.0, 0.02)
    assert due_s == pytest.approx(0.03)
    coil.advance(12, 0.0, due_s, inf, 1.0)
    assert amps(coil, 12) == pytest.approx(10)


@pytest.mark.parametrize(("volts", "pulled"), [(5.99, False), (6.0, True)])
def test_a_solenoid_pulls_in_from_its_voltage_on(volts, pulled):
    coil = Solenoid(12, 10, 40, 0.03)
    coil.advance(volts, 0.0, 1.0, inf, 1.0)
    assert coil.pulled is pulled


def test_a_lead_takes_what_a_solenoid_would_need():
    coil = Solenoid(12, 10, 40, 0.03)
    assert coil.next_s(6.5, 0.1, inf, 1.0, 0.02) == inf  # 0.3 ohm behind 0.1 ohm: 4.9 V


@pytest.mark.parametrize(("volts", "pulled"), [(2.5, True), (2.49, False)])
def test_a_solenoid_holds_down_to_its_voltage(volts, pulled):
    coil = Solenoid(12, 10, 40, 0.03, pulled=True)
    assert (coil.next_s(volts, 0.0, inf, 1.0, 0.02) == inf) is pulled
    coil.advance(volts, 0.0, 1e-6, inf, 1.0)
    assert coil.pulled is pulled


def test_an_led_is_dark_below_its_knee():
    led = Led(12, 0.3, 6)
    assert [amps(led, volts) for volts in (0, 6, 9, 12)] == pytest.approx([0, 0, 0.15, 0.3])


def test_electronics_draw_the_same_down_to_5_v():
    load = Electronics(0.08)
    assert [amps(load, volts) for volts in (0, 2.5, 5, 14)] == pytest.approx([0, 0.04, 0.08, 0.08])


def test_a_heater_is_a_resistor():
    assert amps(Heater(12, 20), 6) == pytest.approx(10)
