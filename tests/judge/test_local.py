"""*local*: an input of the load's own node decides alone (``follows``) or beside the link."""

from __future__ import annotations

from itertools import pairwise

import pytest
from judge_lab import MS, NS, Tape, broken, car, edge, kept, untested

FOLLOWS = {
    "request": None, "stale_after": None, "on_stale": None, "on_reset": None,
    "local": "pedal == down", "hardware_default": "local",
}  # fmt: skip
OR = {"local": "pedal == down", "local_use": "or"}


def pressed(load, *levels, end_ms=2000, from_ms=1000, to_ms=1500):
    """The pedal is down from 1000 to 1500 ms; latency 20 ms."""
    tape = Tape(car(lamp=load), end_ms).input("pedal", (from_ms, "down"), (to_ms, "up"))
    return tape.output("lamp", *levels)


def test_follows_is_due_after_the_latency():
    edge(lambda late: pressed(FOLLOWS, (1020 + late, 1), (1505, 0)), "local", deadline_ms=1020)
    edge(lambda late: pressed(FOLLOWS, (1001, 1), (1520 + late, 0)), "local", deadline_ms=1520)


def test_follows_asks_no_link():
    """The bus is dead all the time."""
    tape = pressed(FOLLOWS, (1015, 1), (1515, 0)).fault("cut", 0, None).status("rear")
    kept(tape.verdict("local"), 5)


def test_follows_without_a_change_was_not_tested():
    tape = Tape(car(lamp=FOLLOWS), 2000)
    untested(tape.verdict("local"))


def test_a_change_whose_deadline_is_the_end_was_not_tested():
    untested(pressed(FOLLOWS, (1010, 1), end_ms=1020, to_ms=1500).verdict("local"))


def test_a_load_that_shows_the_opposite_is_broken():
    broken(pressed(FOLLOWS).verdict("local"), 480, 1020)


def test_a_tap_shorter_than_the_latency_may_be_missed_or_seen():
    """Down from 1000 to 1010 ms: on is allowed to 1030 ms, and off all the time."""
    assert pressed(FOLLOWS, to_ms=1010).broken() == []
    assert pressed(FOLLOWS, (1010, 1), (1030, 0), to_ms=1010).broken() == []
    broken(pressed(FOLLOWS, (1010, 1), (1030 + NS, 0), to_ms=1010).verdict("local"), NS, 1030)


def test_a_load_that_follows_its_input_alone_obeys_no_message():
    """A request beside it asks on all the time: nothing comes of it."""
    load = {"local": "pedal == down", "local_use": "follows"}
    tape = pressed(load, (1010, 1), (1510, 0)).requests(60, 2000, on=True)
    assert tape.broken() == []
    broken(pressed(load, (70, 1)).requests(60, 2000, on=True).verdict("local"))


def either(*levels, asked=(), end_ms=2000):
    """Nobody asks but the pedal, down from 1000 to 1500 ms, and what ``asked`` adds as (ms, ms)."""
    tape = pressed(OR, *levels, end_ms=end_ms)
    edges = [60, *(at for span in asked for at in span), end_ms]
    for index, (from_ms, to_ms) in enumerate(pairwise(edges)):
        tape.requests(from_ms, to_ms, on=index % 2 == 1)
    return tape


def test_or_lights_for_the_input_alone():
    edge(lambda late: either((1020 + late, 1), (1510, 0)), "local", deadline_ms=1020)
    edge(lambda late: either((1010, 1), (1520 + late, 0)), "local", deadline_ms=1520)


def test_or_lights_for_the_request_alone():
    """Asked on from 610 ms to 810 ms."""
    levels = ((820, 0), (1010, 1), (1510, 0))
    edge(
        lambda late: either((630 + late, 1), *levels, asked=[(610, 810)]),
        "fresh",
        deadline_ms=630,
    )


def test_an_input_beside_a_request_that_asks_anyway_tests_nothing():
    """Asked on from 810 ms to the end: a node that never looks at the pedal shows the same."""
    tape = either((820, 1), asked=[(810, 2000)])
    untested(tape.verdict("local"))
    assert tape.broken() == []


def test_a_request_beside_an_input_that_asks_anyway_tests_nothing():
    """Asked on from 1110 to 1310 ms, with the pedal down from 1000 ms to the end."""
    tape = Tape(car(lamp=OR), 2000).input("pedal", (1000, "down")).output("lamp", (1010, 1))
    tape.requests(60, 1110, on=False).requests(1110, 1310, on=True).requests(1310, 2000, on=False)
    untested(tape.verdict("fresh"))
    kept(tape.verdict("local"), 10)


def test_a_request_that_comes_and_goes_while_the_input_asks_tests_nothing():
    """Asked on from 1110 to 1310 ms, pedal down from 1000 to 1500 ms: dark by 1520 ms, for the
    sake of the pedal.
    """
    tape = either((1010, 1), (1510, 0), asked=[(1110, 1310)])
    untested(tape.verdict("fresh"))
    kept(tape.verdict("local"), 10)


def test_two_sources_may_be_followed_at_one_instant_or_one_by_one():
    """The pedal goes up at 1500 ms, and the request begins at 1510 ms: on all the time, or dark
    from 1500 up to 1530 ms.
    """
    for levels in ([], [(1500, 0), (1530, 1)], [(1510, 0), (1511, 1)], [(1520, 0), (1525, 1)]):
        tape = either((1010, 1), *levels, asked=[(1510, 1990)])
        assert tape.broken() == [], levels
    late = either((1010, 1), (1510, 0), (1530 + NS, 1), asked=[(1510, 1990)])
    broken(late.verdict("fresh"), NS, 1530)
    twice = either((1010, 1), (1505, 0), (1511, 1), (1515, 0), (1519, 1), asked=[(1510, 1990)])
    broken(twice.verdict("fresh"), 4, 1515)


