"""Cases in which the shipped car is right, and which once were told as broken."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from bench.campaign.naming import case_named
from bench.campaign.run import run_case
from bench.model.loading import load_vehicle

WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"

RIGHT = [
    # a controller that goes bus-off in a frame that is followed bit by bit
    "overheating/impostor(EngineData,gauge)@1941ms+1540ms/flood(rear)@2061ms+2155ms",
    # a fault in the last bits of a frame, which its receivers have taken all the same
    "false_start/unplug(engine)@831216us+161ms",
    "turning/slow_boot(dash)@109324us+79ms",
    # a status that is sent on and on with the same counter: its node is rightly called lost
    "turning/freeze(RearStatus)@800ms+2s",
]


@cache
def wren():
    return load_vehicle(WREN)


@pytest.mark.parametrize("name", RIGHT)
def test_a_right_car_is_not_called_broken(name):
    case = case_named(wren(), name)
    assert case is not None
    result = run_case(case)
    assert [(v.subject, v.rule, v.text) for v in result.verdicts if v.broken] == []
