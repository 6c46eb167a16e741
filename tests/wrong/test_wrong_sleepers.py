"""Nodes that sleep wrongly: the check of a small car finds each of them, and passes the right one.

``PYTHONPATH=tests/wrong/nodes python tests/wrong/test_wrong_sleepers.py`` runs the whole check
with the right one, which takes minutes.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
import wrong_sleep as sleep

from linkloss.campaign.check import check
from linkloss.judge import Outcome
from linkloss.vehicle.loading import load_vehicle

NIGHT = Path(__file__).parent / "night" / "vehicle.toml"


@cache
def night():
    """The car that sleeps."""
    return load_vehicle(NIGHT)


def checked(program, kinds=("none",), situations=None):
    """Some cases of its check, with this program in the rear."""
    vehicle = night()
    vehicle = replace(vehicle, programs={**vehicle.programs, "rear": program})
    return check(vehicle, only=list(kinds), situations=situations, jobs=1)


def told(report):
    return {
        (finding.verdict.subject, finding.verdict.rule): finding.verdict.text
        for finding in report.findings
    }


WRONG = [
    (sleep.NeverSleeps, "parked", "was still awake when it had to sleep"),
    (sleep.WokenByChatter, "parked", "was woken by 'LampRequest'"),
    (sleep.WokenByAnyInput, "parked", "was woken by 'hatch'"),
    (sleep.DeafToTheBrake, "rolling", "slept on though it was called"),
    (sleep.LampStaysLit, "parked", "tail_lamp was on instead of off while its node slept"),
    (sleep.ForgetsTheBrake, "rolling", "did not hold"),
    (sleep.SendsOnceAsleep, "parked", "was still awake when it had to sleep"),
]


@pytest.mark.parametrize(
    ("program", "situation", "cause"), WRONG, ids=[row[0].__name__ for row in WRONG]
)
def test_the_check_finds_the_wrong_sleeper(program, situation, cause, catches):
    found = told(checked(program, situations=[situation]))
    assert ("rear", "asleep") in found, found
    row = (program.__name__, "rear (night)", f"{situation}/none", "rear", "asleep")
    catches(*row, found["rear", "asleep"], cause)


def test_a_lamp_that_goes_dark_by_a_sleep_too_early_is_found_as_well():
    found = told(checked(sleep.ForgetsTheBrake, situations=["rolling"]))
    assert ("brake_lamps", "local") in found


@pytest.mark.slow
def test_the_right_one_passes_and_is_put_to_the_test():
    kinds = ("none", "reset", "slow_boot")
    report = checked(sleep.RightSleeper, kinds, ["parked"])
    assert told(report) == {}
    outcomes = {
        (verdict.subject, verdict.rule): verdict.outcome
        for case in report.cases
        for verdict in case.verdicts
    }
    assert outcomes["rear", "asleep"] is Outcome.KEPT


if __name__ == "__main__":
    vehicle = night()
    whole = check(vehicle, jobs=1)
    print(len(whole.cases), "cases", *(f"\n{f.case.name}: {f.verdict}" for f in whole.findings))
    sys.exit(bool(whole.findings))
