"""The demo car on its battery: which nodes reset in which start of the engine.

The profiles are those of ISO 16750-2 (``linkloss.power.supply`` says how sure we are of them).
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from demo_cases import narrow

from linkloss.faults.catalogue import make_fault
from linkloss.judge import Outcome
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"
LIT = {"ignition": "on", "lights": "dipped"}


@cache
def wren():
    return load_vehicle(WREN)


@cache
def started(level):
    """All lamps are on, and the engine is started from 1 s on, for 1.2 s."""
    fault = make_fault("brown_out", {"profile": f"starting_{level}"}, wren())
    scenario = Scenario(
        name="start",
        title="",
        vehicle=wren(),
        situation="",
        inputs=LIT,
        actions=(),
        faults=(TimedFault(fault, 1000 * MS, 2200 * MS),),
        lasts_ns=3500 * MS,
    )
    return simulate(scenario)


def went_off(recording):
    """The nodes that lost their supply."""
    return {
        node
        for node, changes in recording.nodes.items()
        if any(change.state == "off" for change in changes)
    }


def under(recording, node):
    """Whether the voltage at a node's terminals fell under its threshold."""
    return min(recording.volts[node].values) < wren().nodes[node].supply.brown_out


def test_a_warm_start_resets_no_node():
    """Level I: 8 V, and every threshold lies below."""
    recording = started(1)
    assert went_off(recording) == set()
    assert not any(under(recording, node) for node in wren().nodes)
    assert min(recording.volts["front"].values) < 8.1  # it was there


def test_a_cold_start_resets_the_nodes_whose_thresholds_say_so():
    """Level II falls to 4.5 V. Gauge bears 4 V; dash falls under its 5.6 V, but for 15 ms only,
    and its capacitor bears that: 1000 uF from 12 V to 5.6 V at 120 mA last 53 ms.
    """
    recording = started(2)
    fell = {node for node in wren().nodes if under(recording, node)}
    assert fell == {"dash", "engine", "front", "rear"}
    held = {node for node in wren().nodes if wren().nodes[node].supply.hold_up}
    assert held == {"dash"}
    assert went_off(recording) == fell - held


def test_the_worst_start_resets_every_node():
    """Level III falls to 3 V, under every threshold, and stays at 5 V for longer than any
    capacitor bears.
    """
    assert went_off(started(3)) == set(wren().nodes)


@pytest.mark.parametrize("level", [1, 2, 3, 4])
def test_lamps_that_were_lit_are_lit_at_the_end_of_every_start(level):
    recording = started(level)
    for lamp in ("low_beam_left", "low_beam_right", "position_front", "tail_left", "tail_right"):
        assert recording.outputs[lamp].at(990 * MS) == 1, lamp
        assert recording.outputs[lamp].at(3490 * MS) == 1, lamp


def test_the_engine_is_cranked_by_the_starter_itself_and_no_node_resets():
    """The situation needs no fault: the motor pulls the battery down when its coil pulls in."""
    table = wren().situations["cranking"]
    scenario = Scenario(
        name="cranking",
        title="",
        vehicle=wren(),
        situation="cranking",
        inputs=table.inputs,
        actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
        faults=(),
        lasts_ns=table.lasts,
    )
    recording = simulate(scenario)
    assert went_off(recording) == set()
    assert 8 < min(recording.volts["gauge"].values) < 10.5


@pytest.mark.slow
def test_a_check_shows_which_loads_keep_their_rules_through_a_start():
    report = narrow(wren(), ["brown_out"], ["night_drive"])
    assert report.findings == ()
    kept = {
        (entry.subject, entry.rule)
        for entry in report.rules
        if entry.verdict.outcome is Outcome.KEPT
    }
    lamps = ("low_beam_left", "low_beam_right", "position_front", "tail_left", "tail_right")
    assert kept >= {(lamp, "back") for lamp in lamps}
    assert report.cells["low_beam_left", "brown_out"].outcome is Outcome.KEPT
