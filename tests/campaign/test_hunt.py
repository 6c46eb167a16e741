"""The hunt: the same for the same seed and results, guided by them; names make cases again."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from linkloss.campaign.cases import CaseMaker
from linkloss.campaign.hunt import MOST_ACTIONS, Hunt, Moments
from linkloss.campaign.reach import Reached, reached
from linkloss.campaign.run import run_case
from linkloss.campaign.selection import case_named
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
ROOT = Path(__file__).parents[2]
NOTHING = Reached(frozenset(), ())


@cache
def tiny():
    return load_vehicle(ROOT / "tests" / "report" / "tiny" / "vehicle.toml")


@cache
def wren():
    return load_vehicle(ROOT / "scenarios" / "wren" / "vehicle.toml")


def told(cases):
    return [(case.name, case.faults, case.actions, case.lasts_ns, case.seed) for case in cases]


def kinds_reached(case):
    """Stands in for a run: what a case reaches are its pairs of kinds, in order."""
    kinds = [timed.fault.kind for timed in case.faults]
    return Reached(frozenset(("pair", *pair) for pair in pairwise(kinds)), ())


def batches(hunt, number, result=kinds_reached):
    found = []
    for _ in range(number):
        cases = hunt.next_batch()
        hunt.learn([result(case) for case in cases])
        found.append(cases)
    return found


def test_the_same_seed_and_results_give_the_same_cases():
    one, other = (batches(Hunt(tiny(), 7, batch=16), 4) for _ in range(2))
    assert [told(cases) for cases in one] == [told(cases) for cases in other]


def test_another_seed_gives_other_cases():
    one, other = (batches(Hunt(tiny(), seed, batch=16), 1) for seed in (1, 2))
    assert not {case.name for case in one[0]} & {case.name for case in other[0]}


def test_what_was_learned_changes_the_next_batch_and_not_the_present_one():
    blind = batches(Hunt(tiny(), 7, batch=16), 3, lambda case: NOTHING)
    guided = batches(Hunt(tiny(), 7, batch=16), 3)
    assert told(blind[0]) == told(guided[0])
    assert told(blind[1]) != told(guided[1])


def test_no_case_comes_twice_and_each_is_made_again_from_its_name():
    cases = [case for found in batches(Hunt(tiny(), 3, batch=32), 6) for case in found]
    assert len(cases) == 192
    assert len({case.name for case in cases}) == 192
    for case in cases:
        assert told([case_named(tiny(), case.name, seed=3)]) == told([case])


def test_a_case_of_the_demo_car_is_made_again_from_its_name():
    cases = [case for found in batches(Hunt(wren(), 3, batch=32), 3) for case in found]
    for case in cases:
        assert told([case_named(wren(), case.name, seed=3)]) == told([case])


def test_a_case_has_one_to_the_most_faults_and_few_further_actions():
    cases = [
        case for found in batches(Hunt(tiny(), 5, batch=64, most_faults=3), 12) for case in found
    ]
    assert Counter(len(case.faults) for case in cases).keys() == {1, 2, 3}
    own = len(tiny().situations["night"].actions)
    assert {len(case.actions) - own for case in cases} == set(range(MOST_ACTIONS + 1))


def test_faults_stand_in_the_order_of_their_begin_and_every_case_ends_after_its_last_fault():
    for cases in batches(Hunt(tiny(), 5), 3):
        for case in cases:
            begins = [timed.at_ns for timed in case.faults]
            assert begins == sorted(begins)
            ends = [timed.until_ns or timed.at_ns for timed in case.faults]
            assert case.lasts_ns > max(ends)


def test_the_same_lasting_fault_is_never_there_twice_at_one_time():
    for cases in batches(Hunt(tiny(), 6), 5):
        for case in cases:
            until = {}
            for timed in case.faults:
                assert timed.at_ns > until.get(timed.fault, -1)
                until[timed.fault] = timed.until_ns or timed.at_ns


def test_cases_of_one_situation_stand_together():
    (cases,) = batches(Hunt(wren(), 1), 1)
    seen = list(dict.fromkeys(case.situation for case in cases))
    assert seen == [name for name in wren().situations if name in seen]
    assert [case.situation for case in cases] == sorted(
        (case.situation for case in cases), key=seen.index
    )


def test_a_batch_must_be_learned_from_before_the_next_one():
    hunt = Hunt(tiny(), batch=4)
    cases = hunt.next_batch()
    with pytest.raises(RuntimeError, match="learn from the results of the last batch"):
        hunt.next_batch()
    with pytest.raises(ValueError, match="got 1 results for a batch of 4 cases"):
        hunt.learn([NOTHING])
    hunt.learn([NOTHING] * len(cases))
    assert len(hunt.next_batch()) == 4


@pytest.mark.parametrize("wrong", [{"batch": 0}, {"most_faults": 0}])
def test_a_hunt_for_nothing_is_refused(wrong):
    with pytest.raises(ValueError, match="at least 1"):
        Hunt(tiny(), **wrong)


def test_a_car_without_situations_is_refused():
    file = tiny().file.model_copy(update={"situations": {}})
    with pytest.raises(ValueError, match="with a situation"):
        Hunt(replace(tiny(), file=file))


def depth_reached(case):
    """A planted ladder: each rung takes one fault more than the one below, in a given order."""
    wanted = iter(("unplug", "reset", "mute"))
    step, rungs = next(wanted), []
    for timed in case.faults:
        if timed.fault.kind == step:
            rungs.append(("rung", step))
            step = next(wanted, None)
    return Reached(frozenset(rungs), ())


KINDS = (
    "cut", "unplug", "drop", "corrupt", "alter", "freeze", "delay", "duplicate", "flood",
    "impostor", "reset", "hang", "mute", "bus_off", "slow_boot", "stuck", "open", "bounce",
)  # fmt: skip
"""So many that chance needs long, and the same however the catalogue grows."""


def test_guidance_finds_three_faults_in_order_with_fewer_cases_than_chance():
    def cases_needed(seed, result):
        hunt, number = Hunt(tiny(), seed, batch=32, kinds=KINDS), 0
        for _ in range(80):
            cases = hunt.next_batch()
            for case in cases:
                number += 1
                if len(depth_reached(case).points) == 3:
                    return number
            hunt.learn([result(case) for case in cases])
        return number

    seeds = range(9)
    guided = sorted(cases_needed(seed, depth_reached) for seed in seeds)
    blind = sorted(cases_needed(seed, lambda case: NOTHING) for seed in seeds)
    assert guided[len(guided) // 2] * 2 < blind[len(blind) // 2], (guided, blind)


def test_a_batch_of_real_runs_reaches_more_than_the_runs_without_a_fault():
    def ran(case):
        result = run_case(case)
        return reached(result.points, result.verdicts)

    hunt = Hunt(tiny(), 1, batch=12)
    assert hunt.coverage.add(ran(CaseMaker(tiny()).case("night", ()))).any
    alone = len(hunt.coverage)
    news = hunt.learn([ran(case) for case in hunt.next_batch()])
    assert sum(told.any for told in news) >= 6
    assert len(hunt.coverage) > 2 * alone


# ---- interesting instants ----


def test_interesting_instants_are_frame_starts_and_changes_of_the_run_without_a_fault():
    changes, frames = Moments(CaseMaker(tiny())).of("night")
    recording = simulate(CaseMaker(tiny()).case("night", ()))
    assert 500 * MS in changes  # the lights go on
    assert 20 * MS in changes  # the nodes have booted
    assert set(recording.outputs["tail_lamp"].times) <= set(changes)
    assert frames == [
        record.start_ns for record in recording.frames if record.frame.identifier == 256
    ]


def test_an_instant_lies_at_an_interesting_one_or_a_bit_beside_it_or_within_a_period():
    moments = Moments(CaseMaker(tiny()))
    changes, frames = moments.of("night")
    random = Random(1)
    drawn = [moments.draw("night", (), random) for _ in range(300)]
    known = {*changes, *frames}
    bit_ns = 20_000  # at 50 kbit/s
    near = [at for at in drawn if known & {at, at - bit_ns, at + bit_ns}]
    assert len(near) >= 200
    period_ns = CaseMaker(tiny()).spans.period
    assert all(
        any(0 <= at - base < period_ns or at + bit_ns == base for base in known) for at in drawn
    )
