"""*fresh*: a load follows the last good message, within its latency."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested


def switched_on(late, end_ms=1500):
    """Off up to 460 ms, asked on at 510 ms: due at 510 + 20 = 530 ms."""
    tape = Tape(car(), end_ms).requests(60, 510, on=False).requests(510, end_ms, on=True)
    return tape.output("lamp", (530 + late, 1))


def test_a_change_is_due_after_the_latency():
    edge(switched_on, "fresh", deadline_ms=530)


def test_the_margin_is_what_was_left_of_the_latency():
    """On at 513 ms, due at 530 ms: 17 ms left."""
    kept(switched_on(-17).verdict("fresh"), 17)


def test_a_load_that_never_follows_is_wrong_from_the_deadline_to_the_end():
    """Wrong from 530 ms to 1500 ms: 970 ms."""
    tape = Tape(car(), 1500).requests(60, 510, on=False).requests(510, 1500, on=True)
    broken(tape.verdict("fresh"), 970, 530)


def test_a_load_ahead_of_its_message_is_broken():
    """Lit at 509 ms, asked at 510 ms: wrong for 1 ms."""
    broken(switched_on(-21).verdict("fresh"), 1, 509)


def test_without_a_change_the_rule_was_not_tested():
    tape = Tape(car(), 1500).requests(60, 1500, on=False)
    untested(tape.verdict("fresh"))


@pytest.mark.parametrize("end_ms", [530, 520, 511])
def test_a_deadline_at_or_beyond_the_end_was_not_tested(end_ms):
    untested(switched_on(-15, end_ms).verdict("fresh"))


def test_a_deadline_just_inside_the_recording_was_tested():
    kept(switched_on(0, 530 + NS).verdict("fresh"), 0)


def pulse(*lit, end_ms=1500):
    """Asked on at 510 ms and off again at 520 ms: on is allowed from 510 to 520 + 20 = 540 ms,
    off to 510 + 20 = 530 ms and from 520 ms on, so that off is allowed throughout.
    """
    tape = Tape(car(), end_ms).requests(60, 510, on=False).request(510, on=True)
    tape.requests(520, end_ms, on=False)
    return tape.output("lamp", *lit)


def test_of_two_changes_within_the_latency_both_states_are_allowed():
    """Off again at 540 ms is just in time: margin 540 - 540."""
    kept(pulse((512, 1), (540, 0)).verdict("fresh"), 0)
    broken(pulse((512, 1), (540 + NS, 0)).verdict("fresh"), NS, 540)


def test_a_pulse_that_a_load_may_sleep_through_tests_nothing():
    """The load never had to be on, and so never had to go off."""
    untested(pulse().verdict("fresh"))


def test_the_state_before_the_change_is_allowed_until_the_latency_has_passed():
    """On and off several times between 510 and 530 ms."""
    tape = switched_on(0)
    tape.recording.outputs["lamp"].times.clear()
    tape.recording.outputs["lamp"].values.clear()
    tape.output("lamp", (0, 0), (511, 1), (515, 0), (519, 1), (522, 0), (530, 1))
    kept(tape.verdict("fresh"), 0)


def test_a_short_lapse_in_service_is_broken_for_its_own_length():
    """Off from 900 ms for 3 ns."""
    tape = switched_on(0).output("lamp", (900, 0), (900 + 3 * NS, 1))
    broken(tape.verdict("fresh"), 3 * NS, 900)


def test_a_level_between_dark_and_full_counts_as_on():
    tape = switched_on(0).output("lamp", (900, 0.25))
    kept(tape.verdict("fresh"), 0)
