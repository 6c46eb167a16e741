"""A controller that is held in bus-off: nothing brings it back before the fault is gone."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_car import MS, fault, run, small_vehicle

from linkloss.faults.catalogue import FaultError, catalogue
from linkloss.faults.frame_faults import requests
from linkloss.vehicle.loading import load_vehicle

ROOT = Path(__file__).parents[2]


def states(ran, node="front"):
    """(ms, state, TEC, REC) of a node's controller."""
    changes = ran.recording.controllers[node]
    return [(change.at_ns / MS, change.state, change.tec, change.rec) for change in changes]


def test_it_is_bus_off_with_rec_above_zero_until_the_fault_is_gone():
    ran = run((fault("held_bus_off", node="front"), 200, 400), lasts_ms=700)
    (off, back) = states(ran)
    assert off == (200, "BUS_OFF", 256, 57)
    assert back[1:] == ("ACTIVE", 0, 0)
    assert back[0] > 400 + 128 * 11 * 0.004 - 0.1  # 128 times 11 bits of 4 us
    own_ms = [r.start_ns / MS for r in ran.recording.frames if r.sender == "front"]
    assert not [at_ms for at_ms in own_ms if 200 < at_ms < 400]
    assert [at_ms for at_ms in own_ms if at_ms > 410]


def test_a_recovery_that_was_under_way_begins_anew():
    ran = run(
        (fault("bus_off", node="front"), 200, None),
        (fault("held_bus_off", node="front", rec=99), 201, 400),
        lasts_ms=700,
    )
    assert [entry[1] for entry in states(ran)] == ["BUS_OFF", "ACTIVE"]
    assert states(ran)[-1][0] > 400


@pytest.mark.parametrize("reset_ms", [250, 190])
def test_a_reset_of_the_node_does_not_help(reset_ms):
    ran = run(
        (fault("reset", node="front"), reset_ms, None),
        (fault("held_bus_off", node="front"), 200, 450),
        lasts_ms=900,
    )
    assert [entry[1] for entry in states(ran)][-2:] == ["BUS_OFF", "ACTIVE"]
    assert states(ran)[-1][0] > 450
    assert not [
        r for r in ran.recording.frames if r.sender == "front" and 200 * MS < r.start_ns < 450 * MS
    ]


def test_the_record_names_the_node_and_what_it_is():
    ran = run((fault("held_bus_off", node="front", rec=12), 200, 400))
    (record,) = ran.recording.faults
    assert (record.group, record.content, record.nodes) == ("node", False, ("front",))
    assert record.text == "front was held in bus-off (REC 12)"
    assert record.cleared_ns == 400 * MS
    with pytest.raises(FaultError):
        fault("held_bus_off", node="front", rec=0)


def test_status_messages_with_a_counter_freeze_as_well_as_requests():
    small = small_vehicle()
    assert {f.message for f in catalogue()["freeze"].every(small)} == {*requests(small)}
    wren = load_vehicle(ROOT / "scenarios" / "wren" / "vehicle.toml")
    frozen = [f.message for f in catalogue()["freeze"].every(wren) if f.gap is None]
    states = {"FrontStatus", "RearStatus", "EngineStatus", "GaugeStatus"}
    assert set(frozen) == {*requests(wren), *states}
    assert len(frozen) == len(set(frozen))
