"""*longest_on*: a load is off again once it has been on for so long, until nobody asks for it."""

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
