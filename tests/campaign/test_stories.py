"""From findings to stories: which are shrunk, which share a cause, what cannot be told."""

from __future__ import annotations

import ctypes
import os
import signal
import threading
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from planted import LAMPS, ConfusedRear
from shrink_lab import MS, action, fault, scenario, wren

from linkloss.campaign import stories
from linkloss.campaign.check import check
from linkloss.campaign.isolation import Stopped
from linkloss.campaign.result import CaseResult, CheckReport
from linkloss.campaign.run import PROCESS, run_case
from linkloss.campaign.shrink import Enough, Shrunk
from linkloss.campaign.stories import (
    Away,
    Job,
    Stories,
    find_stories,
    shrunk_apart,
    story_name,
    suspect,
)
from linkloss.judge import Outcome, Verdict
from linkloss.vehicle.loading import load_vehicle
from linkloss_nodes import Node
from linkloss_nodes.power import PowerNode

TINY = Path(__file__).parents[1] / "report" / "tiny" / "vehicle.toml"


class Crasher(PowerNode):
    """Brings its process down at its first reset, as wild native code would."""

    def start(self):
        if self.board.memory.setdefault("starts", 0):
            ctypes.CDLL(None).kill(os.getpid(), signal.SIGKILL)
        self.board.memory["starts"] += 1
        super().start()


class Spinner(PowerNode):
    """Never comes back from its second start."""

    def start(self):
        while self.board.memory.setdefault("starts", 0):
            pass
        self.board.memory["starts"] += 1
        super().start()


class Silent(Node):
    """Does nothing at all."""


@cache
def tiny():
    return load_vehicle(TINY)


@cache
def tiny_report():
    """Hangs and resets of the tiny car, which has no watchdog: several rules break."""
    return check(tiny(), only=["hang", "mute"], jobs=1)


@cache
def tiny_stories():
    return find_stories(tiny_report(), jobs=1)


def with_rear(program):
    return replace(wren(), programs={**wren().programs, "rear": program})


def place(finding):
    return finding.verdict.subject, finding.verdict.rule


def told(found: Stories):
    return [(story.name, story.tells, story.cause, story.shrunk) for story in found.told]


# ---- stories of a check ----


def test_every_finding_is_told_and_its_rule_breaks_in_its_story():
    report = tiny_report()
    found = tiny_stories()
    assert len(report.findings) > 1
    assert not found.untold
    assert not found.interrupted
    for finding in report.findings:
        story = found.of(place(finding))
        broken = {(v.subject, v.rule) for v in run_case(story.shrunk.scenario).verdicts if v.broken}
        assert place(finding) in broken
        assert set(story.shrunk.shows) == broken
        assert len(story.shrunk.scenario.faults) == 1
        assert story.shrunk.minimal


def test_findings_of_one_node_that_break_together_have_one_story():
    report = tiny_report()
    found = tiny_stories()
    assert len(found.told) < len(report.findings)
    for story in found.told:
        nodes = {
            suspect(tiny(), finding.verdict)
            for finding in report.findings
            if place(finding) in story.tells
        }
        assert len(nodes) == 1
        assert found.sharing(story) >= len(story.tells)
    assert 1 <= found.causes <= len(found.told)


def test_stories_do_not_depend_on_the_number_of_processes_nor_on_forking():
    report = tiny_report()
    one, two = tiny_stories(), find_stories(report, jobs=2)
    assert told(one) == told(two)
    plain: list[Stories] = []
    thread = threading.Thread(target=lambda: plain.append(find_stories(report)))
    thread.start()  # now there are two, so nothing is forked
    thread.join()
    assert told(plain[0]) == told(one)


def test_stories_of_the_same_faults_at_the_same_node_have_one_cause():
    for story in tiny_stories().told:
        for other in tiny_stories().told:
            labels = [
                sorted(timed.fault.label() for timed in each.shrunk.scenario.faults)
                for each in (story, other)
            ]
            nodes = [suspect(tiny(), each.shrunk.verdict) for each in (story, other)]
            alike = labels[0] == labels[1] and nodes[0] == nodes[1]
            assert (story.cause == other.cause) == alike


