"""Shrinking: what is left is needed, short and round, and the runs are counted."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from planted import LAMPS, ConfusedRear
from shrink_lab import (
    LAMP,
    MS,
    Lab,
    action,
    begun,
    fault,
    in_order,
    names,
    scenario,
    twenty_events,
    wren,
)

from linkloss.campaign.run import run_case
from linkloss.campaign.selection import case_named
from linkloss.campaign.shorter import (
    as_unplugged,
    figures,
    ladder,
    rank,
    same_order,
    stepped,
    trimmed,
    weaker,
)
from linkloss.campaign.shrink import Enough, NotBroken, shrink
from linkloss.faults.catalogue import catalogue, make_fault
from linkloss.judge import Outcome

PLANTED = ("unplug(dash)", "lights=dipped", "reset(front)", "unplug(rear)")


def shrunk(story, breaks, **options):
    lab = Lab(breaks)
    return shrink(story, *LAMP, run=lab, **options), lab


# ---- what is left ----


def test_three_faults_in_order_and_an_action_out_of_twenty_events_are_all_that_is_left():
    found, lab = shrunk(twenty_events(), in_order(*PLANTED))
    assert names(found.scenario) == list(PLANTED)
    assert found.minimal
    assert found.needed == (Outcome.KEPT,) * 4
    until_found = next(n for n, ran in enumerate(lab.ran, 1) if names(ran) == list(PLANTED))
    assert until_found <= 60
    assert found.runs == len(lab.ran) <= 100


@settings(max_examples=40, deadline=None)
@given(st.sets(st.integers(0, 19), min_size=1, max_size=5))
def test_whatever_is_needed_is_left_and_nothing_else(wanted):
    story = twenty_events()
    parts = begun(story)
    needed = in_order(*(parts[index][0] for index in sorted(wanted)))
    found, lab = shrunk(story, needed)
    assert needed(found.scenario) is not None
    assert len(names(found.scenario)) <= len(wanted)
    assert rank(found.scenario) <= rank(trimmed(story))
    assert found.minimal
    assert found.runs == len(lab.ran) <= found.budget


def test_no_scenario_is_run_twice():
    _, lab = shrunk(twenty_events(), in_order(*PLANTED))
    told = [(begun(ran), ran.inputs, ran.faults, ran.lasts_ns) for ran in lab.ran]
    assert all(entry not in told[:index] for index, entry in enumerate(told))


def test_the_same_scenario_shrinks_to_the_same_every_time():
    one, _ = shrunk(twenty_events(), in_order(*PLANTED))
    other, _ = shrunk(twenty_events(), in_order(*PLANTED))
    assert one == other


def test_a_rule_that_breaks_without_any_fault_loses_them_all():
    found, _ = shrunk(twenty_events(), lambda tried: 700 * MS)
    assert names(found.scenario) == []
    assert found.needed == ()
    assert found.minimal


def test_two_parts_of_which_either_is_enough_are_not_both_left():
    def breaks(tried):
        either = [at for name, at in begun(tried) if name in ("unplug(dash)", "unplug(rear)")]
        return min(either) + MS if either else None

    found, _ = shrunk(twenty_events(), breaks)
    assert len(names(found.scenario)) == 1


def test_a_part_that_is_only_needless_once_others_are_gone_goes_too():
    """The reset matters only while the horn is pressed, and the horn does not matter."""

    def breaks(tried):
        told = names(tried)
        if "unplug(rear)" not in told:
            return None
        return None if "horn_button=pressed" in told and "reset(dash)" not in told else 25_000 * MS

    found, _ = shrunk(twenty_events(), breaks)
    assert names(found.scenario) == ["unplug(rear)"]


def test_inputs_that_do_not_matter_are_at_rest_and_joint_values_are_set_alone():
    story = scenario(
        action(2_000, lights="dipped", indicator="left", horn_button="pressed"),
        fault("mute", 4_000, node="dash"),
        inputs={"ignition": "on", "engine_speed": 2000.0, "lights": "off"},
    )

    def breaks(tried):
        if tried.inputs.get("ignition") != "on":
            return None
        return in_order("indicator=left", "mute(dash)")(tried)

    found, _ = shrunk(story, breaks)
    assert found.scenario.inputs == {"ignition": "on"}
    assert [dict(step.values) for step in found.scenario.actions] == [{"indicator": "left"}]


def test_an_action_that_may_as_well_be_there_from_the_beginning_is_none():
    story = scenario(action(1_000, lights="dipped"), fault("unplug", 3_000, node="rear"))

    def breaks(tried):
        on = tried.inputs.get("lights") == "dipped" or "lights=dipped" in names(tried)
        return in_order("unplug(rear)")(tried) if on else None

    found, _ = shrunk(story, breaks)
    assert names(found.scenario) == ["unplug(rear)"]
    assert found.scenario.inputs == {"lights": "dipped"}


def test_a_seed_that_does_not_matter_is_0():
    assert shrunk(replace(twenty_events(), seed=7), in_order(*PLANTED))[0].scenario.seed == 0

    def breaks(tried):
        return in_order(*PLANTED)(tried) if tried.seed == 7 else None

    assert shrunk(replace(twenty_events(), seed=7), breaks)[0].scenario.seed == 7


# ---- short and round ----


def longest_ms(tried):
    end_ns = tried.lasts_ns
    return max(((timed.until_ns or end_ns) - timed.at_ns) / MS for timed in tried.faults)


def test_a_fault_lasts_no_longer_than_it_takes():
    def breaks(tried):
        long = [t for t in tried.faults if (t.until_ns or tried.lasts_ns) - t.at_ns >= 117 * MS]
        return 9_000 * MS if long else None

    for lasts_ms in (None, 1_537, 118):
        story = scenario(fault("unplug", 1_283, lasts_ms, node="rear"), lasts_ms=20_000)
        found, _ = shrunk(story, breaks)
        assert 117 <= longest_ms(found.scenario) <= 120, lasts_ms


def test_a_fault_that_has_to_outlast_the_break_is_not_given_an_end():
    def breaks(tried):
        (timed,) = tried.faults or (None,)
        if timed is None or timed.until_ns is not None:
            return None
        return timed.at_ns + 250 * MS

    found, _ = shrunk(scenario(fault("unplug", 4_711, node="rear")), breaks)
    (timed,) = found.scenario.faults
    assert timed.until_ns is None
    assert found.scenario.lasts_ns - timed.at_ns <= 300 * MS


def test_times_are_as_early_and_as_round_as_the_rule_allows_and_keep_their_order():
    found, _ = shrunk(twenty_events(), in_order(*PLANTED))
    at = [at_ns for _, at_ns in begun(found.scenario)]
    assert at == sorted(set(at))
    assert at[-1] <= 400 * MS
    assert max(map(figures, (*at, found.scenario.lasts_ns))) <= 2
    assert all(at_ns >= 300 * MS for at_ns in at)  # every node has booted by then


def test_gaps_that_the_rule_needs_stay():
    def breaks(tried):
        at = dict(begun(tried))
        if not {"unplug(dash)", "reset(front)"} <= at.keys():
            return None
        gap_ms = (at["reset(front)"] - at["unplug(dash)"]) / MS
        return at["reset(front)"] + MS if gap_ms >= 640 else None

    found, _ = shrunk(twenty_events(), breaks)
    at = dict(begun(found.scenario))
    assert 640 * MS <= at["reset(front)"] - at["unplug(dash)"] <= 700 * MS


def test_a_run_ends_where_the_judge_has_seen_enough():
    """The verdict may name an early instant and yet need a long recording."""

    def breaks(tried):
        at_ns = in_order(*PLANTED)(tried)
        needs = at_ns is not None and tried.lasts_ns >= at_ns + 1_730 * MS
        return at_ns if needs else None

    found, _ = shrunk(twenty_events(), breaks)
    over_ns = found.scenario.lasts_ns - in_order(*PLANTED)(found.scenario)
    assert 1_730 * MS <= over_ns <= 1_900 * MS


def test_the_ladder_has_two_figures_and_stepping_up_stays_on_it():
    steps = [step // MS for step in ladder(1_500 * MS)]
    assert steps[:3] == [1, 2, 3]
    assert steps[98:102] == [99, 100, 110, 120]
    assert steps[-2:] == [1_300, 1_400]
    assert all(stepped(step) == step for step in ladder(9_000 * MS))
    assert stepped(101 * MS) == 110 * MS
    assert stepped(1) == MS


def test_order_is_told_from_times_that_fall_together():
    one = scenario(action(1_000, lights="off"), fault("reset", 1_001, node="rear"))
    together = scenario(action(1_000, lights="off"), fault("reset", 1_000, node="rear"))
    later = scenario(action(1_000, lights="off"), fault("reset", 1_100, node="rear"))
    assert same_order(one, later)
    assert not same_order(one, together)


def test_trimming_takes_nothing_away_that_is_ever_run():
    story = scenario(
        action(900, lights="off"),
        action(100, lights="position"),
        fault("unplug", 200, 900, node="rear"),
        fault("reset", 50, node="dash"),
        fault("reset", 800, node="front"),
        lasts_ms=800,
        inputs={"lights": wren().inputs["lights"].rest, "ignition": "on"},
    )
    short = trimmed(story)
    assert begun(short) == [
        ("reset(dash)", 50 * MS),
        ("lights=position", 100 * MS),
        ("unplug(rear)", 200 * MS),
    ]
    assert short.faults[1].until_ns is None
    assert short.inputs == {"ignition": "on"}
    assert trimmed(short) == short
    assert run_case(short).verdicts == run_case(story).verdicts


# ---- weaker faults ----


def weaker_labels(kind, **parameters):
    return [found.label() for found in weaker(make_fault(kind, parameters, wren()), wren())]


def test_weaker_faults_are_tried_in_place_of_a_fault():
    assert weaker_labels("slow_boot", node="rear") == ["reset(rear)"]
    assert weaker_labels("cut", between=["dash", "gauge"]) == ["unplug(dash)", "unplug(gauge)"]
    assert weaker_labels("cut", between=["gauge", "rear"]) == []  # rear alone, as it is
    assert "drop(LampRequest,rear)" in weaker_labels("corrupt", message="LampRequest")
    assert "reset(rear)" in weaker_labels("reset", node="rear", period="450 ms", times=7)
    assert weaker_labels("reset", node="rear") == []
    fewer = weaker_labels("drop", message="LampRequest", receiver="rear", count=8, share=0.5)
    assert fewer[:3] == [f"drop(LampRequest,rear,count={n},share=0.5)" for n in (1, 2, 3)]
    assert "drop(LampRequest,rear,count=8)" in fewer


@pytest.mark.parametrize("kind", sorted(catalogue()))
def test_weaker_faults_fit_the_vehicle_and_come_to_an_end(kind):
    for strong in catalogue()[kind].every(wren()):
        seen, tried = {strong}, [strong]
        while tried:
            for found in weaker(tried.pop(), wren()):
                assert found.problem(wren()) == ""
                assert found != strong
                if found not in seen:
                    seen.add(found)
                    tried.append(found)


def test_a_weaker_fault_that_is_enough_takes_the_place_of_the_stronger_one():
    story = scenario(fault("slow_boot", 2_000, 1_500, node="rear"))

    def breaks(tried):
        labels = {"slow_boot(rear)", "reset(rear)"} & set(names(tried))
        return 3_000 * MS if labels else None

    found, _ = shrunk(story, breaks)
    assert names(found.scenario) == ["reset(rear)"]
    assert found.scenario.faults[0].until_ns is None


def test_a_cut_at_the_end_of_the_cable_comes_to_the_unplugging_of_the_last_node():
    end, middle = (
        make_fault("cut", {"between": pair}, wren())
        for pair in (("gauge", "rear"), ("dash", "gauge"))
    )
    assert as_unplugged(end, wren()).label() == "unplug(rear)"
    assert as_unplugged(middle, wren()) is middle
    mute = make_fault("mute", {"node": "rear"}, wren())
    assert as_unplugged(mute, wren()) is mute


# ---- the budget ----


@pytest.mark.parametrize("budget", [1, 2, 5, 13, 20])
def test_shrinking_ends_within_its_budget_and_says_that_it_ran_out(budget):
    found, lab = shrunk(twenty_events(), in_order(*PLANTED), budget=budget)
    assert found.runs == len(lab.ran) <= budget
    assert found.ran_out
    assert in_order(*PLANTED)(found.scenario) is not None
    assert len(found.needed) == len(names(found.scenario))


def test_runs_are_kept_back_to_show_that_all_parts_are_needed():
    found, _ = shrunk(twenty_events(), in_order(*PLANTED), budget=22)
    assert found.ran_out
    assert found.minimal
    assert found.runs <= 22


def test_a_budget_that_was_enough_did_not_run_out():
    found, _ = shrunk(twenty_events(), in_order(*PLANTED))
    assert not found.ran_out


def test_a_part_that_nothing_could_be_tried_without_is_not_called_needed():
    found, _ = shrunk(twenty_events(), in_order(*PLANTED), budget=1)
    assert not found.minimal
    assert None in found.needed


def test_a_run_function_may_have_enough():
    lab = Lab(in_order(*PLANTED))

    def run(tried):
        if len(lab.ran) == 9:
            raise Enough
        return lab(tried)

    found = shrink(twenty_events(), *LAMP, run=run)
    assert found.ran_out
    assert in_order(*PLANTED)(found.scenario) is not None


def test_a_rule_that_is_not_broken_cannot_be_shrunk():
    with pytest.raises(NotBroken, match="planted does not break the rule stale of tail_left"):
        shrunk(twenty_events(), lambda tried: None)
    with pytest.raises(ValueError, match="got a budget of 0 runs; expected at least 1"):
        shrunk(twenty_events(), lambda tried: 0, budget=0)


def test_everything_that_breaks_in_the_shortest_is_named():
    found, _ = shrunk(twenty_events(), in_order(*PLANTED))
    assert found.shows == (LAMP, ("horn", "fresh"))


def test_without_a_part_the_rule_is_kept_or_it_is_not_put_to_the_test():
    lab = Lab(in_order("unplug(dash)", "unplug(rear)"))

    def run(tried):
        result = lab(tried)
        return result if "unplug(rear)" in names(tried) else replace(result, verdicts=())

    found = shrink(twenty_events(), *LAMP, run=run)
    assert names(found.scenario) == ["unplug(dash)", "unplug(rear)"]
    assert found.needed == (Outcome.KEPT, Outcome.NOT_EXERCISED)


# ---- a real car ----


@pytest.mark.parametrize(
    "name",
    [
        "night_drive/unplug(rear)@440ms+1549ms/slow_boot(rear)@1273500us+96ms",
        *(
            pytest.param(name, marks=pytest.mark.slow)
            for name in (
                "night_drive/cut(gauge,rear)@463ms+1526ms/slow_boot(rear)@1953ms+1470ms",
                "night_drive/cut(dash,gauge)@458ms+1531ms/hang(rear)@2010ms+1470ms",
            )
        ),
    ],
)
def test_cable_out_and_reset_and_the_switched_lights_are_left_of_a_case_with_two_faults(name):
    """The rear node resets when its cable is out and the lights were switched meanwhile."""
    vehicle = replace(wren(), programs={**wren().programs, "rear": ConfusedRear})
    case = case_named(vehicle, name)
    verdict = next(v for v in run_case(case).verdicts if v.broken and v.subject in LAMPS)
    found = shrink(case, verdict.subject, verdict.rule)
    out, reset = found.scenario.faults
    (switched,) = found.scenario.actions
    assert out.fault.kind in ("cut", "unplug")
    assert reset.fault.label() == "reset(rear)"
    assert list(switched.values) == ["lights"]
    assert out.at_ns < switched.at_ns < reset.at_ns
    assert found.minimal
    assert not found.ran_out
    assert found.scenario.lasts_ns <= 1_000 * MS
    again = [v for v in run_case(found.scenario).verdicts if v.broken]
    assert (verdict.subject, verdict.rule) in {(v.subject, v.rule) for v in again}
