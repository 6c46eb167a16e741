"""*longest_on*: a load is off again once it has been on for so long, until nobody asks for it.
*shortest_off*: once it went off it stays so for a while, whoever asks for it.
"""

from __future__ import annotations

from judge_lab import NS, Tape, broken, car, edge

LIMIT = {"longest_on": "500 ms"}


def asked(*levels):
    """Asked for from 60 ms on, but for 1060 up to 1510 ms."""
    tape = Tape(car(lamp=LIMIT), 1900).requests(60, 1060, on=True).requests(1060, 1510, on=False)
    return tape.requests(1510, 1900, on=True).output("lamp", *levels)


def test_a_load_is_off_by_its_limit_and_a_little_before_at_the_earliest():
    """On from 70 ms on: off from 560 ms on, by 570 ms."""
    edge(lambda late: asked((70, 1), (570 + late, 0), (1520, 1)), "longest_on", deadline_ms=570)
    assert asked((70, 1), (560, 0), (1520, 1)).broken("lamp") == []
    broken(asked((70, 1), (560 - NS, 0), (1520, 1)).verdict("fresh"), at_ms=560 - NS)


def test_it_stays_off_until_nobody_has_asked_for_it():
    assert asked((70, 1), (570, 0), (1000, 1), (1010, 0), (1520, 1)).broken("lamp") != []
    assert asked((70, 1), (570, 0), (1530 + NS, 1)).broken("lamp") == [("lamp", "fresh")]


def forced(*levels):
    """It may not be off up to 1000 ms, and is asked for from 810 ms on only."""
    never = [{"state": "off", "when": "pedal == down", "within": "100 ms"}]
    tape = Tape(car(lamp=LIMIT | {"never": never}), 2000)
    tape.input("pedal", (0, "down"), (1000, "up"))
    return tape.requests(60, 810, on=False).requests(810, 2000, on=True).output("lamp", *levels)


def test_the_limit_stands_while_a_load_that_may_not_be_off_stays_on():
    """On since 70 ms: off from 1000 ms on, by 1020 ms, whoever has asked for it meanwhile."""
    assert forced((70, 1), (1000, 0)).broken("lamp") == []
    assert forced((70, 1), (1020, 0)).broken("lamp") == []
    broken(forced((70, 1), (1020 + NS, 0)).verdict("fresh"), NS, 1020)
    assert forced((70, 1)).broken("lamp") != []


REST = {"shortest_off": "500 ms"}


def rested(*levels, load=None, again_ms=610):
    """Asked for up to 460 ms and from 610 ms on, off between; off at 520 ms: off up to 1020 ms."""
    tape = Tape(car(lamp=REST if load is None else load), 2000).requests(60, 461, on=True)
    tape.requests(510, again_ms, on=False).requests(again_ms, 2000, on=True)
    return tape.output("lamp", (70, 1), (520, 0), *levels)


def test_a_load_is_on_again_at_the_end_of_its_rest_at_the_earliest():
    assert rested((1020, 1)).broken("lamp") == []
    assert rested((1020 - NS, 1)).broken("lamp") == [("lamp", "shortest_off")]
    broken(rested((1020 - NS, 1)).verdict("shortest_off"), NS, 1020 - NS)


def test_a_load_that_is_asked_for_within_its_rest_is_on_a_latency_behind_it():
    edge(lambda late: rested((1040 + late, 1)), "shortest_off", deadline_ms=1040)
    broken(rested().verdict("shortest_off"), 960, 1040)


def test_a_load_that_takes_no_rest_at_all_is_broken_until_its_rest_is_over():
    """On at 620 ms, as without it."""
    broken(rested((620, 1)).verdict("fresh"), 400, 620)
    assert rested((620, 1), load={}).broken("lamp") == []


def test_a_load_that_is_asked_for_behind_its_rest_has_its_latency():
    """Asked for from 1110 ms on: due at 1130 ms."""
    edge(lambda late: rested((1130 + late, 1), again_ms=1110), "fresh", deadline_ms=1130)


def test_each_time_it_goes_off_a_rest_begins():
    """Off at 1210 ms: off up to 1710 ms, though it rested before."""

    def tape(*levels):
        made = Tape(car(lamp=REST), 2400).requests(60, 461, on=True)
        made.requests(510, 610, on=False).requests(610, 1200, on=True)
        made.requests(1210, 1260, on=False).requests(1260, 2400, on=True)
        return made.output("lamp", (70, 1), (520, 0), (1020, 1), (1220, 0), *levels)

    assert tape((1720, 1)).broken("lamp") == []
    broken(tape((1720 - NS, 1)).verdict("shortest_off"), NS, 1720 - NS)


def test_a_rest_that_a_reset_has_ended_ends_no_later_one():
    """Off at 520 ms, reset at 700 ms, off again at 920 ms: off up to 1420 ms, not 1020 ms."""

    def tape(*levels):
        made = Tape(car(lamp=REST), 2000).requests(60, 461, on=True).requests(510, 610, on=False)
        made.requests(610, 910, on=True).requests(910, 960, on=False).requests(960, 2000, on=True)
        made.reset("rear", 700).output("lamp", (70, 1), (520, 0), (870, 1), (920, 0), *levels)
        return made

    assert tape((1420, 1)).broken("lamp") == []
    broken(tape((1420 - NS, 1)).verdict("shortest_off"), NS, 1420 - NS)


def test_a_load_that_goes_off_too_soon_is_broken_though_its_rest_begins():
    """Asked off from 510 ms on."""
    tape = Tape(car(lamp=REST), 2000).requests(60, 461, on=True).requests(510, 2000, on=False)
    broken(tape.output("lamp", (70, 1), (510 - NS, 0)).verdict("fresh"), at_ms=510 - NS)
