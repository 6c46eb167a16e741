"""A session on a battery: what the circuit makes of nodes and outputs.

The numbers are worked out from the tables of ``supply/vehicle.toml``: rear hangs on 5 m of 4 mm2
and a ground of 1 m (together 28 mohm with copper at 20 degC, and 10 mohm in the battery).
"""

from __future__ import annotations

from itertools import pairwise
from math import isnan

import pytest
from supply_car import MS, drive, ideal, supplied

from linkloss.recording import Series
from linkloss.session.electrics import START_UP_NS

ON = [(100, "on")]


def test_an_output_on_an_ideal_supply_does_what_it_is_told():
    run = drive(vehicle=ideal(), lights=[(100, "on"), (300, "off")])
    assert run.levels("lamp") == [(0.0, 0.0), (100.0, 1.0), (300.0, 0.0)]
    assert run.recording.volts == run.recording.amps == run.recording.driven == {}
    assert run.session.power is None


def test_the_voltage_at_a_node_is_what_its_loads_leave():
    """Ohm's law: the fan is 12 V / 5 A, the electronics draw 0.1 A, the lamp is out by then."""
    run = drive(("load_open", {"load": "lamp"}, 50, None), lights=ON)
    fan_ohm, lead_ohm = 12 / 5, 2 * 0.01724 / 2.5 + 0.01
    way_ohm = 0.01 + 6 * 0.01724 / 4
    amps = (12.6 - 0.1 * way_ohm) / (way_ohm + fan_ohm + lead_ohm)
    assert run.amps("fan", 500) == pytest.approx(amps, rel=0.02)
    assert run.volts("rear", 500) == pytest.approx(12.6 - (amps + 0.1) * way_ohm, abs=0.06)


def test_a_relay_takes_its_time():
    run = drive(brake_pedal=[(200, "pressed"), (600, "released")])
    assert run.levels("pump") == [(0.0, 0.0), (208.0, 1.0), (604.0, 0.0)]
    assert run.recording.driven["pump"].changes() == [
        (0, 0.0), (200 * MS, 1.0), (600 * MS, 0.0),
    ]  # fmt: skip


def test_an_alternator_lifts_the_voltage_while_the_engine_runs():
    run = drive(oil_pressure=[(300, 6.0), (700, 0.0)], inputs={"lights": "on"})
    assert run.volts("dash", 200) < 12.6
    assert run.volts("dash", 690) > 13
    assert run.volts("dash", 900) < 12.6


def test_a_node_resets_when_its_own_voltage_is_under_its_threshold():
    """Level II falls to 4.5 V: under the 6.5 V of rear, not under the 4 V of dash."""
    run = drive(("brown_out", {"profile": "starting_2"}, 300, 360), lights=ON)
    assert run.states("dash") == [(0.0, "reset", "power-up"), (20.0, "running", "boot")]
    states = run.states("rear")
    assert [entry[1:] for entry in states] == [
        ("reset", "power-up"),
        ("running", "boot"),
        ("off", "supply"),
        ("reset", "supply"),
        ("running", "boot"),
    ]
    off_ms, back_ms, up_ms = (entry[0] for entry in states[2:])
    assert 303 < off_ms < 305  # 12 V to 4.5 V in 5 ms; 6.5 V and what the leads take
    assert back_ms == 360 + START_UP_NS / MS  # the fault ends before the profile is back at 7 V
    assert up_ms == back_ms + 20


def test_the_outputs_drop_when_their_node_does_and_come_back_with_its_program():
    run = drive(("brown_out", {"node": "rear"}, 300, 500), lights=ON)
    assert run.levels("fan") == [(0.0, 0.0), (100.0, 1.0), (300.0, 0.0), (521.0, 1.0)]
    assert run.recording.driven["fan"].changes()[2:] == [(300 * MS, 0.0), (521 * MS, 1.0)]
    assert run.volts("rear", 400) == pytest.approx(0, abs=0.01)


def test_a_node_without_supply_can_be_neither_reset_nor_hung():
    run = drive(
        ("brown_out", {"node": "rear"}, 300, 500),
        ("reset", {"node": "rear"}, 400, None),
        ("hang", {"node": "rear"}, 410, 420),
    )
    assert [state for _, state, _ in run.states("rear")][2:] == ["off", "reset", "running"]


def test_a_node_that_loses_its_supply_while_it_boots_boots_anew():
    run = drive(("brown_out", {"node": "rear"}, 10, 40))
    assert run.states("rear") == [
        (0.0, "reset", "power-up"),
        (10.0, "off", "supply"),
        (41.0, "reset", "supply"),
        (61.0, "running", "boot"),
    ]


def test_a_starter_pulls_the_voltage_down_where_it_is_fed():
    run = drive(inputs={"lights": "on"}, oil_pressure=[(300, 2.0), (900, 0.0)])
    assert run.levels("starter") == [(0.0, 0.0), (300.0, 1.0), (900.0, 0.0)]
    lowest = min(run.recording.volts["rear"].values[1:])
    assert 7.5 < lowest < 9.5  # 500 A at 10 mohm and the winding's 24 mohm: about 8.9 V
    assert run.volts("rear", 950) > 12


