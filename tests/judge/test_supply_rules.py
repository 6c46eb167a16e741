"""What a failing supply excuses, and how soon a load must be back: *back*, *reset* and *dark*.

The rear node works from 7 V to 16 V. Its supply fails at 1000 ms. What a load does while no
program drives it is the hardware's.
"""

from __future__ import annotations

import pytest
from judge_lab import MS, NS, Tape, broken, car, edge, kept, stretches, untested

from linkloss.judge.case import Case
from linkloss.recording import FuseOpened

FED = {"electrical": {"kind": "heater", "amps": 5.0}}
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
    """Back at 1400 ms, declared boot 100 ms, latency 20 ms."""
    edge(lambda late: lost(LIT, (1000, 0), (1520 + late, 1)), "reset", deadline_ms=1520)


@pytest.mark.parametrize("at_ms", [1450, 1499, 1519, 1600])
def test_nothing_switches_on_by_itself_when_the_supply_is_back(at_ms):
    """The program begins at 1450 ms. Off before and off on reset: no pulse, be it of 1 ns."""
    tape = lost({}, (at_ms, 1), (at_ms + NS, 0), on=False)
    broken(tape.verdict("reset"), NS, at_ms)
    assert tape.broken("lamp") == [("lamp", "reset")]


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
    assert stretches(tape) == [(2500 * MS, 2510 * MS)]
    assert Case(tape.vehicle, tape.recording).undersupplied("rear") == [(1000 * MS, 1400 * MS)]


def test_darkness_does_not_count_while_the_voltage_is_still_too_low():
    """The node is back at 1400 ms at 6.5 V, in range from 1800 ms on: due at 1950 ms."""
    load = {**LIT, "dark_limit": "150 ms"}

    def starting(late):
        tape = lost(load, (1000, 0), (1950 + late, 1))
        return tape.volts("rear", (0, 12), (1000, 3), (1400, 6.5), (1800, 12))

    edge(starting, "dark", deadline_ms=1950)


# ---- a voltage out of range ----


DRIVEN = ((0, None), (50, 0.0), (70, 1.0))


def test_what_a_low_voltage_does_to_a_load_is_not_its_nodes_fault():
    """The node drives the lamp all the time; the lamp is dark up to 20 ms behind the dip."""
    assert dipped({}, (1000, 0), (1220, 1)).command("lamp", *DRIVEN).broken() == []


def test_a_load_that_stays_dark_behind_a_low_voltage_is_broken():
    """It may be dark until 1220 ms, one latency behind; driven all the time, it is dark to the end,
    or for a nanosecond longer.
    """
    tape = dipped(FED, (1000, 0)).command("lamp", *DRIVEN)
    assert tape.broken("lamp") == [("lamp", "fed")]
    broken(tape.verdict("fed"), 3000 - 1220, 1220)
    kept(dipped(FED, (1000, 0), (1220, 1)).command("lamp", *DRIVEN).verdict("fed"))
    tape = dipped(FED, (1000, 0), (1220 + NS, 1)).command("lamp", *DRIVEN)
    broken(tape.verdict("fed"), NS, 1220)


def test_a_node_that_lets_go_of_a_load_in_a_low_voltage_does_so_without_cause():
    tape = dipped({}, (1000, 0), (1100, 1))
    assert stretches(tape) == [(1000 * MS, 1100 * MS)]


@pytest.mark.parametrize("low", [6.999, 16.001])
def test_what_is_asked_in_a_voltage_out_of_range_is_due_a_latency_behind_it(low):
    """Asked off at 1110 ms; low or high until 1200 ms: dark by 1220 ms."""
    assert dipped({}, (1110, 0), low=low, off_ms=1110).broken() == []
    edge(lambda late: dipped({}, (1220 + late, 0), low=low, off_ms=1110), "fresh", deadline_ms=1220)


@pytest.mark.parametrize("low", [7.0, 16.0])
def test_a_voltage_on_the_limit_is_in_range(low):
    """Dark by 1130 ms."""
    edge(lambda late: dipped({}, (1130 + late, 0), low=low, off_ms=1110), "fresh", deadline_ms=1130)


def test_what_was_asked_just_before_a_low_voltage_stays_open_too():
    """Asked off at 990 ms, due at 1010 ms."""
    edge(lambda late: dipped({}, (1220 + late, 0), off_ms=990), "fresh", deadline_ms=1220)
    edge(lambda late: dipped({}, (999 + late, 0), off_ms=979), "fresh", deadline_ms=999)