def test_progress_comes_to_all_findings():
    seen = []
    find_stories(tiny_report(), jobs=1, progress=lambda *numbers: seen.append(numbers))
    total = len(tiny_report().findings)
    assert seen[0] == (0, total)
    assert seen[-1] == (total, total)


def test_the_number_of_stories_is_bounded_and_what_is_left_says_so():
    report = tiny_report()
    found = find_stories(report, jobs=1, most=1)
    assert len(found.told) == 1
    left = [place(finding) for finding in report.findings if not found.of(place(finding))]
    assert left
    assert set(found.untold) == set(left)
    assert set(found.untold.values()) == {"there is one story already"}


def test_an_interrupt_leaves_the_stories_that_are_there(monkeypatch):
    waves = []

    def interrupted(jobs, *rest):
        waves.append(jobs)
        if len(waves) == 2:
            raise KeyboardInterrupt
        return real(jobs[:1], *rest) + ["left for later"] * (len(jobs) - 1)

    real = stories.shrunk_apart
    monkeypatch.setattr(stories, "shrunk_apart", interrupted)
    found = find_stories(two_nodes_report(), jobs=1)
    assert found.interrupted
    assert len(found.told) == 1


def two_nodes_report():
    """Two findings of one node in one case that do not break together."""
    names = [finding.case.name for finding in tiny_report().findings]
    verdicts = [finding.verdict for finding in tiny_report().findings]
    other = Verdict("buzzer", "in step", Outcome.BROKEN, at_ns=MS)
    cases = [
        CaseResult(name, "night", "hang", "", 500 * MS, 1_000 * MS, 0, (verdict, other))
        for name, verdict in list(zip(names, verdicts, strict=True))[:1]
    ]
    return CheckReport(tiny(), 0, (), cases)


def test_a_case_that_does_not_break_its_rule_again_is_not_told():
    found = find_stories(two_nodes_report(), jobs=1)
    why = found.untold["buzzer", "in step"]
    assert why == "run again alone, its case does not break the rule: a program is not repeatable"
    assert len(found.told) == 1


def test_a_case_that_its_name_does_not_tell_is_not_told():
    (case,) = two_nodes_report().cases
    report = replace(two_nodes_report(), cases=[replace(case, name="night/no such fault")])
    found = find_stories(report, jobs=1)
    assert found.told == ()
    assert set(found.untold.values()) == {"its case cannot be made again from its name"}


def test_a_check_that_kept_everything_has_no_stories():
    found = find_stories(CheckReport(tiny(), 0, (), []), jobs=1)
    assert told(found) == []
    assert found.causes == 0


@pytest.mark.slow  # test_depths.py finds it among the pairs, test_shrink.py shrinks it
def test_what_takes_two_faults_in_order_is_found_by_pairs_and_told_with_just_these():
    """The rear node is reset while its cable is out and the lights were switched meanwhile."""
    report = check(
        with_rear(ConfusedRear),
        depth="pairs",
        only=["unplug+reset", "cut+reset"],
        situations=["night_drive"],
        seed=1,
        jobs=2,
    )
    found = find_stories(report, jobs=2)
    assert {finding.verdict.subject for finding in report.findings} <= {*LAMPS}
    assert found.told
    assert not found.untold
    for story in found.told:
        out, reset = story.shrunk.scenario.faults
        (switched,) = story.shrunk.scenario.actions
        assert out.fault.kind in ("cut", "unplug")
        assert reset.fault.label() == "reset(rear)"
        assert list(switched.values) == ["lights"]
        assert out.at_ns < switched.at_ns < reset.at_ns
        assert story.shrunk.minimal
    assert found.causes == 1


# ---- programs that crash or hang ----


