"""What a failing supply excuses, and how soon a load must be back: *back*, *reset* and *dark*.

The rear node works from 7 V to 16 V. Its supply fails at 1000 ms.
"""

from __future__ import annotations

import pytest
from judge_lab import MS, NS, Tape, broken, car, edge, kept, untested

from bench.judge.case import Case

SUPPLY = {"rear": {"supply": {"range": [7.0, 16.0], "brown_out": 6.0}}}
LIT = {"on_reset": "on", "on_stale": "on"}


def lost(load, *levels, back_ms=1400, end_ms=3000, on=True):
    """The rear node is off from 1000 ms until ``back_ms``; it is asked again at 2400 ms."""
    tape = Tape(car(nodes=SUPPLY, lamp=load), end_ms).requests(60, 1000, on=on)
    tape.requests(2400, end_ms, on=on).unsupplied("rear", 1000, back_ms)
    tape.fault("cut", 1000, None, "cable")
    return tape.output("lamp", *([(70, 1)] if on else []), *levels)


def dipped(load, *levels, low=5.0, until_ms=1200, end_ms=3000, off_ms=None):
    """The voltage is low from 1000 ms on; the node goes on, and is asked for the lamp until
    ``off_ms``.
    """
    tape = Tape(car(nodes=SUPPLY, lamp=load), end_ms).volts(
        "rear", (0, 12), (1000, low), (until_ms, 12)
    )
    tape.requests(60, off_ms or end_ms, on=True)
    if off_ms is not None:
        tape.requests(off_ms, end_ms, on=False)
    return tape.output("lamp", (70, 1), *levels)


# ---- a node without supply ----


def test_a_load_of_a_node_without_supply_need_not_work():
    assert lost(LIT, (1000, 0), (1450, 1)).broken() == []


def test_the_boot_counts_from_when_the_supply_is_back():
    """Back at 1400 ms, declared boot 100 ms."""
    edge(lambda late: lost(LIT, (1000, 0), (1500 + late, 1)), "reset", deadline_ms=1500)


def test_nothing_switches_on_by_itself_while_the_supply_is_away_or_comes_back():
    """Off before, off by hardware, off on reset: no pulse, be it of 1 ns."""
    for at_ms in (1100, 1400, 1499):
        tape = lost({}, (at_ms, 1), (at_ms + NS, 0), on=False)
        broken(tape.verdict("reset"), NS, at_ms)


def test_a_loss_of_supply_is_a_lawful_reset_and_a_restart_by_the_program_is_not():
    assert lost(LIT, (1000, 0), (1450, 1)).broken() == []
    tape = Tape(car(nodes=SUPPLY), 2000).requests(60, 2000, on=False)
    assert ("rear", "program") in tape.reset("rear", 1000, "program").broken()


def test_a_supply_that_never_comes_back_excuses_to_the_end():
    assert lost(LIT, (1000, 0), back_ms=None).broken("lamp") == []


def test_darkness_counts_from_when_the_supply_is_back():
    """150 ms allowed: from 1400 ms to 1550 ms."""
    load = {**LIT, "dark_limit": "150 ms"}
    edge(lambda late: lost(load, (1000, 0), (1550 + late, 1)), "dark", deadline_ms=1550)


def test_a_supply_that_fails_again_before_the_boot_excuses_up_to_its_return_only():
    """Off at 1000 ms, off once more at 1200 ms, back at 1400 ms, booted at 1500 ms."""
    tape = Tape(car(nodes=SUPPLY), 3000).requests(60, 1000, on=True).requests(1460, 3000, on=True)
    tape.unsupplied("rear", 1000, None).unsupplied("rear", 1200, 1400)
    tape.output("lamp", (70, 1), (1000, 0), (1520, 1), (2500, 0), (2510, 1))
    broken(tape.verdict("fresh"), 10, 2500)
    assert Case(tape.vehicle, tape.recording).lean("rear") == [(1000 * MS, 1400 * MS)]


def test_darkness_does_not_count_while_the_voltage_is_still_too_low():
    """The node is back at 1400 ms at 6.5 V, in range from 1800 ms on: due at 1950 ms."""
    load = {**LIT, "dark_limit": "150 ms"}

    def starting(late):
        tape = lost(load, (1000, 0), (1950 + late, 1))
        return tape.volts("rear", (0, 12), (1000, 3), (1400, 6.5), (1800, 12))

    edge(starting, "dark", deadline_ms=1950)


# ---- a voltage out of range ----


