"""Relays and solid-state switches: when they conduct, and what they tell."""

from __future__ import annotations

import pytest

from linkloss.power.switches import NEVER, Direct, Relay, SolidState, Status

MS = 1_000_000


def closed_at(relay: Relay, instants: list[int], volts: float = 12.0) -> list[bool]:
    found = []
    for now_ns in instants:
        relay.look(volts, 0.0, now_ns)
        found.append(relay.duty > 0)
    return found


def test_a_relay_closes_after_its_time_and_to_the_nanosecond():
    relay = Relay(closes_ns=8 * MS)
    relay.command(1.0, 0)
    assert closed_at(relay, [0, 8 * MS - 1, 8 * MS]) == [False, False, True]


def test_a_relay_opens_after_its_time():
    relay = Relay(closes_ns=8 * MS, opens_ns=4 * MS)
    relay.command(1.0, 0)
    closed_at(relay, [0, 8 * MS])
    relay.command(0.0, 20 * MS)
    assert closed_at(relay, [20 * MS, 24 * MS - 1, 24 * MS]) == [True, True, False]
    assert relay.idle


def test_a_bouncing_contact_opens_again():
    relay = Relay(closes_ns=8 * MS, bounces=2, bounce_ns=MS)
    relay.command(1.0, 0)
    closed_at(relay, [0])
    assert closed_at(relay, [k * MS for k in range(7, 14)]) == [
        False, True, False, True, False, True, True,
    ]  # fmt: skip


def test_a_dip_shorter_than_the_release_moves_no_contact():
    relay = Relay(closes_ns=8 * MS, opens_ns=4 * MS, bounces=2)
    relay.command(1.0, 0)
    closed_at(relay, [k * MS for k in range(12)])
    closed_at(relay, [20 * MS], 2.0)
    assert closed_at(relay, [(21 + k) * MS for k in range(20)]) == [True] * 20
    assert relay.next_ns(0.0, 41 * MS) == NEVER


def test_a_pulse_shorter_than_the_pull_in_moves_no_contact():
    relay = Relay(closes_ns=8 * MS)
    relay.command(1.0, 0)
    closed_at(relay, [0])
    relay.command(0.0, 7 * MS)
    assert closed_at(relay, [k * MS for k in range(7, 30)]) == [False] * 23
    assert relay.idle


@pytest.mark.parametrize(("volts", "pulls"), [(7.49, False), (7.5, True)])
def test_a_relay_pulls_in_from_its_pull_in_voltage_on(volts, pulls):
    relay = Relay(pull_in=7.5, drop_out=3.0, closes_ns=0)
    relay.command(1.0, 0)
    assert closed_at(relay, [0], volts) == [pulls]


def test_once_in_it_holds_down_to_its_drop_out_voltage():
    relay = Relay(pull_in=7.5, drop_out=3.0, closes_ns=0, opens_ns=0)
    relay.command(1.0, 0)
    assert closed_at(relay, [0], 12.0) == [True]
    assert closed_at(relay, [MS], 3.0) == [True]
    assert closed_at(relay, [2 * MS], 2.99) == [False]
    assert closed_at(relay, [3 * MS], 7.4) == [False]


def test_a_welded_contact_stays_closed_whatever_the_coil_does():
    relay = Relay()
    relay.welded = True
    assert closed_at(relay, [0, MS]) == [True, True]
    assert relay.coil_g == 0


def test_its_coil_draws_current_while_it_is_driven():
    relay = Relay(coil_ohm=90)
    relay.command(1.0, 0)
    assert relay.coil_g == pytest.approx(1 / 90)
    assert relay.thresholds() == (3.0, 7.5)


def test_a_trip_waits_for_the_end_of_blanking():
    switch = SolidState(trip=5.0, blanking_ns=100 * MS)
    switch.command(1.0, 0)
    switch.look(12.0, 40.0, 100 * MS - 1)
    assert switch.duty == 1.0
    switch.look(12.0, 40.0, 100 * MS)
    assert switch.duty == 0.0
    assert switch.status(0.0, broken=False) is Status.OVER_CURRENT


