"""Which cases each depth runs: what quick must not leave out, how pairs meet, what is counted."""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from functools import cache
from itertools import combinations, product
from pathlib import Path
from random import Random

import pytest
from demo_cases import wren, wren_planned
from hypothesis import given
from hypothesis import strategies as st
from planted import LAMPS, ConfusedRear, can_confuse

from linkloss.campaign.cases import (
    CaseMaker,
    Spans,
    electrical_instances,
    in_order,
    instances,
    wiring_instances,
)
from linkloss.campaign.depth import Traits, is_electrical, planned
from linkloss.campaign.pairs import CONSECUTIVE, OVERLAPPING, extended, met, plan_pairs
from linkloss.campaign.rotation import key_of
from linkloss.campaign.run import run_case
from linkloss.campaign.selection import case_named
from linkloss.faults.catalogue import catalogue, make_fault
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
ROOT = Path(__file__).parents[2]
TINY = ROOT / "tests" / "report" / "tiny" / "vehicle.toml"


@cache
def tiny():
    return load_vehicle(TINY)


depth = wren_planned


def told(cases):
    return [(case.name, case.faults, case.actions, case.lasts_ns, case.seed) for case in cases]


# ---- covering arrays ----

FACTORS = st.lists(st.integers(1, 5), min_size=2, max_size=6).map(
    lambda sizes: [[(column, value) for value in range(size)] for column, size in enumerate(sizes)]
)


def pairwise(factors, random):
    """Rows with one value of each factor, grown factor by factor from all of the first two."""
    rows = list(product(*factors[:2]))
    for values in factors[2:]:
        rows = extended(rows, values, random)
    return rows


@given(FACTORS, st.integers(0, 99))
def test_every_two_values_of_different_parameters_meet_in_some_row(factors, seed):
    rows = pairwise(factors, Random(seed))
    met_pairs = {pair for row in rows for pair in combinations(row, 2)}
    for one, other in combinations(factors, 2):
        assert set(product(one, other)) <= met_pairs


@given(FACTORS, st.integers(0, 99))
def test_rows_hold_one_value_of_each_parameter_and_are_the_same_every_time(factors, seed):
    rows = pairwise(factors, Random(seed))
    for row in rows:
        assert len(row) == len(factors)
        assert all(value in factor for value, factor in zip(row, factors, strict=True))
    assert rows == pairwise(factors, Random(seed))


@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=1, max_size=12, unique=True),
    st.integers(1, 5),
    st.integers(0, 99),
)
def test_a_further_parameter_meets_every_value_and_brings_no_forbidden_combination(
    rows, size, seed
):
    new = list("abcde")[:size]
    found = extended(rows, new, Random(seed))
    assert {row[:2] for row in found} == set(rows)
    for column in (0, 1):
        wanted = set(product({row[column] for row in rows}, new))
        assert wanted <= {(row[column], row[2]) for row in found}


def test_a_covering_array_is_far_smaller_than_all_combinations():
    rows = pairwise([range(size) for size in (10, 8, 6, 5, 5, 4, 3)], Random(1))
    assert len(rows) <= 110  # 80 pairs of the first two; all combinations: 144,000


def test_a_parameter_without_a_value_leaves_no_rows():
    assert pairwise([[1, 2], [3], []], Random(0)) == []


# ---- quick ----


def test_quick_is_a_few_hundred_cases_of_the_full_check_unchanged():
    quick, full = depth("quick").cases, {case.name: case for case in depth("full").cases}
    assert 250 <= len(quick) <= 520
    assert told(quick) == told([full[case.name] for case in quick])
    chosen = {case.name for case in quick}
    assert [case.name for case in quick] == [name for name in full if name in chosen]


def test_quick_runs_every_situation_without_a_fault():
    alone = [case.situation for case in depth("quick").cases if case.kinds == "none"]
    assert alone == list(wren().situations)


def meeting(name):
    """The cases of a depth without those with an electrical fault, which are chosen apart."""
    return [case for case in depth(name).cases if not is_electrical(case)]


def meeting_singles():
    """The cases of the full depth without those with an electrical fault."""
    return meeting("full")


def key(case):
    """Its kinds of faults, and the message or node at fault."""
    return (case.kinds, key_of(case.faults[0].fault).subject if case.faults else case.situation)


def test_quick_has_each_kind_of_fault_at_each_message_and_node_and_every_rule_of_it():
    traits = Traits(CaseMaker(wren()))

    def rules(cases):
        return {trait for case in cases for trait in traits.of(case) if trait[0] == "rule"}

    assert {key(case) for case in meeting("quick")} == {key(case) for case in meeting_singles()}
    assert rules(meeting("quick")) == rules(meeting_singles())
    assert {rule[1] for rule in rules(meeting("quick"))} >= {"noise", "swapped", "short"}