def test_a_shorted_load_behind_a_switch_that_trips_leaves_its_neighbour_alone():
    run = drive(("load_short", {"load": "lamp"}, 300, None), lights=ON)
    assert run.levels("lamp")[-1] == (300.0, 0.0)
    assert run.levels("fan") == [(0.0, 0.0), (100.0, 1.0)]
    assert run.states("rear") == [(0.0, "reset", "power-up"), (20.0, "running", "boot")]


def test_a_shorted_load_behind_a_relay_takes_its_node_down_until_its_fuse_blows():
    """Nothing limits the current: 12.6 V over 10 mohm, 26 mohm of feed and ground, 24 mohm of
    lead and contact, 10 mohm in the short make 180 A, and leave 6.1 V of the 6.5 V it needs.
    """
    run = drive(("load_short", {"load": "pump"}, 300, None), brake_pedal=[(200, "pressed")])
    assert run.session.power.network.channels["pump"].fuse.opened
    assert (300.0, "off", "supply") in run.states("rear")
    assert run.states("rear")[-1][1] == "running"
    assert run.levels("pump")[-1] == (300.0, 0.0)


def test_a_repaired_load_works_again():
    run = drive(("load_short", {"load": "pump"}, 300, 600), brake_pedal=[(200, "pressed")])
    assert run.levels("pump")[-1] == (600.0, 1.0)
    assert not run.session.power.network.channels["pump"].fuse.opened


def test_a_welded_relay_keeps_its_load_on_and_is_told_by_the_current():
    found = []

    def look(session):
        board = session.hosts["rear"]._running.board
        found.append((board.current("pump"), board.output_status("pump")))

    run = drive(
        ("relay_welded", {"load": "pump"}, 300, 800),
        brake_pedal=[(200, "pressed"), (500, "released")],
        at=(700, look),
    )
    assert run.levels("pump") == [(0.0, 0.0), (208.0, 1.0), (800.0, 0.0)]
    assert run.recording.driven["pump"].at(600 * MS) == 0
    assert found[0][0] > 5


def test_what_a_board_senses():
    seen = []

    def look(session):
        board = session.hosts["rear"]._running.board
        seen.append((board.supply_volts(), board.current("lamp"), board.output_status("lamp")))

    run = drive(lights=ON, at=(700, look))
    ((volts, amps, status),) = seen
    assert volts == pytest.approx(run.volts("rear", 700), abs=0.06)
    assert amps == pytest.approx(55 / 12, rel=0.05)
    assert status == "ok"
    drive(("load_open", {"load": "lamp"}, 300, None), lights=ON, at=(700, look))
    assert seen[1][1:] == (0.0, "open load")
    drive(vehicle=ideal(), lights=ON, at=(700, look))
    assert seen[2][0] == 13.5
    assert isnan(seen[2][1])
    assert seen[2][2] == "ok"


def test_a_lost_ground_takes_the_node_with_it():
    run = drive(("ground_lost", {"node": "rear"}, 300, 600), lights=ON)
    assert (300.0, "off", "supply") in run.states("rear")
    assert run.volts("rear", 500) < 1


def test_without_battery_and_alternator_all_is_off():
    run = drive(("battery_off", {}, 300, 600), lights=ON)
    for node in supplied().nodes:
        assert (300.0, "off", "supply") in run.states(node)


def test_a_running_alternator_goes_on_without_the_battery():
    run = drive(("battery_off", {}, 300, 600), oil_pressure=[(50, 6.0)], lights=ON)
    assert "off" not in [state for _, state, _ in run.states("rear")]


def test_a_car_that_is_powered_up_without_a_battery_waits_for_it():
    run = drive(("battery_off", {}, 0, 200), inputs={"lights": "on"})
    assert run.states("rear")[-2:] == [(201.0, "reset", "supply"), (221.0, "running", "boot")]


def test_two_profiles_at_one_time_the_later_counts():
    run = drive(
        ("alternator_surge", {}, 200, 800), ("brown_out", {"profile": "starting_1"}, 400, 600)
    )
    assert run.volts("dash", 350) == pytest.approx(18, abs=0.1)
    assert 9 < run.volts("dash", 550) < 12
    assert run.volts("dash", 650) > 15
    assert run.volts("dash", 900) == pytest.approx(12.6, abs=0.1)


def test_the_same_run_twice_is_the_same_recording():
    def once():
        return drive(("brown_out", {"profile": "starting_2"}, 300, 700), lights=ON).recording

    assert once() == once()


def test_recorded_voltages_are_those_that_are_worth_noting():
    run = drive(lights=ON)
    values = run.recording.volts["rear"].values
    assert isinstance(run.recording.volts["rear"], Series)
    assert all(abs(a - b) >= 0.05 for a, b in pairwise(values))