def test_it_tries_again_so_often_and_then_latches_until_it_is_switched_off():
    switch = SolidState(trip=5.0, blanking_ns=0, retry_ns=500 * MS, retries=2)
    switch.command(1.0, 0)
    conducted = []
    for now_ns in range(0, 3000 * MS, 100 * MS):
        switch.look(12.0, 40.0 if switch.duty else 0.0, now_ns)
        conducted.append(switch.duty > 0)
    assert sum(conducted) == 2  # each try is a trip in the next look
    assert switch.tripped is Status.LATCHED
    assert switch.next_ns(0.0, 3000 * MS) == NEVER
    switch.command(0.0, 3000 * MS)
    switch.command(1.0, 3001 * MS)
    assert switch.duty == 1.0


def test_a_good_try_forgets_the_trips_before():
    switch = SolidState(trip=5.0, blanking_ns=0, retry_ns=500 * MS, retries=1)
    switch.command(1.0, 0)
    for round_ns in range(0, 10_000 * MS, 1000 * MS):
        switch.look(12.0, 40.0, round_ns)
        assert switch.tripped is Status.OVER_CURRENT
        switch.look(12.0, 0.0, round_ns + 500 * MS)
        switch.look(12.0, 2.0, round_ns + 600 * MS)
        assert switch.duty == 1.0


def test_heat_trips_it_within_blanking_too_when_it_said():
    switch = SolidState(kelvin_per_watt=20, thermal_s=0.2, rise=100)
    switch.command(1.0, 0)
    due_ns = switch.next_ns(50.0, 0)
    switch.warmed(50.0, due_ns / 1e9 - 1e-6)
    switch.look(12.0, 10.0, due_ns - 1000)
    assert switch.duty == 1.0
    switch.warmed(50.0, 2e-6)
    switch.look(12.0, 10.0, due_ns + 1000)
    assert switch.tripped is Status.OVER_TEMPERATURE
    switch.warmed(0.0, 10.0)
    assert switch.kelvin == pytest.approx(0.0, abs=1e-3)


def test_what_stays_below_its_rise_never_trips_it():
    switch = SolidState(kelvin_per_watt=20, thermal_s=0.2, rise=100, blanking_ns=0)
    switch.command(1.0, 0)
    assert switch.next_ns(4.9, 1) == NEVER


def test_a_soft_start_rises_in_even_steps():
    switch = SolidState(soft_ns=80 * MS, blanking_ns=0)
    switch.command(0.5, 0)
    found, now_ns = [switch.duty], 0
    while (now_ns := switch.next_ns(0.0, now_ns)) != NEVER:
        switch.look(12.0, 1.0, now_ns)
        found.append(switch.duty)
    assert found == pytest.approx([0.5 * step / 6 for step in range(1, 7)])
    assert switch._now_ns == 80 * MS


@pytest.mark.parametrize(
    ("off", "broken", "level", "amps", "status"),
    [
        (False, True, 0.0, 0.0, Status.OK),
        (True, True, 0.0, 0.0, Status.OPEN_LOAD),
        (True, False, 0.0, 0.0, Status.OK),
        (False, True, 1.0, 0.0, Status.OPEN_LOAD),
        (False, False, 1.0, 0.099, Status.OPEN_LOAD),
        (False, False, 1.0, 0.1, Status.OK),
    ],
)
def test_an_open_load_is_told_on_and_off_as_it_can(off, broken, level, amps, status):
    switch = SolidState(open_load=0.1, open_load_off=off)
    switch.command(level, 0)
    assert switch.status(amps, broken=broken) is status


def test_a_bare_contact_obeys_at_once_and_tells_nothing():
    switch = Direct()
    switch.command(0.4, 0)
    assert switch.duty == 0.4
    assert switch.next_ns(5.0, 0) == NEVER
    assert switch.status(0.0, broken=True) is Status.OK
