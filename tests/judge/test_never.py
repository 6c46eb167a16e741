"""*never*: a state that a load may not be in while a condition holds."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested

LOAD = {"never": [{"state": "on", "when": "speed > 50", "within": "100 ms"}]}


def fast(*levels, end_ms=3000, to_ms=2000, on=True, load=None):
    """The speed is above 50 from 1000 to 2000 ms."""
    tape = Tape(car(lamp=load or LOAD), end_ms).requests(60, end_ms, on=on)
    tape.input("speed", (1000, 60.0), *([(to_ms, 40.0)] if to_ms else []))
    return tape.output("lamp", *levels)


def test_a_load_leaves_the_state_within_its_time():
    edge(lambda late: fast((70, 1), (1100 + late, 0), (2100, 1)), "never", deadline_ms=1100)


def test_a_load_that_stays_is_wrong_until_the_condition_is_over():
    broken(fast((70, 1)).verdict("never"), 900, 1100)


def test_entering_the_state_is_broken_at_once():
    tape = fast((70, 1), (1010, 0), (1020, 1), (1020 + NS, 0), (2100, 1))
    broken(tape.verdict("never"), NS, 1020)


def test_entering_the_state_as_the_condition_begins_is_broken_too():
    broken(fast((1000, 1), (1005, 0), on=False).verdict("never"), 5, 1000)


def test_another_level_of_the_state_is_no_new_entry():
    """Full, then half at 1050 ms, dark at 1090 ms."""
    kept(fast((70, 1), (1050, 0.5), (1090, 0), (2100, 1)).verdict("never"), 10)


def test_a_load_that_was_not_in_the_state_tests_nothing():
    untested(fast(on=False).verdict("never"))


@pytest.mark.parametrize("to_ms", [1100, 1099])
def test_a_condition_that_is_over_before_the_deadline_tests_nothing(to_ms):
    tape = fast((70, 1), to_ms=to_ms)
    untested(tape.verdict("never"))
    assert tape.broken() == []


@pytest.mark.parametrize("end_ms", [1100, 1050])
def test_a_deadline_at_the_end_tests_nothing(end_ms):
    untested(fast((70, 1), (1040, 0), end_ms=end_ms, to_ms=None).verdict("never"))


def test_a_load_need_not_be_in_the_forbidden_state_though_it_is_asked_for():
    """Asked on all the time: dark while the condition holds and up to rejoin after it, 2300 ms."""
    assert fast((70, 1), (1050, 0), (2300, 1)).broken() == []
    broken(fast((70, 1), (1050, 0), (2300 + NS, 1)).verdict("fresh"), NS, 2300)


def test_a_load_may_not_be_off_while():
    load = {"never": [{"state": "off", "when": "speed > 50", "within": "100 ms"}]}
    edge(
        lambda late: fast((1100 + late, 1), (2010, 0), on=False, load=load),
        "never",
        deadline_ms=1100,
    )


def test_each_never_rule_has_its_own_verdict():
    load = {"never": [*LOAD["never"], {"state": "on", "when": "speed > 90", "within": "0 ms"}]}
    tape = fast((70, 1), (1090, 0), (2100, 1), load=load)
    kept(tape.verdict("never"), 10)
    untested(tape.verdict("never 2"))
