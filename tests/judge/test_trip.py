"""*trip*: one condition puts a load off for good, until another one gives it back."""

from __future__ import annotations

from judge_lab import NS, Tape, broken, car, edge, untested

CUT_OFF = {"trip": {"when": "crash == yes", "off_until": "pedal == down"}}


def tripped(*levels, load=None, crash=((1000, "yes"), (1200, "no")), pedal=((2000, "down"),)):
    """Asked for all the time and lit from 70 ms on; a crash from 1000 to 1200 ms, and the pedal
    that gives it back goes down at 2000 ms.
    """
    tape = Tape(car(lamp=CUT_OFF | (load or {})), 3000).requests(60, 3000, on=True)
    tape.input("crash", *crash).input("pedal", *pedal)
    return tape.output("lamp", (70, 1), *levels)


def test_a_load_is_off_a_latency_behind_the_begin_of_its_condition():
    edge(lambda late: tripped((1020 + late, 0), (2010, 1)), "trip", deadline_ms=1020)
    assert tripped((1000, 0), (2010, 1)).broken() == []
    broken(tripped((1000 - NS, 0), (2010, 1)).verdict("trip"), NS, 1000 - NS)


def test_a_time_to_go_off_of_its_own_counts():
    load = {"latency_off": "5 ms"}
    edge(lambda late: tripped((1005 + late, 0), (2010, 1), load=load), "trip", deadline_ms=1005)


def test_it_is_back_a_latency_behind_what_ends_the_trip():
    edge(lambda late: tripped((1010, 0), (2020 + late, 1)), "trip", deadline_ms=2020)
    assert tripped((1010, 0), (2000, 1)).broken() == []
    broken(tripped((1010, 0), (2000 - NS, 1)).verdict("trip"), NS, 2000 - NS)


def test_it_stays_off_when_its_condition_is_over():
    """A load that is back with the end of the crash at 1200 ms is wrong up to 2000 ms."""
    broken(tripped((1010, 0), (1200, 1)).verdict("trip"), 800, 1200)
    broken(tripped((1010, 0), (1500, 1), (1502, 0), (2010, 1)).verdict("trip"), 2, 1500)


def test_a_load_that_never_goes_off_or_never_comes_back_is_broken():
    broken(tripped().verdict("trip"), 980, 1020)
    broken(tripped((1010, 0)).verdict("trip"), 980, 2020)


def test_while_its_condition_lasts_nothing_gives_it_back():
    """The pedal goes down at 2000 ms, the crash is over at 2500 ms: due at 2520 ms."""
    crash = (1000, "yes"), (2500, "no")
    edge(lambda late: tripped((1010, 0), (2520 + late, 1), crash=crash), "trip", deadline_ms=2520)
    broken(tripped((1010, 0), (2010, 1), crash=crash).verdict("trip"), 490, 2010)


def test_a_trip_outranks_a_state_that_may_not_be_left():
    never = [{"state": "off", "when": "crash == yes", "within": "100 ms"}]
    load = {"never": never}
    assert tripped((1010, 0), (2010, 1), load=load).broken() == []
    assert tripped(load=load).broken() == [("lamp", "trip")]


def test_a_trip_behind_the_time_to_leave_a_state_outranks_it_too():
    """The pedal is up from 990 ms on, on is due within 5 ms, and a crash comes 5 ms later."""
    load = {"never": [{"state": "off", "when": "pedal == up", "within": "5 ms"}]}

    def tape(off_ms):
        moved = (0, "down"), (990, "up"), (2000, "down")
        return tripped((off_ms, 0), (2010, 1), load=load, pedal=moved)

    assert tape(1000).broken("lamp") == []
    assert ("lamp", "never") in tape(1000 - NS).broken("lamp")


def test_a_trip_that_begins_in_a_reset_outranks_a_state_that_may_not_be_left_too():
    """The node is reset at 985 ms and boots up to 1085 ms; without the crash its lamp is due."""
    load = {"never": [{"state": "off", "when": "pedal == up", "within": "100 ms"}]}
    levels = (985, 0), (2010, 1)
    assert tripped(*levels, load=load).reset("rear", 985).broken("lamp") == []
    calm = tripped(*levels, load=load, crash=()).reset("rear", 985)
    assert ("lamp", "never") in calm.broken("lamp")


def test_a_request_that_comes_while_it_is_tripped_changes_nothing():
    """Asked off from 1310 ms and on again from 1610 ms on."""

    def tape(*levels):
        made = Tape(car(lamp=CUT_OFF), 3000).requests(60, 1310, on=True)
        made.requests(1310, 1610, on=False).requests(1610, 3000, on=True)
        made.input("crash", (1000, "yes"), (1200, "no")).input("pedal", (2000, "down"))
        return made.output("lamp", (70, 1), (1010, 0), *levels)

    assert tape((2010, 1)).broken() == []
    assert tape((1615, 1)).broken("lamp") != []


def reset(*levels, crash=((1000, "yes"), (1200, "no"))):
    """The node is reset at 1400 ms; its first messages count by 1580 ms."""
    return tripped((1010, 0), *levels, crash=crash).reset("rear", 1400)


def test_a_reset_may_forget_a_trip_whose_cause_is_over_or_not():
    """The lamp is back with the first messages, or by 2020 ms; not between."""
    for right_ms in (1580, 2000, 2020):
        assert reset((right_ms, 1)).broken("lamp") == []
    for wrong_ms in (1580 + NS, 2000 - NS, 2020 + NS):
        assert reset((wrong_ms, 1)).broken("lamp") != []


def test_a_trip_that_outlives_one_reset_may_outlive_another():
    tape = reset((2010, 1)).reset("rear", 1600)
    assert tape.broken("lamp") == []
    tape = reset((1570, 1), (1600, 0), (1770, 1)).reset("rear", 1600)
    assert tape.broken("lamp") == []


def test_a_trip_whose_cause_lasts_is_there_behind_a_reset():
    crash = (1000, "yes"), (2500, "no")
    assert reset((2510, 1), crash=crash).broken("lamp") == []
    broken(reset((1570, 1), crash=crash).verdict("fresh"), 930, 1570)


def test_a_load_that_was_not_asked_for_tests_no_trip():
    tape = Tape(car(lamp=CUT_OFF), 3000).requests(60, 3000, on=False)
    untested(tape.input("crash", (1000, "yes"), (1200, "no")).verdict("trip"))


def test_of_two_inputs_that_move_at_one_instant_either_may_be_seen_first():
    """The pedal gives the load back at 2000 ms, and a second crash takes it away again."""
    crash = (1000, "yes"), (1200, "no"), (2000, "yes")
    assert tripped((1010, 0), crash=crash).broken() == []
    assert tripped((1010, 0), (2005, 1), (2020, 0), crash=crash).broken() == []
    tape = tripped((1010, 0), (2005, 1), (2020 + NS, 0), crash=crash)
    broken(tape.verdict("trip"), NS, 2020)