def test_quick_restarts_each_loads_node_while_its_reset_changes_what_it_does():
    traits = Traits(CaseMaker(wren()))

    def shown(cases):
        return {trait for case in cases for trait in traits.of(case) if trait[0] == "reset"}

    assert shown(meeting("quick")) == shown(meeting_singles())
    assert {("reset", "horn"), ("reset", "interior_lamp")} <= shown(meeting("quick"))


def test_quick_tries_every_fault_that_the_full_check_tries():
    def tried(cases):
        return {frozenset(timed.fault for timed in case.faults) for case in cases}

    assert tried(meeting("quick")) == tried(meeting_singles())


def test_quick_tries_every_electrical_kind_at_every_node_that_the_full_check_tries():
    def tried(cases):
        return {
            (timed.fault.kind, wren().loads[timed.fault.load].node)
            if hasattr(timed.fault, "load")
            else timed.fault
            for case in cases
            for timed in case.faults
            if timed.fault.electrical
        }

    assert len(tried(depth("full").cases)) > 20
    assert tried(depth("quick").cases) == tried(depth("full").cases)


def test_quick_has_an_outage_and_a_brief_fault_of_every_lasting_kind():
    lengths = {
        (case.kinds, timed.until_ns - timed.at_ns > 1_000 * MS)
        for case in meeting("quick")
        for timed in case.faults
        if timed.until_ns is not None and len(case.faults) == 1
    }
    brief = {
        case.kinds
        for case in meeting_singles()
        for timed in case.faults
        if timed.until_ns is not None and timed.until_ns - timed.at_ns <= 1_000 * MS
    }
    wanted = {(case.kinds, True) for case in meeting_singles() if len(case.faults) == 1}
    lasting = {kind for kind, _ in wanted} & {kind for kind, _ in lengths}
    assert lengths >= {(kind, True) for kind in lasting} | {(k, False) for k in lasting & brief}


@pytest.mark.parametrize("lights", ["position", "off"])
def test_quick_switches_the_lights_both_ways_while_the_rear_has_no_link(lights):
    silent = {make_fault("unplug", {"node": "rear"}, wren())}
    silent |= {make_fault("cut", {"between": ["gauge", "rear"]}, wren())}
    assert any(
        timed.fault in silent and timed.at_ns < action.at_ns < timed.until_ns
        for case in depth("quick").cases
        for timed in case.faults
        for action in case.actions
        if action.values.get("lights") == lights
    )


def test_quick_pulls_a_plug_with_supply_at_every_node_that_switches_loads():
    pulled = {
        case.faults[0].fault.node for case in depth("quick").cases if case.kinds == "unplug+reset"
    }
    assert pulled == {load.node for load in wren().loads.values()}


def test_quick_of_a_car_without_situations_is_empty():
    file = wren().file.model_copy(update={"situations": {}})
    assert planned(replace(wren(), file=file), "quick").cases == []


# ---- how two faults meet in time ----

TOOK = Spans(
    outage=1470 * MS,
    brief=96 * MS,
    period=40 * MS,
    recovery=1350 * MS,
    flash=2300 * MS,
    up=230 * MS,
)


@given(
    st.sampled_from([*OVERLAPPING, *CONSECUTIVE]),
    st.sampled_from(["unplug", "reset"]),
    st.sampled_from(["hang", "bus_off"]),
    st.integers(0, 5_000),
    st.integers(0, 39),
)
def test_two_faults_overlap_or_follow_one_another_as_the_name_says(
    meeting, one, other, at_ms, phase_ms
):
    first, second = (make_fault(kind, {"node": "rear"}, wren()) for kind in (one, other))
    at_ns, phase_ns = at_ms * MS, phase_ms * MS
    before, after = met(meeting, first, second, at_ns, phase_ns, TOOK)
    for timed in (before, after):
        assert (timed.until_ns is None) == (not timed.fault.lasting)
        assert timed.at_ns >= 0
        assert timed.until_ns is None or timed.until_ns > timed.at_ns
    assert before.at_ns <= after.at_ns
    if before.until_ns is not None:
        assert (after.at_ns < before.until_ns) == (meeting in OVERLAPPING)
        assert after.at_ns - before.until_ns < TOOK.recovery
    if at_ms > 300:
        assert before.at_ns <= at_ns <= after.at_ns


# ---- pairs ----


def doubles(seed=0):
    """The cases of pairs that have faults at all."""
    return [case for case in depth("pairs", seed).cases if case.faults]


@pytest.mark.slow
def test_pairs_begin_each_situation_without_a_fault():
    seen = {}
    for case in depth("pairs").cases:
        seen.setdefault(case.situation, case.kinds)
    assert seen == dict.fromkeys(wren().situations, "none")


def test_pairs_are_a_bounded_number_of_cases_with_two_faults_each():
    cases = doubles()
    assert 6_000 <= len(cases) <= 9_000
    assert {len(case.faults) for case in cases} == {2}
    assert len({case.name for case in cases}) == len(cases)


