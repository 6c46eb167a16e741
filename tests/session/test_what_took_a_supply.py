"""The recording tells why a node lost its supply, and which fuse opened: a fault, a declared start
of the engine, or the car itself.
"""

from __future__ import annotations

import json

import pytest
from starving_cars import (
    DECLARED,
    FAN_ON_A_SMALL_FEED,
    MS,
    WEAK_BATTERY,
    drive,
    taken,
    wren_with,
)
from supply_car import drive as small_drive

from linkloss.campaign.result import RunResult
from linkloss.faults.catalogue import make_fault
from linkloss.live.growth import Growth, add, empty_copy
from linkloss.recording import FuseOpened, recording_fields, recording_form
from linkloss.report.timeline import events
from linkloss.scenario import Scenario, TimedFault

LIT = [(100, "on")]
THREE = {"engine", "front", "rear"}


def fault(vehicle, kind, from_ms, until_ms, **parameters):
    made = make_fault(kind, parameters, vehicle)
    return TimedFault(made, from_ms * MS, until_ms * MS)


def told(vehicle, recording):
    scenario = Scenario("x", "", vehicle, "", {}, (), (), recording.end_ns)
    return [event.text for event in events(RunResult(scenario, recording, (), ()))]


def test_pressing_start_on_a_weak_battery_resets_three_nodes_by_the_cars_own_doing():
    vehicle = wren_with(WEAK_BATTERY)
    recording = drive(vehicle, "cranking")
    assert taken(recording) == {node: {"car"} for node in THREE}
    assert recording.fuses == []
    assert any(
        ": off (supply: taken by the car itself" in line for line in told(vehicle, recording)
    )
    assert taken(drive(wren_with(), "cranking")) == {}


def test_a_vehicle_may_declare_what_a_start_resets():
    declared = wren_with(WEAK_BATTERY, DECLARED)
    assert taken(drive(declared, "cranking")) == {node: {"start"} for node in THREE}
    one = {key: text.replace('"dash", "engine", ', "") for key, text in DECLARED.items()}
    found = taken(drive(wren_with(WEAK_BATTERY, one), "cranking"))
    assert found == {"engine": {"car"}, "front": {"start"}, "rear": {"start"}}


def test_a_fan_whose_start_blows_the_feed_of_its_node_is_no_fault_and_no_start():
    vehicle = wren_with(FAN_ON_A_SMALL_FEED)
    recording = drive(vehicle, "overheating")
    (opened,) = recording.fuses
    assert (opened.what, opened.nodes, opened.by) == ("feed of front", ("front",), "car")
    assert set(opened.loads) == {n for n, load in vehicle.loads.items() if load.node == "front"}
    assert taken(recording) == {"front": {"car"}}
    (off,) = [change for change in recording.nodes["front"] if change.state == "off"]
    assert off.at_ns == opened.at_ns
    assert recording.outputs["cooling_fan"].values[-1] == 0
    assert any(
        line.startswith("the fuse of the feed of front opened without any fault: no current for"
                        " node front, ")
        for line in told(vehicle, recording)
    )  # fmt: skip


@pytest.mark.parametrize(
    "kind, parameters",
    [
        ("brown_out", {"profile": "starting_3"}),
        ("brown_out", {"node": "rear"}),
        ("battery_off", {}),
        ("ground_lost", {"node": "rear"}),
    ],
    ids=["profile", "feed", "battery", "ground"],
)
def test_what_a_fault_of_the_supply_takes_is_the_faults(kind, parameters):
    run = small_drive((kind, parameters, 200, 500), lights=LIT)
    assert taken(run.recording)["rear"] == {"fault"}
    assert run.recording.fuses == []


def test_a_fuse_that_a_short_blows_is_told_with_all_that_hangs_on_it():
    run = small_drive(("load_short", {"load": "pump"}, 200, 800), brake_pedal=[(100, "pressed")])
    (opened,) = run.recording.fuses
    assert opened == FuseOpened(opened.at_ns, "pump", ("pump",), (), "fault")
    assert 200 * MS < opened.at_ns < 800 * MS


def test_a_fuse_that_a_fault_takes_out_did_not_open_by_a_current():
    run = small_drive(("fuse_blown", {"load": "pump"}, 200, 500), brake_pedal=[(100, "pressed")])
    assert run.recording.outputs["pump"].at(400 * MS) == 0
    assert run.recording.fuses == []


def test_a_start_that_starves_the_car_is_not_a_faults_doing_where_the_fault_is_of_the_bus():
    vehicle = wren_with(WEAK_BATTERY)
    mute = fault(vehicle, "mute", 500, 3000, node="gauge")
    assert taken(drive(vehicle, "cranking", mute)) == {node: {"car"} for node in THREE}


def test_a_recording_keeps_it_when_it_is_written_and_read_and_while_it_is_watched():
    vehicle = wren_with(FAN_ON_A_SMALL_FEED)
    recording = drive(vehicle, "overheating")
    fields = json.dumps(recording_fields(recording))
    back = recording_form().validate_json(fields, strict=True)
    assert back.fuses == recording.fuses
    assert back.nodes == recording.nodes
    copy = empty_copy(recording)
    add(copy, Growth(recording).gained(recording.end_ns))
    assert copy.fuses == recording.fuses