def test_a_load_may_be_off_until_one_latency_behind_a_low_voltage():
    """Low until 1200 ms, latency 20 ms."""
    assert dipped({}, (1000, 0), (1220, 1)).broken() == []
    tape = dipped({}, (1000, 0), (1220 + NS, 1))
    assert [subject for subject, _ in tape.broken()] == ["lamp"]


@pytest.mark.parametrize("low", [7.0, 16.0])
def test_a_voltage_on_the_limit_is_in_range(low):
    assert dipped({}, (1000, 0), (1100, 1), low=low).broken() == [("lamp", "fresh")]


@pytest.mark.parametrize("low", [6.999, 16.001])
def test_a_voltage_below_or_above_the_range_is_not(low):
    assert dipped({}, (1000, 0), (1100, 1), low=low).broken() == []


def test_a_low_voltage_excuses_no_load_that_is_on_unasked():
    tape = Tape(car(nodes=SUPPLY), 2000).volts("rear", (0, 12), (1000, 5), (1500, 12))
    tape.requests(60, 2000, on=False).output("lamp", (1200, 1), (1201, 0))
    broken(tape.verdict("fresh"), 1, 1200)


def test_a_low_voltage_is_no_quiet_time():
    """Rejoining counts from when the voltage is back, as it counts from the end of a fault."""
    tape = dipped({})
    tape.judged()
    quiet = Case(tape.vehicle, tape.recording).quiet
    assert quiet == [(100 * MS, 1000 * MS), (1200 * MS, 3000 * MS)]


def test_an_ideal_supply_excuses_nothing():
    tape = Tape(car(), 2000).requests(60, 2000, on=True)
    assert tape.output("lamp", (70, 1), (1000, 0), (1100, 1)).broken() == [("lamp", "fresh")]


# ---- back ----

SOON = {"back_within": "300 ms"}


def test_a_load_is_back_within_its_time():
    """Low until 1200 ms: due at 1500 ms."""
    edge(lambda late: dipped(SOON, (1000, 0), (1500 + late, 1)), "back", deadline_ms=1500)


def test_a_load_of_a_node_that_was_off_is_back_within_its_time():
    """Supply back at 1400 ms: due at 1700 ms."""
    load = {**LIT, **SOON}
    edge(lambda late: lost(load, (1000, 0), (1700 + late, 1)), "back", deadline_ms=1700)


def test_a_load_that_never_comes_back_is_broken_to_the_end():
    broken(dipped(SOON, (1000, 0)).verdict("back"), 1500, 1500)


def test_a_load_that_comes_and_goes_is_back_when_it_stays():
    """On at 1300 ms, off again from 1400 ms to 1450 ms."""
    kept(dipped(SOON, (1000, 0), (1300, 1), (1400, 0), (1450, 1)).verdict("back"), 50)


def test_a_load_that_stayed_on_had_nothing_to_come_back_from():
    untested(dipped(SOON).verdict("back"))


def test_a_load_that_was_off_before_need_not_come_back():
    tape = Tape(car(nodes=SUPPLY, lamp=SOON), 3000).volts("rear", (0, 12), (1000, 5), (1200, 12))
    untested(tape.requests(60, 3000, on=False).verdict("back"))


def test_a_load_that_is_asked_to_be_off_meanwhile_need_not_come_back():
    untested(dipped(SOON, (1000, 0), off_ms=1450).verdict("back"))


def test_a_load_that_must_be_off_until_it_is_asked_for_is_not_missed():
    """Off on reset, and no message before 2400 ms."""
    tape = lost(SOON, (1000, 0), (2410, 1))
    untested(tape.verdict("back"))
    assert tape.broken("lamp") == []


def test_a_load_that_is_asked_for_again_in_time_is_missed():
    """Off on reset, and asked for from 1500 ms on: due at 1700 ms."""
    tape = lost(SOON, (1000, 0), (2410, 1)).requests(1500, 2400, on=True)
    broken(tape.verdict("back"), 710, 1700)


@pytest.mark.parametrize("kind", ["reset", "hang"])
def test_a_node_that_a_fault_keeps_from_it_need_not_bring_its_load_back(kind):
    """Low until 1200 ms, due at 1500 ms; reset at 1450 ms, or stopped from 1100 to 1600 ms."""
    nodes = {"rear": {**SUPPLY["rear"], "watchdog": "600 ms"}}
    tape = Tape(car(nodes=nodes, lamp=SOON), 3000).requests(60, 3000, on=True)
    tape.volts("rear", (0, 12), (1000, 5), (1200, 12)).output("lamp", (70, 1), (1050, 0), (1620, 1))
    if kind == "reset":
        tape.fault("reset", 1450, 1450, "node").reset("rear", 1450)
    else:
        tape.fault("hang", 1100, 1600, "node").node("rear", (1100, "hung", "fault"))
        tape.node("rear", (1600, "running", "fault"))
    untested(tape.verdict("back"))


