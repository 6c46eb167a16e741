"""*never*: a state that a load may not be in while a condition holds."""

from __future__ import annotations

import pytest
from judge_lab import KEPT, MS, NS, Tape, broken, car, edge, kept, stretches, untested

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


def test_entering_the_state_is_broken_at_once_behind_the_latency():
    """The condition holds since 1000 ms, the latency is 20 ms."""
    tape = fast((70, 1), (1010, 0), (1020 + NS, 1), (1020 + 2 * NS, 0), (2100, 1))
    broken(tape.verdict("never"), NS, 1020 + NS)


def test_a_node_that_has_not_yet_seen_the_condition_may_still_enter_the_state():
    kept(fast((1020, 1), (1095, 0), on=False).verdict("never"), 5)
    broken(fast((1020, 1), (1105, 0), on=False).verdict("never"), 5, 1100)


def test_a_state_that_is_entered_behind_the_time_to_leave_it_is_wrong_from_there_on():
    """Within the latency, but behind the 5 ms that it has to leave."""
    load = {"never": [{"state": "on", "when": "speed > 50", "within": "5 ms"}]}
    kept(fast((1004, 1), (1005, 0), on=False, load=load).verdict("never"), 0)
    broken(fast((1010, 1), (1012, 0), on=False, load=load).verdict("never"), 2, 1010)


def test_a_state_that_was_left_is_not_entered_again_within_the_latency():
    """*never* allows it; the change has no cause."""
    tape = fast((70, 1), (1005, 0), (1015, 1), (1090, 0), (2100, 1))
    assert tape.broken() == [("lamp", "fresh")]


def test_another_level_of_the_state_is_no_new_entry():
    """Full, then half at 1050 ms, dark at 1090 ms."""
    kept(fast((70, 1), (1050, 0.5), (1090, 0), (2100, 1)).verdict("never"), 10)


def test_a_program_that_hung_has_its_time_to_leave_the_state_behind_that():
    """Down at 1050 ms; hung from 1000 to 1150 ms: off is due 100 ms behind that."""
    load = {"never": [{"state": "on", "when": "pedal == down", "within": "100 ms"}]}

    def tape(late):
        made = Tape(car(lamp=load), 3000).requests(60, 3000, on=True).input("pedal", (1050, "down"))
        made.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
        made.node("rear", (1150, "running", "fault"))
        return made.output("lamp", (70, 1), (1250 + late, 0))

    edge(tape, "never", deadline_ms=1250)


def test_what_hardware_does_before_the_program_drives_is_left_a_latency_behind_boot():
    """The node is reset at 1000 ms, its program drives from 1060 ms on, and the pedal, which
    switches by itself until then, is down from 1030 ms on: off is due at 1100 + 20 ms.
    """
    load = {"request": None, "on_stale": None, "local": "pedal == down", "local_use": "follows"}
    load |= {"hardware_default": "local"}
    load |= {"never": [{"state": "on", "when": "key == on", "within": "10 ms"}]}

    def tape(*levels, off=1060):
        made = Tape(car(lamp=load), 3000).input("key", (500, "on")).input("pedal", (1030, "down"))
        made.reset("rear", 1000).command("lamp", (0, None), (60, 0.0), (1000, None), *levels)
        return made.output("lamp", (1030, 1), (off, 0))

    assert tape((1060, 0.0)).verdict("never").outcome is KEPT
    late = tape((1060, 1.0), (1120 + NS, 0.0), off=1120 + NS)
    broken(late.verdict("never"), NS, 1120)


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


def test_a_node_that_is_told_of_the_condition_gives_the_state_back_once_it_can_know():
    """Asked on all the time. The speed is the dash's: 100 ms behind its fall what was waiting to be
    sent is gone, and two messages in a row come at 2160 and 2260 ms.
    """
    assert fast((70, 1), (1050, 0), (2000, 1)).broken() == []
    edge(lambda late: fast((70, 1), (1050, 0), (2280 + late, 1)), "fresh", deadline_ms=2280)


def test_without_messages_from_who_knows_the_state_is_not_given_back():
    """The link is lost from 1500 ms on, and what it asked for last is held."""
    load = LOAD | {"on_stale": "hold", "stale_after": "3 s"}
    tape = Tape(car(lamp=load), 3000).requests(60, 1500, on=True)
    tape.input("speed", (1000, 60.0), (2000, 40.0)).output("lamp", (70, 1), (1050, 0))
    assert tape.broken() == []


@pytest.mark.parametrize("load", [{"rejoin": "1 s"}, LOAD | {"rejoin": "1 s"}])
def test_a_never_rule_makes_no_other_rule_weaker(load):
    """Asked for at 1310 ms, behind the condition."""
    tape = Tape(car(lamp=load), 3000).input("speed", (500, 60.0), (1000, 40.0))
    tape.requests(60, 1310, on=False).requests(1310, 3000, on=True)
    broken(tape.output("lamp", (1390, 1)).verdict("fresh"), 60, 1330)