def crash_story():
    return scenario(
        action(700, lights="position"),
        fault("mute", 900, 300, node="dash"),
        fault("reset", 1_337, node="rear"),
        lasts_ms=4_000,
    )


def on(program):
    return replace(crash_story(), vehicle=with_rear(program))


def test_a_program_that_brings_its_process_down_is_shrunk_to_what_makes_it_do_so():
    job = Job(on(Crasher), PROCESS, "program", 60)
    (found,) = shrunk_apart([job], 1)
    assert isinstance(found, Shrunk)
    assert [timed.fault.label() for timed in found.scenario.faults] == ["reset(rear)"]
    assert found.scenario.actions == ()
    assert found.minimal
    assert found.scenario.vehicle is job.scenario.vehicle


def test_where_nothing_can_be_forked_a_program_that_ends_its_process_is_left_alone(monkeypatch):
    monkeypatch.setattr(stories, "can_branch", lambda: False)
    crash, sound = Job(on(Crasher), PROCESS, "program", 60), Job(on(Silent), "horn", "none", 60)
    assert shrunk_apart([crash], 1) == [stories.CANNOT]
    (why,) = shrunk_apart([sound], 1)
    assert "does not break the rule" in why


@pytest.mark.slow
def test_a_program_that_hangs_is_shrunk_and_not_waited_for_for_ever(monkeypatch):
    monkeypatch.setattr(stories, "MOST_HUNG", 4)
    story = replace(on(Spinner), faults=on(Spinner).faults[1:])
    (found,) = shrunk_apart([Job(story, PROCESS, "program", 60)], 1, limit_s=1.0)
    assert isinstance(found, Shrunk)
    assert [timed.fault.label() for timed in found.scenario.faults] == ["reset(rear)"]
    assert found.scenario.actions == ()
    assert found.ran_out


def test_after_some_hung_runs_no_more_are_run(monkeypatch):
    monkeypatch.setattr(stories, "MOST_HUNG", 1)
    away = Away(1.0)
    assert away(on(Spinner)).verdicts[0].subject == PROCESS
    with pytest.raises(Enough):
        away(on(Silent))


def test_a_run_away_is_what_a_run_here_is():
    assert Away(60.0)(on(PowerNode)) == run_case(on(PowerNode))


def test_nobody_runs_once_the_results_are_not_wanted_any_more():
    with pytest.raises(Stopped):
        Away(60.0, stop=lambda: True)(crash_story())


# ---- names and nodes ----


@pytest.mark.parametrize(
    "subject, rule, kinds, name",
    [
        ("tail_left", "stale", "cut", "tail_left-stale-cut"),
        ("BodyRequest.Wiper", "control", "none", "BodyRequest_Wiper-control-none"),
        (PROCESS, "program", "reset+unplug", "process-program-reset_unplug"),
        ("../../etc", "never 2", "a/b", "etc-never_2-a_b"),
    ],
)
def test_a_story_has_a_name_that_is_fit_for_a_file(subject, rule, kinds, name):
    assert story_name(Verdict(subject, rule, Outcome.BROKEN), kinds, set()) == name


def test_names_are_not_given_twice():
    verdict, taken = Verdict("tail_left", "stale", Outcome.BROKEN), set()
    for _ in range(3):
        taken.add(story_name(verdict, "cut", taken))
    assert taken == {"tail_left-stale-cut", "tail_left-stale-cut-2", "tail_left-stale-cut-3"}


@pytest.mark.parametrize(
    "subject, culprit, node",
    [
        ("tail_left", "", "rear"),
        ("tail_left", "dash", "dash"),
        ("LampRequest.Position", "", "dash"),
        ("rear_lost", "", "dash"),
        ("engine", "", "engine"),
        (PROCESS, "", ""),
    ],
)
def test_the_node_to_look_at(subject, culprit, node):
    verdict = Verdict(subject, "stale", Outcome.BROKEN, culprit=culprit)
    assert suspect(wren(), verdict) == node