def test_a_supply_that_fails_again_soon_begins_the_waiting_anew():
    """Low until 1200 ms and from 1400 ms to 1600 ms: due at 1900 ms."""

    def twice(late):
        tape = dipped(SOON, (1000, 0), (1900 + late, 1))
        return tape.volts("rear", (1400, 5), (1600, 12))

    edge(twice, "back", deadline_ms=1900)


def test_a_deadline_behind_the_end_tests_nothing():
    untested(dipped(SOON, (1000, 0), (1250, 1), end_ms=1500).verdict("back"))


# ---- a relay ----

RELAY = {
    "electrical": {
        "kind": "heater",
        "amps": 5.0,
        "relay": {"closes_in": "8 ms", "opens_in": "4 ms"},
    }
}


def restarted(load, *levels, on=True):
    """The rear node, on an ideal supply, restarts at 1000 ms; declared boot 100 ms."""
    tape = Tape(car(lamp={**RELAY, **load}), 3000).requests(60, 1000, on=on)
    tape.requests(2400, 3000, on=on).reset("rear", 1000).fault("cut", 1000, None, "cable")
    return tape.output("lamp", *([(70, 1)] if on else []), *levels)


def test_a_relay_has_its_time_to_follow_behind_the_boot():
    """On at 1108 ms at the latest, for the contact takes 8 ms."""
    edge(lambda late: restarted(LIT, (1000, 0), (1108 + late, 1)), "reset", deadline_ms=1108)


def test_behind_the_boot_a_relay_may_do_only_what_was_allowed_in_it():
    """Off before, off by hardware, off on reset: no pulse while the contact would move."""
    broken(restarted({}, (1101, 1), (1107, 0), on=False).verdict("reset"), 6, 1101)


def test_behind_the_power_up_a_relay_may_not_pulse_either():
    tape = Tape(car(lamp=RELAY), 2000).requests(60, 2000, on=False)
    tape.output("lamp", (101, 1), (107, 0))
    assert tape.broken() == [("lamp", "reset")]


def test_a_load_that_was_on_does_not_come_on_by_itself_when_the_supply_is_back():
    """Off by hardware and on reset; back at 1400 ms, no message yet."""
    broken(lost({}, (1000, 0), (1405, 1), (1420, 0)).verdict("reset"), 15, 1405)
    assert lost({}, (1000, 0), end_ms=2300).broken() == []


def test_a_contact_opens_in_its_time_where_the_supply_is_away_for_less():
    """Away from 1000 ms to 1002 ms."""
    assert lost(RELAY, (1004, 0), back_ms=1002, end_ms=2300).broken() == []


def test_a_relay_that_was_to_move_when_its_program_stopped_still_does():
    """Asked for and driven just before the hang at 1000 ms; stale at 1260 ms, reset at 1550 ms."""
    nodes = {"rear": {**SUPPLY["rear"], "watchdog": "600 ms"}}
    for closed_ms, rules in ((1003, []), (1020, [("lamp", "fresh")])):
        tape = Tape(car(nodes=nodes, lamp=RELAY), 1600).requests(60, 970, on=False)
        tape.request(990, on=True).driven("lamp", (0, 0), (995, 1), (1550, 0))
        tape.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
        tape.fault("cut", 1000, None, "cable").reset("rear", 1550, "watchdog")
        tape.output("lamp", (closed_ms, 1), (1554, 0))
        assert tape.broken("lamp") == rules


def test_a_relay_that_was_to_move_as_a_condition_began_to_hold_has_the_time_to_leave():
    """Driven at 995 ms, or only at 1001 ms; the speed is above 50 from 1000 ms on."""
    never = {"never": [{"state": "on", "when": "speed > 50", "within": "100 ms"}]}
    for driven_ms, wrong in ((995, False), (1001, True)):
        tape = Tape(car(nodes=SUPPLY, lamp={**RELAY, **never}), 3000)
        tape.requests(60, 970, on=False).requests(990, 3000, on=True).input("speed", (1000, 60.0))
        tape.driven("lamp", (0, 0), (driven_ms, 1), (1050, 0))
        tape.output("lamp", (1003, 1), (1054, 0))
        assert (("lamp", "never") in tape.broken()) is wrong
