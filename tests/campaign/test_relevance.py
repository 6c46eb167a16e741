"""Which actions of the driver matter to which fault, on Wren."""

from __future__ import annotations

from pathlib import Path

import pytest

from linkloss.campaign.asked import Relevance
from linkloss.faults.catalogue import make_fault
from linkloss.vehicle.loading import load_vehicle

WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"


@pytest.fixture(scope="module")
def wren():
    return load_vehicle(WREN)


@pytest.mark.parametrize(
    "kind, parameters, inputs, matters",
    [
        # the lamps of both ends are asked for by the dash's LampRequest
        ("unplug", {"node": "rear"}, ["lights"], True),
        ("unplug", {"node": "dash"}, ["lights"], True),
        ("unplug", {"node": "gauge"}, ["horn_button"], False),
        ("drop", {"message": "LampRequest", "receiver": "rear"}, ["lights"], True),
        ("drop", {"message": "BodyRequest", "receiver": "front"}, ["lights"], False),
        ("drop", {"message": "BodyRequest", "receiver": "front"}, ["horn_button"], True),
        ("drop", {"message": "BodyRequest", "receiver": "rear"}, ["horn_button"], False),
        ("freeze", {"message": "LampRequest"}, ["indicator"], True),
        # the brake pedal goes straight to the rear
        ("reset", {"node": "rear"}, ["brake_pedal"], True),
        ("reset", {"node": "dash"}, ["brake_pedal"], False),
        ("cut", {"between": ["gauge", "rear"]}, ["brake_pedal"], False),
        # the engine's own sensors decide what it asks the front node and the pump for
        ("unplug", {"node": "front"}, ["coolant_temperature"], True),
        ("unplug", {"node": "gauge"}, ["coolant_temperature"], True),  # its warning lamp
        # the starter is asked for by the dash, which needs the engine's word that it stands still
        ("drop", {"message": "EngineData", "receiver": "dash"}, ["start_button"], True),
        ("drop", {"message": "EngineData", "receiver": "gauge"}, ["start_button"], False),
        # an input fault matters when its input moves
        ("stuck", {"input": "lights"}, ["lights"], True),
        ("stuck", {"input": "lights"}, ["horn_button"], False),
        ("open", {"input": "brake_pedal"}, ["brake_pedal", "lights"], True),
        ("unplug", {"node": "rear"}, [], False),
    ],
)
def test_a_fault_matters_to_what_it_can_spoil(wren, kind, parameters, inputs, matters):
    fault = make_fault(kind, parameters, wren)
    assert Relevance(wren).matters(fault, inputs) is matters


@pytest.mark.parametrize("kind", ["cut", "flood"])
def test_a_fault_of_the_whole_bus_matters_to_every_request(wren, kind):
    parameters = {"cut": {"between": ["dash", "gauge"]}, "flood": {"node": "gauge"}}
    fault = make_fault(kind, parameters[kind], wren)
    assert Relevance(wren).matters(fault, ["lights"])


@pytest.mark.parametrize(
    "inputs, flashes",
    [
        (["indicator"], True),
        (["hazard"], True),
        (["lights"], False),
        (["ignition"], True),
        ([], False),
    ],
)
def test_which_inputs_make_a_load_flash(wren, inputs, flashes):
    assert Relevance(wren).flashes(inputs) is flashes
