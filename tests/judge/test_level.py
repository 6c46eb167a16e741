"""*level*: how much of its power a load gets, as a message says."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested

LOAD = {"request": "Dimmer.Lamp", "level": "Dimmer.Percent"}


def asked(percent, *levels, then=None, end_ms=2000, on=True, load=None):
    """Asked for so much from 310 ms on, off before, and for something else from 1010 ms on."""
    tape = Tape(car(lamp=LOAD | (load or {})), end_ms)
    for at_ms in range(60, end_ms, 50):
        more = percent if then is None or at_ms < 1010 else then
        tape.frame(at_ms, 0x103, [int(on and at_ms >= 310), more if at_ms >= 310 else 0])
    return tape.output("lamp", *levels)


@pytest.mark.parametrize(
    ("percent", "low", "high"),
    [(100, 0.9, 1.0), (40, 0.36, 0.44), (10, 0.08, 0.12), (6, 0.04, 0.08)],
)
def test_a_level_is_right_within_a_tenth_of_it_or_two_points(percent, low, high):
    for level in (low, percent / 100, high):
        assert asked(percent, (320, level)).broken() == [], level
    for level in (low - 0.001, min(high + 0.001, 2.0)):
        if level <= 1:
            broken(asked(percent, (320, level)).verdict("fresh"), 1680, 320)


def test_full_power_is_not_right_where_less_is_asked():
    broken(asked(40, (320, 1.0)).verdict("fresh"), 1680, 320)


@pytest.mark.parametrize("percent", [0, 1, 5])
def test_five_percent_or_less_is_off(percent):
    tape = asked(percent)
    assert tape.broken() == []
    untested(tape.verdict("fresh"))
    broken(asked(percent, (400, 0.5)).verdict("fresh"), 1600, 400)


def test_a_level_counts_only_while_the_load_is_asked_for():
    assert asked(40, on=False).broken() == []


def test_another_level_is_due_after_the_latency():
    """40 % up to 960 ms, 80 % from 1010 ms on: due at 1030 ms."""
    edge(lambda late: asked(40, (320, 0.4), (1030 + late, 0.8), then=80), "fresh", deadline_ms=1030)


def test_a_level_that_comes_too_soon_is_told_by_the_message_to_come():
    broken(asked(40, (320, 0.4), (1009, 0.8), then=80).verdict("fresh"), 1, 1009)


def test_a_level_on_the_way_is_no_level_that_was_asked_for():
    """From 40 to 80 % by way of 60 %."""
    tape = asked(40, (320, 0.4), (1015, 0.6), (1016, 0.8), then=80)
    broken(tape.verdict("fresh"), 1, 1015)


def test_a_level_that_wavers_within_its_limits_is_steady():
    tape = asked(40, (320, 0.4), *((at, 0.37 + at % 5 / 100) for at in range(400, 900, 7)))
    assert tape.broken() == []
    assert "dim at 45 %" in asked(40, (320, 0.4), (600, 0.45)).verdict("fresh").text


def test_a_level_may_be_the_fail_safe_state():
    """30 % when stale: the last message comes at 960 ms, due at 960 + 270 = 1230 ms."""

    def tape(late):
        made = Tape(car(lamp=LOAD | {"on_stale": "30 %"}), 2000)
        for at_ms in range(60, 1000, 50):
            made.frame(at_ms, 0x103, [1, 80])
        made.fault("cut", 970, None)
        return made.output("lamp", (70, 0.8), (1230 + late, 0.3))

    edge(tape, "stale", deadline_ms=1230)


def test_a_level_may_be_the_state_after_a_reset():
    """30 % until asked for 80 % at 310 ms; behind the boot due at 120 ms."""

    def tape(late, level=0.3):
        made = Tape(car(lamp=LOAD | {"on_reset": "30 %"}), 2000)
        for at_ms in range(310, 2000, 50):
            made.frame(at_ms, 0x103, [1, 80])
        return made.output("lamp", (120 + late, level), (320, 0.8))

    edge(tape, "reset", deadline_ms=120)
    broken(tape(0, 0.8).verdict("reset"), 190, 120)


def test_the_margin_of_a_level_is_what_was_left_of_the_latency():
    kept(asked(40, (313, 0.4)).verdict("fresh"), 17)
    kept(asked(40, (330 - NS, 0.4)).verdict("fresh"), NS)


@pytest.mark.parametrize(
    ("levels", "right"),
    [([(1275, 0.8)], True), ([(1210, 0)], True), ([(1275, 0.6)], False), ([], False)],
)
def test_a_latch_that_may_hold_a_load_lets_its_level_go_on(levels, right):
    """Asked for 40 % up to 960 ms, at 1210 ms again, where its receiver may have lost the link or
    not, and for 80 % from 1260 ms on: held off from there on, or 80 % by 1280 ms.
    """
    tape = Tape(car(lamp=LOAD | {"latch": True}), 2000).frame(60, 0x103, [0, 0])
    for at_ms in [*range(110, 1000, 50), *range(1210, 2000, 50)]:
        tape.frame(at_ms, 0x103, [1, 80 if at_ms >= 1260 else 40])
    tape.fault("cut", 965, 1200).output("lamp", (120, 0.4), *levels)
    assert (tape.broken("lamp") == []) is right