def own(*levels, to_ms=2000):
    """The pedal, wired to the load's own node, is down from 1000 ms on; asked on all the time."""
    load = {"never": [{"state": "on", "when": "pedal == down", "within": "100 ms"}]}
    tape = Tape(car(lamp=load), 3000).requests(60, 3000, on=True)
    tape.input("pedal", (1000, "down"), (to_ms, "up"))
    return tape.output("lamp", (70, 1), *levels)


def test_a_node_that_sees_the_condition_itself_gives_the_state_back_within_its_latency():
    """2000 + 20 ms."""
    assert own((1050, 0), (2000, 1)).broken() == []
    edge(lambda late: own((1050, 0), (2020 + late, 1)), "fresh", deadline_ms=2020)
    assert ("lamp", "never") in own((1050, 0), (2000 - NS, 1)).broken("lamp")


def test_the_state_is_given_back_once():
    tape = own((1050, 0), (2005, 1), (2010, 0), (2012, 1))
    assert stretches(tape) == [(2010 * MS, 2012 * MS)]


def test_a_condition_that_is_soon_over_may_be_slept_through():
    """Down from 1000 to 1050 ms: on all the time, or off up to 1070 ms."""
    assert own(to_ms=1050).broken() == []
    assert own((1040, 0), (1070, 1), to_ms=1050).broken() == []
    broken(own((1040, 0), (1070 + NS, 1), to_ms=1050).verdict("fresh"), NS, 1070)


def test_a_load_that_goes_off_before_the_condition_begins_does_so_without_cause():
    tape = own((999, 0), (2010, 1))
    broken(tape.verdict("fresh"), 1, 999)


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


def dipped(when, *, lamp=(), other=(), running=None, **more):
    """The lamp is asked for all the time; the load ``other`` beside it is on and off as is said,
    the engine too, by what the rear node sends itself.
    """
    rule = {"state": "on", "when": when, "within": "100 ms"}
    free = {"request": None, "stale_after": None, "on_stale": None, "on_reset": None}
    cars = car(lamp={"never": [rule]}, other={**free, "safety": False, **more})
    tape = Tape(cars).requests(60, 3000, on=True)
    if running is not None:
        tape.hand("Engine", *running)
    return tape.output("lamp", *lamp).output("other", *other)


def test_a_load_may_not_be_on_without_another():
    """The other goes off at 1000 ms: the lamp has 100 ms to follow it."""
    edge(
        lambda late: dipped(
            "other is off", lamp=[(70, 1), (1100 + late, 0)], other=[(70, 1), (1000, 0)]
        ),
        "never",
        deadline_ms=1100,
    )


def test_a_load_that_comes_on_before_another_breaks_the_interlock_at_once():
    tape = dipped("other is not on", lamp=[(70, 1)], other=[(75, 1)])
    broken(tape.verdict("never"), 5, 70)
    assert dipped("other is not on", lamp=[(75, 1)], other=[(75, 1)]).broken("lamp") == []


def test_a_load_that_flashes_is_neither_on_nor_off():
    """It flashes from 500 to 2000 ms: dark for 330 ms at a time."""
    flash = {"flash": {}}
    for when, wrong_ms in (("other is flash", 500), ("other is not off", 500)):
        tape = dipped(when, lamp=[(70, 1)], **flash).flashing("other", 500, 2000)
        broken(tape.verdict("never"), at_ms=wrong_ms + 100)
    tape = dipped("other is on", lamp=[(70, 1)], **flash).flashing("other", 500, 2000)
    untested(tape.verdict("never"))


def test_a_signal_counts_as_the_load_s_own_node_sent_it_last():
    """The rear node tells itself that the engine runs from 1000 to 2000 ms."""
    engine = [(100, 0), (1000, 1), (2000, 0)]
    edge(
        lambda late: dipped(
            "Engine.Running", lamp=[(70, 1), (1100 + late, 0), (2100, 1)], running=engine
        ),
        "never",
        deadline_ms=1100,
    )


def test_a_signal_counts_as_it_was_received_and_not_before():
    """Plain says 0 all the time; it comes first at 775 ms, and again 225 ms after a reset."""
    rule = {"state": "on", "when": "Plain.Lamp == 0", "within": "100 ms"}

    def tape(late):
        made = Tape(car(lamp={"never": [rule]})).requests(60, 3000, on=True)
        made.plain(775, 3000, on=False)
        return made.output("lamp", (70, 1), (875 + late, 0))

    edge(tape, "never", deadline_ms=875)
    unheard = Tape(car(lamp={"never": [rule]})).requests(60, 3000, on=True)
    untested(unheard.plain(775, 3000, on=True).output("lamp", (70, 1)).verdict("never"))
