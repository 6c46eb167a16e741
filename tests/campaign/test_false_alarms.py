"""Cases in which the shipped car is right, and which once were told as broken."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from linkloss.campaign.cases import CaseMaker
from linkloss.campaign.placed import LAST_BITS, POSITIONS, bit_cases
from linkloss.campaign.rotation import Undisturbed
from linkloss.campaign.run import case_result, run_case
from linkloss.campaign.selection import case_named
from linkloss.recording import series
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

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
    assert told(run_case(case)) == []


def told(result):
    return [(v.subject, v.rule, v.text) for v in result.verdicts if v.broken]


@cache
def last_bits():
    """The cases in each of the last bits of the frame by which the dash asks the gauge for its
    panel lamp, by fault.
    """
    maker = CaseMaker(wren(), 0)
    cases = list(bit_cases(maker, Undisturbed(maker)))
    rows = [cases[place : place + POSITIONS] for place in range(0, len(cases), POSITIONS)]
    return {row[0].faults[0].fault.label(): row[-LAST_BITS:] for row in rows}


BREAK = [
    "reset(dash)", "unplug(dash)", "bus_off(dash)", "reset(gauge)", "unplug(gauge)",
    "cut(dash,gauge)",
]  # fmt: skip


@pytest.mark.parametrize("fault", BREAK)
def test_a_right_car_is_right_whichever_of_the_last_bits_a_fault_meets(fault):
    """In some its receiver has the frame and its sender does not know it."""
    cases = last_bits()[fault]
    assert len({case.name for case in cases}) == LAST_BITS
    assert [(case.name, told(run_case(case))) for case in cases] == [
        (case.name, []) for case in cases
    ]


@pytest.mark.parametrize("fault", BREAK)
def test_a_lamp_that_never_follows_the_frame_is_found_all_the_same(fault):
    """In the first and the last of these bits: the dash asks for it for seconds more."""
    for case in (last_bits()[fault][0], last_bits()[fault][-1]):
        recording = simulate(case)
        assert max(recording.outputs["panel_lamp"].values) > 0
        recording.commands["panel_lamp"] = series((0, 0.0))
        recording.outputs["panel_lamp"] = recording.driven["panel_lamp"] = series((0, 0.0))
        subjects = {subject for subject, _, _ in told(case_result(case, recording))}
        assert "panel_lamp" in subjects
