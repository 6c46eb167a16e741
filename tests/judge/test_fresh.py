"""*fresh*: a load follows the last good message, within its latency; *steady*: and once only."""

from __future__ import annotations

import pytest
from judge_lab import MS, NS, Tape, broken, car, edge, kept, ns, stretches, untested


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
    """Lit at 509 ms, asked at 510 ms: too soon, wrong for 1 ms."""
    tape = switched_on(-21)
    broken(tape.verdict("fresh"), 1, 509)
    assert tape.broken() == [("lamp", "fresh")]
    assert switched_on(-20).broken() == []


def test_without_a_change_the_rule_was_not_tested():
    tape = Tape(car(), 1500).requests(60, 1500, on=False)
    untested(tape.verdict("fresh"))


@pytest.mark.parametrize("end_ms", [530, 520, 511])
def test_a_deadline_at_or_beyond_the_end_was_not_tested(end_ms):
    untested(switched_on(-15, end_ms).verdict("fresh"))


def test_a_deadline_just_inside_the_recording_was_tested():
    kept(switched_on(0, 530 + NS).verdict("fresh"), 0)


def pulse(*lit, end_ms=1500):
    """Asked on at 510 ms and off again at 520 ms: on may be noted from 510 to 530 ms, off from
    520 to 540 ms. On is overtaken, so that a load may sleep through it.
    """
    tape = Tape(car(), end_ms).requests(60, 510, on=False).request(510, on=True)
    tape.requests(520, end_ms, on=False)
    return tape.output("lamp", *lit)


def test_of_two_changes_within_the_latency_the_first_may_be_followed():
    """Off again at 540 ms is just in time: margin 540 - 540."""
    kept(pulse((512, 1), (540, 0)).verdict("fresh"), 0)
    broken(pulse((512, 1), (540 + NS, 0)).verdict("fresh"), NS, 540)


def test_an_overtaken_request_may_still_be_followed_within_its_own_latency():
    """On by 530 ms, though off has been asked since 520 ms; later, nothing accounts for it."""
    assert pulse((530, 1), (535, 0)).broken() == []
    broken(pulse((530 + NS, 1), (535, 0)).verdict("fresh"), 5 - NS, 530 + NS)


def test_a_pulse_that_a_load_may_sleep_through_tests_nothing():
    """The load never had to be on, and so never had to go off."""
    tape = pulse()
    untested(tape.verdict("fresh"))
    assert tape.broken() == []


def test_a_request_goes_back_no_more_once_the_next_one_is_followed():
    """On and off as asked, then on again at 525 ms, while the first is still open: not twice."""
    tape = pulse((512, 1), (521, 0), (525, 1), (526, 0))
    assert tape.broken() == [("lamp", "steady")]
    broken(tape.verdict("steady"), 1, 525)


def test_a_load_that_chatters_while_it_may_change_is_broken():
    """On, off and on between 510 and 530 ms: nobody asked for the darkness of 4 ms in between."""
    tape = switched_on(-19).output("lamp", (515, 0), (519, 1))
    assert tape.broken() == [("lamp", "fresh")]
    broken(tape.verdict("fresh"), 4, 515)


def test_every_change_without_cause_is_counted():
    """Dark three times: told is the first, that there are two more, and the longest as margin."""
    tape = switched_on(0).output("lamp", *((at, at % 2) for at in range(900, 904)))
    tape.output("lamp", (910, 0), (919, 1))
    verdict = tape.verdict("fresh")
    assert verdict.text.startswith("went off without cause; right: on (2 more such changes); ")
    assert (verdict.at_ns, verdict.margin_ns) == (900 * MS, -9 * MS)
    assert len(stretches(tape)) == 3


def test_one_request_accounts_for_one_change():
    """On at 510 ms is followed. On again at 700 ms, behind a lapse, is what is asked for still,
    but the lapse is told.
    """
    tape = switched_on(-10).output("lamp", (600, 0), (700, 1))
    assert tape.broken() == [("lamp", "fresh")]
    broken(tape.verdict("fresh"), 100, 600)


def test_a_short_lapse_in_service_is_broken_for_its_own_length():
    """Off from 900 ms for 3 ns."""
    tape = switched_on(0).output("lamp", (900, 0), (900 + 3 * NS, 1))
    broken(tape.verdict("fresh"), 3 * NS, 900)


def test_a_repeated_request_asks_for_nothing_new():
    """Asked on every 50 ms: a lapse of 1 ms right behind each of them is one too many."""
    for at_ms in (510, 560, 1460):
        tape = switched_on(-20).output("lamp", (at_ms + 1, 0), (at_ms + 2, 1))
        assert tape.broken() == [("lamp", "fresh")], at_ms


def test_steady_is_exercised_by_one_change_where_one_more_would_be_broken():
    kept(switched_on(0).verdict("steady"), None)
    kept(switched_on(0, 530 + NS).verdict("steady"), None)


