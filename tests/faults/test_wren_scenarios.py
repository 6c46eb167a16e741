"""The demo vehicle's faults and stories: what is shipped must load, run and come out as told."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from linkloss.faults.catalogue import catalogue, make_fault
from linkloss.scenario import Expectation, load_scenario
from linkloss.session import simulate
from linkloss.vehicle.loading import Vehicle, load_vehicle

FOLDER = Path(__file__).parents[2] / "scenarios" / "wren"
STORIES = sorted(path.stem for path in FOLDER.glob("*.toml") if path.stem != "vehicle")


@cache
def wren() -> Vehicle:
    return load_vehicle(FOLDER / "vehicle.toml")


def levels(recording, wanted: Expectation) -> set[float]:
    """The levels that a load had from the beginning of a span up to before its end."""
    series = recording.outputs[wanted.load]
    inside = {v for at, v in series.changes() if wanted.from_ns < at < wanted.to_ns}
    return {series.at(wanted.from_ns)} | inside


@pytest.mark.parametrize("story", STORIES)
def test_a_story_comes_out_as_it_says(story):
    scenario = load_scenario(FOLDER / f"{story}.toml")
    assert scenario.faults
    assert scenario.expectations
    recording = simulate(scenario)
    assert recording.crashes == []
    for wanted in scenario.expectations:
        found = levels(recording, wanted)
        expected = {"off": {0.0}, "on": {1.0}, "flash": {0.0, 1.0}}[wanted.state]
        assert found == expected, wanted


def test_a_check_of_the_demo_vehicle_tries_a_bounded_number_of_faults():
    every = [instance for form in catalogue().values() for instance in form.every(wren())]
    assert 60 <= len(every) <= 320
    assert {instance.kind for instance in every} == set(catalogue())
    assert len({instance.label() for instance in every}) == len(every)
    for instance in every:
        assert make_fault(instance.kind, instance.written(), wren()) == instance


def test_a_control_node_may_also_miss_what_it_decides_its_requests_by():
    labels = [instance.label() for instance in catalogue()["drop"].every(wren())]
    assert "drop(EngineData,dash)" in labels
    assert "drop(EngineData,gauge)" in labels
    assert "drop(LampRequest,dash)" not in labels


def test_corrupt_is_tried_once_for_each_sender():
    labels = [instance.label() for instance in catalogue()["corrupt"].every(wren())]
    assert len(labels) == 2
