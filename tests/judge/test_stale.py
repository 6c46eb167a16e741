"""*stale*: what a load does when its good messages stay away, and how it comes back."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested


def lost(load, *levels, on=True, end_ms=3000):
    """Requests at 60 ... 460 ms, then none. Stale at 460 + 250 = 710 ms: the fail-safe state is
    allowed from 710 - 5 = 705 ms on, and the only one from 710 + 20 = 730 ms on.
    """
    tape = Tape(car(lamp=load), end_ms).requests(60, 461, on=on).fault("cut", 465, None)
    return tape.output("lamp", *([(70, 1)] if on else []), *levels)


def test_off_on_stale_is_due_after_stale_and_reaction():
    edge(lambda late: lost({}, (730 + late, 0)), "stale", deadline_ms=730)


def test_on_on_stale_is_due_after_stale_and_reaction():
    load = {"on_stale": "on"}
    edge(lambda late: lost(load, (730 + late, 1), on=False), "stale", deadline_ms=730)


def test_the_failsafe_state_is_allowed_early_but_not_earlier():
    """At 705 ms on the dot: 25 ms before the deadline; a nanosecond before, it is still fresh."""
    kept(lost({}, (705, 0)).verdict("stale"), 25)
    broken(lost({}, (705 - NS, 0)).verdict("fresh"), NS, 705 - NS)


def test_a_declared_early_moves_the_edge():
    load = {"early": "40 ms"}
    kept(lost(load, (670, 0)).verdict("stale"), 60)
    broken(lost(load, (670 - NS, 0)).verdict("fresh"), NS, 670 - NS)


def test_a_load_that_never_goes_off_is_wrong_to_the_end():
    """From 730 to 3000 ms."""
    broken(lost({}).verdict("stale"), 2270, 730)


def test_a_load_that_comes_back_on_by_itself_is_broken():
    broken(lost({}, (720, 0), (2000, 1), (2001, 0)).verdict("stale"), 1, 2000)


def test_off_when_it_was_off_tests_nothing():
    untested(lost({}, on=False).verdict("stale"))


def test_hold_is_kept_without_a_deadline():
    kept(lost({"on_stale": "hold"}).verdict("stale"), None)


def test_hold_is_broken_when_the_load_goes_to_its_hardware_default():
    """Dark from 730 to 3000 ms; up to 730 ms the request itself was still the only one."""
    broken(lost({"on_stale": "hold"}, (900, 0)).verdict("stale"), 2100, 900)


def test_hold_of_the_hardware_default_tests_nothing():
    untested(lost({"on_stale": "hold"}, on=False).verdict("stale"))


def test_hold_off_against_a_hardware_default_of_on_is_a_test():
    load = {"on_stale": "hold", "hardware_default": "on"}
    kept(lost(load, on=False).verdict("stale"), None)


@pytest.mark.parametrize("end_ms", [730, 705, 500])
def test_a_deadline_at_or_beyond_the_end_tests_nothing(end_ms):
    untested(lost({}, (700, 0), end_ms=end_ms).verdict("stale"))


def test_a_gap_that_ends_before_the_deadline_tests_nothing():
    """A good message at 729 ms: the load need not have done anything."""
    tape = lost({}).requests(729, 3000, on=True)
    untested(tape.verdict("stale"))
    assert tape.broken() == []


HOLD_THEN = {"on_stale": "hold", "hold_for": "800 ms", "then": "off"}


def test_then_is_due_after_hold_for():
    """730 + 800 = 1530 ms."""
    edge(lambda late: lost(HOLD_THEN, (1530 + late, 0)), "then", deadline_ms=1530)


def test_then_may_come_as_early_as_stale_may():
    """705 + 800 = 1505 ms: 25 ms before its deadline; before that the hold is broken."""
    kept(lost(HOLD_THEN, (1505, 0)).verdict("then"), 25)
    broken(lost(HOLD_THEN, (1505 - NS, 0)).verdict("stale"), NS, 1505 - NS)


def test_hold_then_tests_both_rules():
    tape = lost(HOLD_THEN, (1520, 0))
    kept(tape.verdict("stale"), None)
    kept(tape.verdict("then"), 10)


def test_then_after_on_does_not_count_from_the_request():
    """Asked off, on when stale, off again 800 ms later: due at 1530 ms, done at 1510 ms."""
    load = {"on_stale": "on", "hold_for": "800 ms", "then": "off"}
    kept(lost(load, (720, 1), (1510, 0), on=False).verdict("then"), 20)


def test_then_is_not_tested_when_the_link_returns_before():
    tape = lost(HOLD_THEN).requests(1500, 3000, on=True)
    untested(tape.verdict("then"))
    kept(tape.verdict("stale"), None)


def back(on_at, load=None, again_ms=None):
    """The link is back at 1010 ms, the fault stays: off is allowed up to 1010 + 300 = 1310 ms."""
    tape = lost(load or {}, (720, 0), (on_at, 1))
    if again_ms is None:
        return tape.requests(1010, 3000, on=True)
    return tape.requests(1010, again_ms, on=True).requests(1400, 3000, on=True)


def test_a_load_has_until_rejoin_after_the_first_good_message():
    assert back(1310).broken() == []
    broken(back(1310 + NS).verdict("rejoin"), NS, 1310)


def test_a_load_may_follow_at_once_when_the_link_is_back():
    assert back(1010).broken() == []
    broken(back(1010 - NS).verdict("stale"), NS, 1010 - NS)


def test_a_fault_that_never_clears_leaves_the_recovery_untested():
    untested(back(1200).verdict("rejoin"))


def test_a_new_gap_in_the_rejoin_window_starts_it_again():
    """Good at 1010 and 1060 ms, then not before 1400 ms: maybe lost at 1060 + 245 = 1305 ms, which
    is before 1310 ms. Off is allowed up to 1400 + 300 = 1700 ms.
    """
    assert back(1700, again_ms=1061).broken() == []
    broken(back(1700 + NS, again_ms=1061).verdict("rejoin"), NS, 1700)


def test_a_gap_after_the_rejoin_window_does_not_reach_back_into_it():
    """Good up to 1110 ms: maybe lost only at 1355 ms, so from 1310 ms on the load must be lit;
    from 1355 ms on it may be dark again. Wrong for 45 ms.
    """
    broken(back(1700, again_ms=1111).verdict("rejoin"), 45, 1310)


def cleared(on_at, end_ms=3000):
    """Cut from 465 to 1000 ms, the link is back at 1010 ms. With no fault left the load must
    follow within 300 ms of the clearing: by 1300 ms.
    """
    tape = Tape(car(), end_ms).requests(60, 461, on=True).fault("cut", 465, 1000)
    tape.requests(1010, end_ms, on=True)
    return tape.output("lamp", (70, 1), (720, 0), (on_at, 1))


def test_a_load_follows_within_rejoin_of_the_last_fault():
    edge(lambda late: cleared(1300 + late), "rejoin", deadline_ms=1300)


@pytest.mark.parametrize("end_ms", [1300, 1100])
def test_a_recovery_beyond_the_end_was_not_tested(end_ms):
    untested(cleared(1050, end_ms).verdict("rejoin"))


def test_a_load_that_need_not_change_after_the_fault_tests_no_rejoin():
    tape = Tape(car(lamp={"on_stale": "hold"})).requests(60, 461, on=True).fault("cut", 465, 1000)
    tape.requests(1010, 3000, on=True).output("lamp", (70, 1))
    untested(tape.verdict("rejoin"))


def flashing_when_lost(*levels, end_ms=4000):
    load = {"on_stale": "flash", "flash": {}}
    return lost(load, *levels, on=False, end_ms=end_ms)


def test_flashing_when_stale_needs_two_cycles_to_show():
    """Only flashing is allowed from 730 ms on; a steady load is found out two cycles later."""
    for end_ms, test in ((2730, untested), (2730 + NS, kept)):
        test(flashing_when_lost(end_ms=end_ms).flashing("lamp", 725, end_ms).verdict("stale"))
    broken(flashing_when_lost(end_ms=2730 + NS).verdict("flash"), NS, 2730)


def test_a_steady_load_that_had_to_flash_when_stale_is_broken():
    broken(flashing_when_lost().verdict("flash"))
    untested(flashing_when_lost().verdict("stale"))
    tape = flashing_when_lost().flashing("lamp", 725, 4000)
    kept(tape.verdict("stale"), None)
    kept(tape.verdict("flash"))


def test_what_was_held_when_the_link_came_back_stays_allowed_until_rejoin():
    """Held on up to 1530 ms; asked off from 1500 ms on: on is allowed up to 1500 + 300 ms."""
    assert lost(HOLD_THEN, (1800, 0)).requests(1500, 3000, on=False).broken() == []
    late = lost(HOLD_THEN, (1800 + NS, 0)).requests(1500, 3000, on=False)
    broken(late.verdict("rejoin"), NS, 1800)


def test_a_change_that_comes_just_before_the_link_is_lost_has_its_whole_latency():
    """Good at 460 ms, asked off at 729 ms: a program may call the link lost only at 730 ms, and
    then has seen the change, which is due at 749 ms.
    """
    load = {"on_stale": "on"}
    assert lost(load, (1029, 0)).requests(729, 3000, on=False).broken() == []
    assert lost({}, (749, 0)).requests(729, 3000, on=False).broken() == []
    late = lost({}, (749 + NS, 0)).requests(729, 3000, on=False)
    broken(late.verdict("stale"), NS, 749)