def test_in_a_low_voltage_too_one_request_accounts_for_one_change():
    tape = dipped({}, (1120, 0), (1130, 1), (1140, 0), off_ms=1110)
    broken(tape.verdict("fresh"), 10, 1130)


def test_a_low_voltage_excuses_no_load_that_is_on_unasked():
    tape = Tape(car(nodes=SUPPLY), 2000).volts("rear", (0, 12), (1000, 5), (1500, 12))
    tape.requests(60, 310, on=True).requests(310, 2000, on=False)
    tape.output("lamp", (110, 1), (320, 0), (1200, 1), (1201, 0))
    broken(tape.verdict("fresh"), 1, 1200)


def test_a_low_voltage_is_no_quiet_time():
    """Rejoining counts from when the voltage is back, as it counts from the end of a fault."""
    tape = dipped({})
    tape.judged()
    quiet = Case(tape.vehicle, tape.recording).quiet("rear")
    assert quiet == [(100 * MS, 1000 * MS), (1200 * MS, 3000 * MS)]


def test_an_ideal_supply_excuses_nothing():
    tape = Tape(car(), 2000).requests(60, 310, on=False).requests(310, 2000, on=True)
    tape.output("lamp", (320, 1), (1000, 0), (1100, 1))
    assert tape.broken() == [("lamp", "fresh")]


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


def test_behind_the_boot_it_counts_when_the_node_drives_the_relay():
    """Driven at 1120 ms at the latest; the contact takes 8 ms more."""

    def tape(late):
        made = restarted(LIT, (1004, 0), (1128 + late, 1))
        return made.command("lamp", *DRIVEN, (1000, None), (1050, 0.0), (1120 + late, 1.0))

    edge(tape, "reset", deadline_ms=1120)


def test_a_contact_that_takes_longer_than_it_may_is_broken():
    """Driven from 70 ms on: closed by 78 ms, and open 4 ms behind 900 ms, 8 ms at most."""

    def moving(late):
        tape = Tape(car(nodes=SUPPLY, lamp=RELAY), 2000).requests(60, 895, on=True)
        tape.requests(895, 2000, on=False).command("lamp", *DRIVEN, (900, 0.0))
        return tape.output("lamp", (78, 1), (908 + late, 0))

    assert moving(0).broken() == []
    assert moving(NS).broken() == [("lamp", "fed")]
    tape = Tape(car(nodes=SUPPLY, lamp=RELAY), 2000).requests(60, 2000, on=True)
    tape.command("lamp", *DRIVEN).output("lamp", (78 + NS, 1))
    broken(tape.verdict("fed"), NS, 78)
    assert tape.broken("lamp") == [("lamp", "fed")]


def test_a_contact_that_opens_by_itself_is_the_hardwares_doing():
    """Not steady: the node has gone on driving it."""
    tape = Tape(car(nodes=SUPPLY, lamp=RELAY), 2000).requests(60, 2000, on=True)
    tape.command("lamp", *DRIVEN).output("lamp", (78, 1), (1000, 0), (1001, 1))
    assert tape.broken() == [("lamp", "fed")]


SOFT = {"electrical": {**FED["electrical"], "soft_start": "40 ms"}}


def test_a_soft_start_has_its_time_and_no_longer():
    """Driven from 70 ms on: in full from 110 ms on."""
    for late, wrong in ((0, []), (NS, [("lamp", "fed")])):
        tape = Tape(car(nodes=SUPPLY, lamp=SOFT), 2000).requests(60, 2000, on=True)
        tape.command("lamp", *DRIVEN).output("lamp", (70, 0.2), (90, 0.6), (110 + late, 1))
        assert tape.broken() == wrong


def test_a_soft_start_begins_anew_when_the_supply_is_back():
    """Lit by hardware from when the supply is back at 1400 ms on: in full from 1440 ms on."""
    load = {**LIT, **SOFT, "hardware_default": "on"}
    for late, wrong in ((0, []), (NS, [("lamp", "fed")])):
        tape = Tape(car(nodes=SUPPLY, lamp=load), 3000).unsupplied("rear", 1000, 1400)
        tape.requests(60, 3000, on=True).fault("brown_out", 1000, 1400, "node")
        tape.command("lamp", (0, None), (50, 1.0), (1000, None), (1450, 1.0))
        tape.output("lamp", (0, 0.2), (40, 1), (1000, 0), (1400, 0.2), (1440 + late, 1))
        assert tape.broken("lamp") == wrong


