"""*stopped* and *program*: a program that hangs, one that fails, one that resets its own board."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, untested

NO_WATCHDOG = {"rear": {"watchdog": None}}


def hung(reset_at, cause="watchdog", end_ms=3000, nodes=None, load=None):
    """The rear program hangs at 1000 ms, watchdog 200 ms, and is reset at ``reset_at``."""
    tape = Tape(car(lamp=load or {}, nodes=nodes), end_ms).requests(60, end_ms, on=False)
    tape.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
    if reset_at is not None:
        tape.reset("rear", reset_at, cause)
    return tape


@pytest.mark.parametrize("subject", ["rear", "lamp"])
def test_a_stopped_program_is_restarted_within_the_watchdog_time(subject):
    edge(lambda late: hung(1200 + late), "stopped", subject, deadline_ms=1200)


def test_a_program_that_nothing_restarts_is_broken_to_the_end():
    broken(hung(None).verdict("stopped"), 1800, 1200)


def test_a_program_that_never_hung_tests_nothing():
    tape = Tape(car(), 3000).requests(60, 3000, on=False)
    untested(tape.verdict("stopped"))
    untested(tape.verdict("stopped", "rear"))


@pytest.mark.parametrize("end_ms", [1200, 1100])
def test_a_watchdog_time_that_outlasts_the_recording_tests_nothing(end_ms):
    untested(hung(None, end_ms=end_ms).verdict("stopped"))


def test_a_program_that_goes_on_by_itself_tests_no_watchdog():
    tape = hung(None).node("rear", (1150, "running", "fault"))
    untested(tape.verdict("stopped"))


def test_a_reset_by_another_fault_proves_no_watchdog():
    untested(hung(1100, "fault").verdict("stopped"))


def test_without_a_watchdog_every_safety_relevant_load_is_broken():
    tape = hung(None, nodes=NO_WATCHDOG)
    broken(tape.verdict("stopped"), at_ms=1000)
    assert tape.verdict("stopped").text.startswith("node rear has no watchdog")


def test_without_a_watchdog_a_load_of_no_consequence_is_not_broken_by_that():
    tape = hung(None, nodes=NO_WATCHDOG, load={"safety": False})
    assert ("lamp", "stopped") not in tape.broken()


def change_while_hung(*levels, until=1190, resumes=False):
    """Lit, asked off at 1010 ms while the program hangs (1000 ms on)."""
    tape = Tape(car(), 3000).requests(60, 1010, on=True).requests(1010, 3000, on=False)
    tape.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
    tape.output("lamp", (70, 1), *levels)
    if resumes:
        return tape.node("rear", (until, "running", "fault"))
    return tape.reset("rear", until, "watchdog")


def test_a_hung_program_leaves_its_outputs_as_they_were():
    """Lit until the watchdog resets the node at 1190 ms."""
    assert change_while_hung((1190, 0)).broken() == []


def test_a_load_is_excused_for_the_watchdog_time_only():
    """Reset at 1250 ms, 50 ms late: lit from 1200 to 1250 ms was wrong."""
    tape = change_while_hung((1250, 0), until=1250)
    broken(tape.verdict("stopped"), 50, 1200)
    broken(tape.verdict("fresh"), 50, 1200)


def test_a_program_that_goes_on_has_until_rejoin():
    """It goes on at 1150 ms: the old state is allowed up to 1150 + 300 = 1450 ms."""
    assert change_while_hung((1450, 0), until=1150, resumes=True).broken() == []
    late = change_while_hung((1450 + NS, 0), until=1150, resumes=True)
    assert late.broken() == [("lamp", "rejoin")]


def test_a_program_that_fails_is_broken():
    tape = Tape(car(), 3000).requests(60, 3000, on=False).crash("rear", 1000)
    verdict = next(v for v in tape.judged() if (v.subject, v.rule) == ("rear", "program"))
    broken(verdict, at_ms=1000)
    assert "ValueError: no" in verdict.text


@pytest.mark.parametrize("cause", ["program", "watchdog"])
def test_a_reset_that_nothing_called_for_is_broken_and_excuses_nothing(cause):
    """Asked on all the time; dark from 1000 to 1060 ms because the program reset its board."""
    tape = Tape(car(), 3000).requests(60, 3000, on=True).reset("rear", 1000, cause)
    tape.output("lamp", (70, 1), (1000, 0), (1060, 1))
    assert tape.broken() == [("lamp", "fresh"), ("rear", "program")]
    broken(tape.verdict("fresh"), 60, 1000)


@pytest.mark.parametrize("cause", ["fault", "watchdog"])
def test_a_lawful_reset_is_no_break_of_the_program(cause):
    tape = hung(1100, cause)
    assert all(v.rule != "program" for v in tape.judged())
    assert tape.broken() == []
