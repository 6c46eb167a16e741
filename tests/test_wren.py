"""The demo vehicle as shipped: definition, demands and stories fit together."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cantools
import pytest

from linkloss.campaign.run import run, run_case
from linkloss.campaign.selection import case_named
from linkloss.scenario import load_scenario
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle, load_vehicle

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "scenarios" / "wren"
STORIES = sorted(path.stem for path in FOLDER.glob("*.toml") if path.stem != "vehicle")


@cache
def wren() -> Vehicle:
    return load_vehicle(FOLDER / "vehicle.toml")


@cache
def database():
    return cantools.database.load_file(str(ROOT / "dbc" / "wren.dbc"), strict=True)


def requested() -> list[str]:
    """Every signal that asks for something."""
    vehicle = wren()
    names = [name for load in vehicle.loads.values() if load.request for name in load.request.names]
    return sorted({*names, *vehicle.requests})


def asked_by(name: str) -> list[LoadTable]:
    """The loads whose request reads a signal."""
    loads = wren().loads.values()
    return [load for load in loads if load.request and name in load.request.names]


def test_the_definition_loads_strictly_and_is_the_one_that_the_vehicle_names():
    assert {message.name for message in database().messages} == set(wren().messages)


def test_every_node_of_the_cable_is_in_the_definition():
    assert {node.name for node in database().nodes} >= set(wren().along)


@pytest.mark.parametrize("name", requested())
def test_a_request_is_a_signal_that_fits_into_its_message(name):
    message_name, _, signal_name = name.partition(".")
    message = database().get_message_by_name(message_name)
    signal = message.get_signal_by_name(signal_name)
    assert signal.length == 1
    assert (signal.scale, signal.offset, signal.is_signed) == (1, 0, False)
    assert (signal.minimum, signal.maximum) == (0, 1)
    assert signal.start < 8 * message.length
    for value in (0, 1):
        data = (
            message.encode({signal_name: value}, strict=False, padding=False)
            if (len(message.signals) == 1)
            else message.encode(
                {s.name: value if s is signal else s.minimum or 0 for s in message.signals}
            )
        )
        assert wren().signal(name)[1].raw(data) == value


@pytest.mark.parametrize("name", requested())
def test_a_request_is_sent_by_a_node_and_heard_by_those_that_drive_its_loads(name):
    message = database().get_message_by_name(name.partition(".")[0])
    assert message.cycle_time
    assert set(message.senders) <= set(wren().nodes)
    receivers = {load.node for load in asked_by(name)}
    assert receivers <= set(message.receivers)


@pytest.mark.parametrize("name", requested())
def test_a_request_that_moves_something_is_protected_by_counter_and_checksum(name):
    message = wren().messages[name.partition(".")[0]]
    safety = any(load.safety for load in asked_by(name))
    if safety and "Notices" not in message.name:
        assert message.counter is not None
        assert message.checksum is not None


def test_the_vehicle_has_enough_to_break():
    vehicle = wren()
    assert len(vehicle.situations) >= 8
    ruled = [
        load
        for load in vehicle.loads.values()
        if load.local is not None
        or (
            load.on_stale is not None and load.on_reset is not None and load.stale_after is not None
        )
    ]
    assert len(ruled) >= 20
    for load in vehicle.loads.values():
        assert not load.safety or load in ruled


def test_every_input_moves_in_some_situation():
    moved = {
        name
        for table in wren().situations.values()
        for action in table.actions
        for name in action.set
    }
    assert moved == set(wren().inputs)


def test_every_node_has_a_watchdog_and_a_status_message():
    for name, node in wren().nodes.items():
        assert node.watchdog is not None, name
        assert node.status is not None, name


@pytest.mark.parametrize("story", STORIES)
def test_a_story_meets_its_expectations_and_breaks_no_rule(story):
    result = run(load_scenario(FOLDER / f"{story}.toml"))
    assert result.expected
    assert [verdict for verdict in result.expected if verdict.broken] == []
    assert [(v.subject, v.rule, v.text) for v in result.broken] == []


def test_there_are_enough_stories_of_different_faults():
    kinds = {load_scenario(FOLDER / f"{story}.toml").kinds for story in STORIES}
    assert len(STORIES) >= 10
    assert len(kinds) >= 8


@pytest.mark.parametrize(
    "name",
    [
        (
            "cranking/stuck(start_button)@100ms+186ms/hang(front)@305996us+118ms"
            "/flood(rear)@355996us+1469ms"
        ),
        "overheating/hang(gauge)@203ms+41ms/flood(rear)@460256us+300ms",
        (
            "parked/unplug(gauge)@3013284us+61ms/hang(gauge)@3174284us+159ms"
            "/freeze(DashNotices)@3234284us+500ms/delay(BodyRequest)@4210284us+1471ms"
        ),
        "parked/unplug(rear)@2171ms+1510ms/hang(rear)@3681ms+1470ms",
        "shutting_down/stuck(lights)@1963ms+1530ms/held_bus_off(gauge)@2063ms+2165ms",
        "false_start/reset(dash)@1950ms/reset(dash)@2087500us",
        "false_start/bus_off(dash)@1963ms/reset(dash)@2063ms",
        "cranking/reset(engine)@526996us/flood(rear)@826992us+159ms",
    ],
)
def test_the_demo_car_is_right_where_two_faults_meet(name):
    """Cases of the depths ``pairs`` and ``hunt`` in which it was called broken once, or was."""
    case = case_named(wren(), name)
    assert case is not None
    assert [v for v in run_case(case).verdicts if v.broken] == []
