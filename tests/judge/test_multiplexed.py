"""A request that shares its message with other pages: a right car that reads the page, cars that
read every page, and what is refused.

The pages follow cantools: a multiplexed signal is there where its multiplexer has one of its
values, nested ones where all of theirs do (tests/against/test_signal_values.py).
"""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from linkloss.campaign.plan import plan
from linkloss.campaign.run import run_case
from linkloss.judge import Outcome
from linkloss.problem import BadInput
from linkloss.vehicle.loading import load_vehicle

HERE = Path(__file__).parent / "paged"
sys.path.append(str(HERE))
import paged_nodes  # noqa: E402 - a program beside its vehicle file

KINDS = ("", "cut", "drop", "freeze", "reset", "bus_off", "alter")


@cache
def vehicle():
    return load_vehicle(HERE / "vehicle.toml")


@cache
def cases(every=6, kinds=KINDS):
    """One case in ``every`` of the full check, and all that have no fault."""
    planned = [case for case in plan(vehicle()) if case.kinds in kinds]
    return [case for place, case in enumerate(planned) if not case.faults or place % every == 0]


def was_kept(verdict):
    return verdict.outcome is Outcome.KEPT


def outcomes(car=None, every=6, kinds=KINDS, **programs):
    """The worst outcome of each (subject, rule) over the cases."""
    car = vehicle() if car is None else car
    car = replace(car, programs={**car.programs, **programs})
    found = {}
    for case in cases(every, kinds):
        for verdict in run_case(replace(case, vehicle=car)).verdicts:
            found.setdefault((verdict.subject, verdict.rule), []).append(verdict)
    return {
        key: next(
            (v for v in verdicts if v.broken),
            max(verdicts, key=lambda v: v.outcome is Outcome.KEPT),
        )
        for key, verdicts in found.items()
    }


@pytest.mark.parametrize("rear", [None, paged_nodes.Rear])
def test_a_right_car_is_not_called_broken(rear):
    found = outcomes(**({} if rear is None else {"rear": rear}))
    assert {key: v.text for key, v in found.items() if v.broken} == {}
    exercised = {
        rule for (name, rule), v in found.items() if name == "lamp" and v.outcome is Outcome.KEPT
    }
    assert exercised >= {"fresh", "stale", "steady", "end to end"}


def test_a_node_that_takes_a_repeated_request_for_new_is_found():
    found = outcomes(every=1, kinds=("freeze",), rear=paged_nodes.IgnoresCounter)
    assert found["lamp", "stale"].broken


def test_a_node_that_reads_the_bit_in_every_page_is_found():
    found = outcomes(rear=paged_nodes.AnyPage)
    assert found["lamp", "steady"].broken


def test_a_node_that_takes_other_pages_for_the_request_never_loses_it():
    found = outcomes(dash=paged_nodes.LampForgotten, rear=paged_nodes.AnyPageIsALife)
    assert found["lamp", "stale"].broken
    right = outcomes(dash=paged_nodes.LampForgotten, rear=paged_nodes.Rear)
    assert right["lamp", "stale"].outcome is Outcome.KEPT


def edited(tmp_path, *changes):
    """The vehicle with changes to its file."""
    for path in HERE.iterdir():
        if path.is_file():
            text = path.read_text(encoding="utf-8")
            for old, new in changes if path.name == "vehicle.toml" else ():
                assert old in text
                text = text.replace(old, new)
            (tmp_path / path.name).write_text(text, encoding="utf-8")
    return load_vehicle(tmp_path / "vehicle.toml")


def test_a_counter_that_jumps_in_another_page_may_lose_the_link(tmp_path):
    key = 'stale_after = "300 ms"\n'
    car = edited(tmp_path, (key, f'{key}after_jump = "lost"\nreaction = "10 ms"\n'))
    right = outcomes(car, every=2, rear=paged_nodes.Jumps)
    assert {key: v.text for key, v in right.items() if v.broken} == {}
    wrong = outcomes(car, every=2, rear=paged_nodes.JumpsOfItsPage)
    assert wrong["lamp", "stale"].broken


def test_a_link_that_is_lost_before_its_page_can_come_again_is_refused(tmp_path):
    key = 'stale_after = "300 ms"\n'
    short = (key, 'stale_after = "110 ms"\n')
    with pytest.raises(BadInput) as refused:
        edited(tmp_path, short)
    assert "110 ms is shorter than two periods of 'Body.Lamp' (120 ms)" in str(refused.value)
    pages = '[messages.Body]\npage_cycle = "50 ms"\n[situations.switching]'
    car = edited(tmp_path, short, ("[situations.switching]", pages))
    assert car.period_ns("Body.Lamp") == 50_000_000


def test_how_often_a_page_comes(tmp_path):
    car = vehicle()
    assert car.period_ns("Body") == 20_000_000
    assert car.period_ns("Body.Counter") == 20_000_000
    assert car.period_ns("Body.Lamp") == 60_000_000
    slow = edited(
        tmp_path,
        (
            "[situations.switching]",
            '[messages.Body]\npage_cycle = "150 ms"\n[situations.switching]',
        ),
    )
    assert slow.period_ns("Body.Lamp") == 150_000_000
    assert slow.period_ns("Body") == 20_000_000


def test_signals_of_one_page_ask_together(tmp_path):
    both = ('request = "Body.Lamp"\nstale', 'request = "Body.Page == 1 and Body.Bright > 3"\nstale')
    car = edited(tmp_path, both)
    assert car.page("Body", car.loads["lamp"]) == "Body.Bright"


@pytest.mark.parametrize("other", ["Body.Mirror", "Body.Counter"])
def test_signals_of_different_pages_are_refused(tmp_path, other):
    both = ('request = "Body.Lamp"\nstale', f'request = "Body.Lamp or {other}"\nstale')
    with pytest.raises(BadInput) as refused:
        edited(tmp_path, both)
    told = f"'Lamp' and '{other[5:]}' do not come in the same frames; expected signals of one page"
    assert told in str(refused.value)