def test_steady_is_not_exercised_by_a_load_that_never_changes():
    untested(Tape(car(), 1500).requests(60, 1500, on=False).verdict("steady"))
    untested(pulse().verdict("steady"))


def test_the_end_of_a_request_may_have_a_latency_of_its_own():
    """Asked off at 510 ms: by 600 ms. On has its 20 ms."""
    load = {"latency_off": "90 ms"}

    def off(late):
        tape = Tape(car(lamp=load), 1500).requests(60, 510, on=True).requests(510, 1500, on=False)
        return tape.output("lamp", (110, 1), (600 + late, 0))

    def on(late):
        tape = Tape(car(lamp=load), 1500).requests(60, 510, on=False).requests(510, 1500, on=True)
        return tape.output("lamp", (530 + late, 1))

    edge(off, "fresh", deadline_ms=600)
    edge(on, "fresh", deadline_ms=530)


# ---- the first message ----


def first(on_at, from_ms=110, end_ms=1500, load=None):
    """Asked on from the first message on: the boot is over at 100 ms."""
    tape = Tape(car(lamp=load or {}), end_ms).requests(from_ms, end_ms, on=True)
    return tape.output("lamp", (on_at, 1))


def test_the_first_request_is_due_by_the_second_and_its_latency():
    """110 and 160 ms: on by 180 ms."""
    edge(lambda late: first(180 + late), "fresh", deadline_ms=180)
    assert first(110).broken() == []
    broken(first(110 - NS).verdict("fresh"), NS, 110 - NS)


def test_the_first_request_is_due_by_the_second_whatever_the_rule_is_called():
    for from_ms, due_ms in ((110, 180), (100, 220), (100 + NS, 170 + NS), (60, 180)):
        assert first(from_ms, from_ms).broken() == []
        assert stretches(first(due_ms, from_ms)) == []
        assert stretches(first(due_ms + NS, from_ms)) == [(ns(due_ms), ns(due_ms) + 1)]
        assert stretches(first(from_ms - NS, from_ms)) == [(ns(from_ms) - 1, ns(from_ms))]


def test_without_a_counter_the_first_request_is_due_after_the_latency():
    def tape(late):
        made = Tape(car(lamp={"request": "Plain.Lamp"}), 1500).plain(110, 1500, on=True)
        return made.output("lamp", (130 + late, 1))

    edge(tape, "fresh", deadline_ms=130)


def test_a_message_within_the_boot_may_be_taken_or_not():
    """60 ms is within the boot, up to 100 ms: on from 60 ms on, and by the second one behind the
    boot, 160 ms, and its latency.
    """
    assert first(60, from_ms=60).broken() == []
    edge(lambda late: first(180 + late, from_ms=60), "fresh", deadline_ms=180)
    broken(first(60 - NS, from_ms=60).verdict("fresh"), NS, 60 - NS)


def test_a_message_at_the_end_of_the_boot_may_be_missed():
    """100 ms on the dot; one nanosecond later it is the first that counts."""
    edge(lambda late: first(220 + late, from_ms=100), "fresh", deadline_ms=220)
    edge(lambda late: first(170 + late + NS, from_ms=100 + NS), "fresh", deadline_ms=170 + NS)


def test_a_first_request_that_asks_for_what_is_there_tests_nothing():
    untested(Tape(car(), 1500).requests(110, 1500, on=False).verdict("fresh"))


# ---- dim, and no number ----


def switched_off():
    """On up to 460 ms, asked off at 510 ms."""
    tape = Tape(car(), 1500).requests(60, 510, on=True).requests(510, 1500, on=False)
    return tape.output("lamp", (110, 1), (520, 0))


@pytest.mark.parametrize("level", [0.02, 0.25, 0.8999])
def test_a_load_without_levels_may_not_be_dim(level):
    """Asked on, and asked off."""
    broken(switched_on(0).output("lamp", (900, level)).verdict("fresh"), 600, 900)
    broken(switched_off().output("lamp", (900, level)).verdict("fresh"), 600, 900)


@pytest.mark.parametrize("level", [0.9, 0.99])
def test_a_load_without_levels_is_on_from_90_percent_up(level):
    tape = switched_on(0).output("lamp", (900, level))
    assert tape.broken() == []
    kept(tape.verdict("fresh"), 0)
    kept(tape.verdict("steady"), None)


@pytest.mark.parametrize("on", [True, False])
def test_a_level_that_is_no_number_is_wrong_whatever_is_asked(on):
    tape = (switched_on(0) if on else switched_off()).output("lamp", (900, float("nan")))
    verdict = tape.verdict("fresh")
    broken(verdict, 600, 900)
    assert "at no level that is a number" in verdict.text


def test_a_dim_load_is_told_with_its_level():
    assert "dim at 25 %" in switched_on(0).output("lamp", (900, 0.25)).verdict("fresh").text
