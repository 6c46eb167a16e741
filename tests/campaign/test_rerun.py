"""Cases that are run again for a closer look: in order, apart from the bench, and within a time."""

from __future__ import annotations

import multiprocessing
import os

import pytest

from linkloss.campaign.check import Failed, Wanted, again, cases_named
from linkloss.campaign.isolation import can_branch
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import load_vehicle

NAMES = ["parked/none", "braking/none", "parked/unplug(rear)@556ms+500ms"]


@pytest.fixture(scope="module")
def cases():
    return cases_named(load_vehicle(demo_vehicle()), 0, [*NAMES, "parked/unplug(nobody)@1ms", "x"])


def test_cases_are_found_by_their_names_and_unknown_ones_are_missing(cases):
    assert list(cases) == NAMES
    assert [case.name for case in cases.values()] == NAMES


def test_the_answers_come_in_the_order_of_the_cases(cases):
    wanted = [Wanted(cases[name], lambda result: result.scenario.name) for name in NAMES]
    assert list(again(wanted, jobs=2)) == NAMES
    assert list(again(wanted, jobs=1)) == NAMES
    assert list(again([])) == []


@pytest.fixture
def forks():
    """Looked at when the test begins: in a process that cannot fork the case would end it."""
    if not can_branch():
        pytest.skip("processes cannot fork here, or this one has several threads")


@pytest.mark.usefixtures("forks")
def test_a_case_that_ends_its_process_costs_its_own_answer_only(cases):
    wanted = [
        Wanted(cases["parked/none"], lambda result: os._exit(3)),
        Wanted(cases["parked/none"], lambda result: result.exit_code),
    ]
    lost, there = again(wanted, jobs=2)
    assert lost == Failed("its process ended before it could be looked at")
    assert there == 0


@pytest.mark.usefixtures("forks")
def test_a_case_that_never_ends_is_given_up(cases):
    def wait(result):
        while True:
            pass

    (lost,) = again([Wanted(cases["parked/none"], wait)], limit_s=0.5)
    assert lost == Failed("hung: no end within 0.5 s of processor time")


@pytest.mark.usefixtures("forks")
def test_nothing_runs_on_when_nobody_wants_the_rest(cases):
    def work(result):
        return os.getpid()

    answers = again([Wanted(cases["parked/none"], work)] * 3, jobs=2)
    first = next(answers)
    answers.close()
    assert not multiprocessing.active_children()
    with pytest.raises(ProcessLookupError):
        os.kill(first, 0)