def test_a_load_that_stays_dim_though_it_is_switched_on_in_full_is_broken():
    tape = Tape(car(nodes=SUPPLY, lamp=FED), 2000).requests(60, 2000, on=True)
    tape.command("lamp", *DRIVEN).output("lamp", (70, 1), (500, 0.89))
    broken(tape.verdict("fed"), 1500, 500)
    tape = Tape(car(nodes=SUPPLY, lamp=FED), 2000).requests(60, 2000, on=True)
    kept(tape.command("lamp", *DRIVEN).output("lamp", (70, 1), (500, 0.9)).verdict("fed"))


def test_a_reset_of_its_node_excuses_no_difference():
    """Off by hardware from 1000 ms on, and still lit at 1010 ms: something else feeds it."""
    tape = Tape(car(nodes=SUPPLY, lamp=FED), 3000).requests(60, 3000, on=True)
    tape.reset("rear", 1000).fault("reset", 1000, 1000, "node")
    tape.command("lamp", *DRIVEN, (1000, None), (1050, 0.0), (1070, 1.0))
    broken(tape.output("lamp", (70, 1), (1010, 0), (1070, 1)).verdict("fed"), 10, 1000)


def opened(by, *, until_ms=None):
    """A fuse has opened at 1000 ms, with a surge from 950 ms on."""
    tape = Tape(car(nodes=SUPPLY, lamp=FED), 3000).requests(60, 3000, on=True)
    tape.fault("alternator_surge", 950, until_ms, "node").command("lamp", *DRIVEN)
    tape.recording.fuses.append(FuseOpened(1000 * MS, "lamp", ("lamp",), (), by))
    return tape.output("lamp", (70, 1), (1000, 0))


def test_a_fuse_that_a_fault_has_opened_stays_open():
    assert opened("fault", until_ms=1100).broken("lamp") == []
    broken(opened("car", until_ms=1100).verdict("fed"), at_ms=1000)


def test_behind_the_boot_a_relay_may_not_pulse():
    """Off before, off by hardware, off on reset."""
    broken(restarted({}, (1101, 1), (1107, 0), on=False).verdict("reset"), 6, 1101)


def test_behind_the_power_up_a_relay_may_not_pulse_either():
    tape = Tape(car(lamp=RELAY), 2000).requests(110, 2000, on=False)
    tape.output("lamp", (101, 1), (107, 0))
    assert tape.broken() == [("lamp", "reset")]


def test_a_load_that_was_on_does_not_come_on_by_itself_when_the_supply_is_back():
    """Off by hardware and on reset; back at 1400 ms, program at 1450 ms, no message yet."""
    broken(lost({}, (1000, 0), (1455, 1), (1470, 0)).verdict("reset"), 15, 1455)
    assert lost({}, (1000, 0), end_ms=2300).broken() == []


def test_a_relay_that_was_to_move_when_its_program_stopped_still_does():
    """Asked for and driven just before the hang at 1000 ms; stale at 1260 ms, reset at 1550 ms."""
    nodes = {"rear": {**SUPPLY["rear"], "watchdog": "600 ms"}}
    tape = Tape(car(nodes=nodes, lamp=RELAY), 1600).requests(60, 970, on=False)
    tape.request(990, on=True).command("lamp", (0, None), (50, 0.0), (995, 1.0), (1550, None))
    tape.fault("hang", 1000, 1000, "node").node("rear", (1000, "hung", "fault"))
    tape.fault("cut", 1000, None, "cable").reset("rear", 1550, "watchdog")
    tape.output("lamp", (1003, 1), (1554, 0))
    assert tape.broken("lamp") == []


def test_a_relay_that_was_to_move_as_a_condition_began_to_hold_has_the_time_to_leave():
    """The speed is above 50 from 1000 ms on: driven up to 1020 ms, and closed 8 ms later."""
    never = {"never": [{"state": "on", "when": "speed > 50", "within": "100 ms"}]}
    for late, wrong in ((0, False), (NS, True)):
        tape = Tape(car(nodes=SUPPLY, lamp={**RELAY, **never}), 3000)
        tape.requests(60, 970, on=False).requests(990, 3000, on=True).input("speed", (1000, 60.0))
        tape.driven("lamp", (0, 0), (1020 + late, 1), (1050, 0))
        tape.output("lamp", (1028 + late, 1), (1054, 0))
        assert (("lamp", "never") in tape.broken()) is wrong
