"""What cases reached: the points of single runs, and what is new about the next one."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.campaign.cases import CaseMaker
from linkloss.campaign.reach import Coverage, Reached, bucket, points_of, reached
from linkloss.campaign.selection import case_named
from linkloss.judge import Outcome, Verdict, judge
from linkloss.recording import ControllerChange, FaultRecord, NodeChange, Recording
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
TINY = Path(__file__).parents[1] / "report" / "tiny" / "vehicle.toml"


@cache
def tiny():
    return load_vehicle(TINY)


@cache
def reached_by(name):
    return looked_at(simulate(case_named(tiny(), name)))


def looked_at(recording, verdicts=None):
    """What a recording reached; judged, unless the verdicts are given."""
    verdicts = judge(tiny(), recording) if verdicts is None else verdicts
    return reached(points_of(tiny(), recording, verdicts), verdicts)


def points(found, kind):
    return {point[1:] for point in found.points if point[0] == kind}


def recorded(*faults, controllers=(), nodes=()):
    """A recording in which the rear powers up, with these further changes."""
    recording = Recording(vehicle="Tiny", seed=0, end_ns=5_000 * MS)
    recording.faults.extend(faults)
    recording.controllers = {"dash": [], "rear": list(controllers)}
    up = [NodeChange(0, "reset", "power-up"), NodeChange(20 * MS, "running", "boot")]
    recording.nodes = {"dash": list(up), "rear": [*up, *nodes]}
    return recording


def fault(kind, from_ms, to_ms, *nodes):
    cleared_ns = None if to_ms is None else to_ms * MS
    return FaultRecord(kind, kind, "node", False, nodes, from_ms * MS, cleared_ns)


def kept(subject="tail_lamp", rule="rejoin", at_ms=None, margin_ns=None):
    at_ns = None if at_ms is None else at_ms * MS
    outcome = Outcome.KEPT if at_ms is None else Outcome.BROKEN
    return Verdict(subject, rule, outcome, margin_ns=margin_ns, at_ns=at_ns)


def rule_point(recording, verdict):
    (point,) = points(looked_at(recording, [verdict]), "rule")
    return point


def test_a_rule_is_reached_with_the_state_of_its_node_when_it_broke():
    recording = recorded(
        fault("bus_off", 500, 900, "rear"),
        controllers=[ControllerChange(500 * MS, "BUS_OFF", 256, 0)],
    )
    assert rule_point(recording, kept("tail_lamp", "stale", at_ms=700)) == (
        *("stale", "tail_lamp", "broken", "BUS_OFF", "running", "bus_off"),
    )


def test_a_rule_that_was_kept_is_reached_with_the_state_when_the_last_fault_cleared():
    recording = recorded(
        fault("cut", 500, 900),
        controllers=[
            ControllerChange(600 * MS, "PASSIVE", 128, 0),
            ControllerChange(950 * MS, "ACTIVE", 127, 0),
        ],
    )
    assert rule_point(recording, kept()) == (
        *("rejoin", "tail_lamp", "kept", "PASSIVE", "running", "cut"),
    )


@pytest.mark.parametrize(
    "at_ms, phase",
    [(10, "boot"), (400, "running"), (510, "boot"), (600, "rejoining"), (1600, "running")],
)
def test_a_node_boots_rejoins_and_runs(at_ms, phase):
    nodes = [NodeChange(500 * MS, "reset", "fault"), NodeChange(520 * MS, "running", "boot")]
    recording = recorded(nodes=nodes)
    assert rule_point(recording, kept("rear", "rejoin", at_ms))[4] == phase


def test_a_node_hangs():
    recording = recorded(nodes=[NodeChange(500 * MS, "hung", "fault")])
    assert rule_point(recording, kept("rear", "rejoin", 600))[4] == "hung"


@pytest.mark.parametrize(
    "at_ms, kinds",
    [(100, "none"), (500, "cut"), (700, "cut+hang"), (1000, "hang"), (2000, "after hang")],
)
def test_faults_count_while_they_are_there_and_the_last_one_afterwards(at_ms, kinds):
    recording = recorded(fault("cut", 400, 900), fault("hang", 600, 1200, "rear"))
    assert rule_point(recording, kept("tail_lamp", "fresh", at_ms))[5] == kinds


def test_of_many_faults_at_one_time_the_newest_two_count():
    faults = [fault(kind, at, None) for at, kind in ((1, "cut"), (2, "mute"), (3, "flood"))]
    assert rule_point(recorded(*faults), kept("tail_lamp", "fresh", 50))[5] == "flood+mute"


def test_a_fault_is_reached_with_the_state_that_it_found_its_node_in():
    recording = recorded(
        fault("unplug", 400, 900, "rear"),
        fault("reset", 700, 700, "rear"),
        nodes=[NodeChange(700 * MS, "reset", "fault"), NodeChange(720 * MS, "running", "boot")],
    )
    assert points(looked_at(recording, []), "fault") == {
        ("unplug", "rear", "ACTIVE", "running", "none"),
        ("reset", "rear", "ACTIVE", "running", "unplug"),
    }


def test_requests_notices_and_nodes_are_reached_at_the_node_that_answers_for_them():
    nodes = [NodeChange(500 * MS, "hung", "fault")]
    recording = recorded(nodes=nodes)
    recording.nodes["dash"].append(NodeChange(500 * MS, "reset", "fault"))
    phases = {
        subject: rule_point(recording, kept(subject, "x", 600))[4]
        for subject in ("rear", "tail_lamp", "LampRequest.Position", "rear_lost")
    }
    assert phases == {
        "rear": "hung",
        "tail_lamp": "hung",
        "LampRequest.Position": "boot",
        "rear_lost": "boot",
    }


def test_what_was_not_put_to_the_test_was_not_reached():
    verdict = Verdict("tail_lamp", "stale", Outcome.NOT_EXERCISED)
    assert looked_at(recorded(), [verdict]) == Reached(frozenset(), ())


def test_runs_with_different_faults_reach_different_points():
    plain, cut = reached_by("night/none"), reached_by("night/cut(dash,rear)@450ms+1500ms")
    assert points(plain, "rule")
    assert points(plain, "fault") == set()
    assert {kind for kind, *_ in points(cut, "fault")} == {"cut"}
    assert points(cut, "rule") - points(plain, "rule")


def test_a_run_reaches_the_same_points_every_time():
    name = "night/bus_off(rear)@450ms/reset(dash)@700ms"
    again = simulate(case_named(tiny(), name))
    assert looked_at(again) == reached_by(name)


def test_a_single_node_that_is_reset_while_it_has_no_link_is_seen_as_such():
    found = reached_by("night/unplug(rear)@450ms+1s/reset(rear)@900ms")
    assert {
        (kind, node, phase, others) for kind, node, _, phase, others in points(found, "fault")
    } == {("unplug", "rear", "running", "none"), ("reset", "rear", "running", "unplug")}


@given(st.integers(-(10**10), 10**11), st.integers(0, 10**10))
def test_a_smaller_margin_never_falls_into_a_higher_bucket(margin_ns, less_ns):
    def size(name):
        return 0 if name == "late" else int(name[1:])

    assert size(bucket(margin_ns - less_ns)) <= size(bucket(margin_ns))


@pytest.mark.parametrize(
    "margin_ns, name",
    [(-1, "late"), (0, "<1"), (999_999, "<1"), (MS, "<2"), (3 * MS, "<4"), (4 * MS, "<8")],
)
def test_a_margin_lies_below_the_bound_that_names_its_bucket(margin_ns, name):
    assert bucket(margin_ns) == name


def test_the_first_time_everything_is_new_and_the_second_time_nothing():
    coverage = Coverage()
    found = Reached(frozenset({("rule", "b"), ("rule", "a")}), (("lamp", "stale", 5),))
    assert coverage.add(found).points == (("rule", "a"), ("rule", "b"))
    again = coverage.add(found)
    assert not again.any
    assert coverage.points == {("rule", "a"): 2, ("rule", "b"): 2}
    assert len(coverage) == 2


def test_a_margin_that_shrinks_is_news_and_one_that_grows_is_none():
    coverage = Coverage()
    told = [coverage.add(Reached(frozenset(), (("lamp", "stale", ns),))) for ns in (9, 12, 4)]
    assert [news.any for news in told] == [False, False, True]
    assert told[2].shrunk == (("lamp", "stale"),)
    assert coverage.margins == {("lamp", "stale"): 4}


def test_what_a_case_reached_is_told_in_a_fixed_order():
    names = ["night/none", "night/hang(rear)@450ms+1s", "night/reset(dash)@700ms"]
    assert len(CaseMaker(tiny()).case("night", ()).actions) == 1
    told = []
    for _ in range(2):
        coverage = Coverage()
        told.append([coverage.add(reached_by(name)) for name in names])
    assert told[0] == told[1]
    assert all(list(news.points) == sorted(news.points) for news in told[0])
    assert all(news.points for news in told[0])