def test_every_kind_of_fault_meets_every_other_overlapping_and_after_it():
    ways = Counter(
        (first.fault.kind, second.fault.kind, second.at_ns < first.until_ns)
        for case in doubles()
        for first, second in [case.faults]
        if first.until_ns is not None
    )
    kinds = dict.fromkeys(timed.fault.kind for case in doubles() for timed in case.faults)
    assert kinds.keys() == {kind for kind, form in catalogue().items() if form.meets_others()}
    lasting = {first for first, _, _ in ways}
    for first, second, overlapping in product(lasting, kinds, (True, False)):
        alone = first == second and len(list(catalogue()[first].every(wren()))) == 1
        assert ways[first, second, overlapping] >= 1 or (alone and overlapping), (first, second)


def test_every_fault_is_tried_as_the_first_and_as_the_second():
    every = set(instances(wren()))
    for place in (0, 1):
        assert {case.faults[place].fault for case in doubles()} == every


def test_the_same_lasting_fault_is_never_there_twice_at_one_time():
    for case in doubles():
        first, second = case.faults
        if first.fault == second.fault and first.until_ns is not None:
            assert second.at_ns >= first.until_ns


def test_another_seed_tries_other_pairs():
    one, other = ({case.name for case in plan_pairs(tiny(), seed).cases} for seed in (0, 1))
    assert len(one & other) < len(one) / 2


def test_cases_with_two_faults_stand_in_the_order_of_a_plan():
    cases = depth("pairs").cases
    assert cases == in_order(wren(), cases)


def test_a_failure_that_takes_two_faults_and_an_action_is_found_among_the_pairs():
    vehicle = replace(wren(), programs={**wren().programs, "rear": ConfusedRear})

    def shows(case):
        found = run_case(case).verdicts
        return any(verdict.broken and verdict.subject in LAMPS for verdict in found)

    cases = [
        case
        for case in plan_pairs(vehicle, seed=3).cases
        if case.situation == "night_drive"
        and can_confuse(timed.fault.label() for timed in case.faults)
    ]
    assert any(map(shows, cases))


def test_the_same_failure_is_not_found_by_any_single_fault():
    vehicle = replace(wren(), programs={**wren().programs, "rear": ConfusedRear})
    for case in depth("full").cases:
        labels = [timed.fault.label() for timed in case.faults]
        alone = case.situation == "night_drive" and not is_electrical(case)
        if alone and can_confuse(labels):
            made = replace(case, vehicle=vehicle)
            broken = [verdict for verdict in run_case(made).verdicts if verdict.broken]
            assert broken == [], case.name


# ---- the space ----


def test_a_case_is_made_again_from_its_name():
    cases = [*depth("pairs").cases[::97], *depth("full").cases[::97]]
    for case in cases:
        again = case_named(wren(), case.name)
        assert again is not None, case.name
        assert told([again]) == told([case])


@pytest.mark.parametrize(
    "name",
    [
        "night_drive",
        "nowhere/none",
        "night_drive/unplug(roof)@1s+1s",
        "night_drive/unplug(rear)@soon",
        "night_drive/unplug()@1s",
        "night_drive/reset(rear)@1s+1s",
        "night_drive/lights=purple@1s",
        "night_drive/sunroof=open@1s",
    ],
)
def test_a_name_that_is_none_makes_no_case(name):
    assert case_named(wren(), name) is None


def test_the_space_counts_what_there_is_and_what_was_chosen():
    space = depth("pairs").space
    faults = instances(wren())
    actions = sum(len(table.actions) for table in wren().situations.values())
    assert (space.situations, space.actions) == (len(wren().situations), actions)
    electrical = electrical_instances(wren())
    assert space.faults == len(faults) + len(wiring_instances(wren())) + len(electrical)
    assert space.kinds == len(catalogue())
    assert space.pairs == len(faults) ** 2 * actions
    assert space.singles == len(depth("full").cases)
    assert space.chosen == len(depth("pairs").cases)


@pytest.mark.parametrize("name", ["quick", "full", "pairs", "hunt"])
def test_every_depth_says_in_sentences_what_it_left_out(name):
    space = planned(tiny(), name).space
    assert space.depth == name
    assert space.left_out
    assert all(line.endswith(".") and not line[0].islower() for line in space.left_out)
    assert space.sentences()[0].startswith("1 situation with 1 action; ")


def test_a_hunt_plans_no_cases():
    assert planned(tiny(), "hunt").cases == []


@pytest.mark.slow
def test_every_depth_is_the_same_in_any_process():
    code = (
        "import hashlib; from linkloss.campaign.depth import planned;"
        "from linkloss.vehicle.loading import load_vehicle;"
        f"vehicle = load_vehicle({str(TINY)!r});"
        "cases = [c for depth in ('quick', 'pairs') for c in planned(vehicle, depth).cases];"
        "told = [(case.name, case.lasts_ns) for case in cases];"
        "print(hashlib.sha256(repr(told).encode()).hexdigest())"
    )
    digests = {
        subprocess.run(
            [sys.executable, "-c", code],
            check=True,
            capture_output=True,
            text=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed},
        ).stdout
        for seed in ("1", "2")
    }
    assert len(digests) == 1