def test_fail_safe_beside_an_input_that_asks_anyway_tests_nothing():
    """Held on through a lost link, with the pedal down all the time."""
    load = OR | {"on_stale": "hold"}
    tape = Tape(car(lamp=load), 2000).input("pedal", (0, "down")).requests(60, 461, on=True)
    tape.fault("cut", 465, None).output("lamp", (0, 1))
    untested(tape.verdict("stale"))
    assert tape.broken() == []


def test_or_goes_on_obeying_its_input_when_the_link_is_lost():
    tape = pressed(OR, (1015, 1), (1520, 0)).requests(60, 461, on=False).fault("cut", 465, None)
    kept(tape.verdict("local"), 0)
    tape = pressed(OR).requests(60, 461, on=False).fault("cut", 465, None)
    broken(tape.verdict("local"))


def booting(lit_ms, load=OR):
    """Down at 1000 ms, reset at 990 ms, program at 1040 ms, boot over at 1090 ms."""
    tape = pressed(load, (lit_ms, 1), (1510, 0)).requests(60, 951, on=False)
    return tape.reset("rear", 990).requests(1060, 2000, on=False).fault("reset", 990, 990, "node")


def test_a_local_input_need_not_be_obeyed_while_booting():
    for lit_ms in (1040, 1050, 1110):
        assert booting(lit_ms).broken() == []
    broken(booting(1110 + NS).verdict("local"), NS, 1110)


def test_a_local_input_has_its_debounce_and_its_latency():
    """Down at 1000 ms, up at 1500 ms: 50 ms more for either."""
    load = OR | {"debounce": "50 ms"}
    edge(lambda late: pressed(load, (1070 + late, 1), (1510, 0)), "local", deadline_ms=1070)
    edge(lambda late: pressed(load, (1010, 1), (1570 + late, 0)), "local", deadline_ms=1570)


def by_hardware(*driven):
    """Down from 1000 to 1500 ms, reset at 990 ms: the hardware follows the pedal until the program
    drives the output, from 1040 ms on.
    """
    tape = pressed(FOLLOWS, (1000, 1), (1505, 0))
    tape.reset("rear", 990).fault("reset", 990, 990, "node")
    return tape.command("lamp", (0, None), (50, 0.0), (990, None), *driven, (1505, 0.0))


def test_a_program_may_take_over_from_hardware_that_follows_the_input():
    assert by_hardware((1040, 1.0)).broken() == []
    chattering = by_hardware((1040, 1.0), (1060, 0.0), (1070, 1.0), (1080, 0.0), (1090, 1.0))
    assert [rule for _, rule in chattering.broken("lamp")] != []


def test_a_program_that_takes_over_has_its_own_time_to_follow_the_input():
    """It sets its pin to off at 1040 ms, reads the pedal, and lights the lamp by 1110 ms."""
    assert by_hardware((1040, 0.0), (1050, 1.0)).broken() == []
    assert by_hardware((1040, 0.0), (1110, 1.0)).broken() == []
    broken(by_hardware((1040, 0.0), (1110 + NS, 1.0)).verdict("local"), NS, 1110)


FLASHING = OR | {"flash": {}}


@pytest.mark.parametrize("dark_ms", [4501, 4900, 5520])
def test_a_local_input_that_ends_a_flash_lets_it_finish_its_cycle(dark_ms):
    """Up at 4500 ms: dark at 4500 + 20 + one cycle of 1000 ms = 5520 ms at the latest."""
    tape = pressed(FLASHING, end_ms=7000, to_ms=4500).requests(60, 461, on=False)
    tape.fault("cut", 465, None).flashing("lamp", 1000, 4300)
    tape.output("lamp", (4300, 1), (dark_ms, 0))
    assert [rule for _, rule in tape.broken()] == []


def test_a_flash_that_outlasts_its_last_cycle_is_broken():
    tape = pressed(FLASHING, end_ms=7000, to_ms=4500).requests(60, 461, on=False)
    tape.fault("cut", 465, None).flashing("lamp", 1000, 4300)
    tape.output("lamp", (4300, 1), (5520 + NS, 0))
    broken(tape.verdict("local"), NS, 5520)


def held_through_a_reset(*levels):
    """The pedal is down all the time; the hardware lets go at the reset at 990 ms, boot over at
    1090 ms.
    """
    load = FOLLOWS | {"hardware_default": "off"}
    tape = pressed(load, (60, 1), (990, 0), *levels, from_ms=0, to_ms=1900)
    return tape.reset("rear", 990).fault("reset", 990, 990, "node").output("lamp", (1905, 0))


def test_a_load_with_a_local_input_alone_has_its_latency_behind_the_boot():
    """Lit again by 1090 + 20 ms, and no later."""
    assert held_through_a_reset((1110, 1)).broken() == []
    late = held_through_a_reset((1110 + NS, 1))
    broken_rules = [v for v in late.judged() if (v.subject, v.rule) in late.broken()]
    assert [(v.subject, v.at_ns, v.wrong_for_ns) for v in broken_rules] == [("lamp", 1110 * MS, 1)]
    assert held_through_a_reset().broken() != []


def test_behind_the_boot_a_load_without_its_input_may_not_be_lit():
    tape = pressed(FOLLOWS | {"hardware_default": "off"}, (1095, 1), (1100, 0), from_ms=1700)
    tape.reset("rear", 990).fault("reset", 990, 990, "node")
    assert [rule for _, rule in tape.broken("lamp")] != []
