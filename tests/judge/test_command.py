"""What a load shows of what its node commands: fast switching, fades, levels."""

from __future__ import annotations

from fractions import Fraction
from math import nan

import pytest
from judge_lab import NS, Tape, broken, car, edge

from linkloss.judge.states import admits
from linkloss.judge.tries import shown_changes
from linkloss.recording import series
from linkloss.vehicle.load import LoadTable

MS = 1_000_000


def load(**keys) -> LoadTable:
    return LoadTable.model_validate({"node": "rear", **keys})


def shown(*changes, end_ms=10_000, **keys):
    """(ms, level) -> (ms, what is shown)."""
    command = series(*((round(at_ms * MS), level) for at_ms, level in changes))
    return [
        (at / MS, value) for at, value in shown_changes(command, load(**keys), round(end_ms * MS))
    ]


def test_a_load_without_levels_is_off_on_or_dim():
    assert shown((0, 0.0), (10, 0.02), (20, 0.9), (30, 1.0)) == [(0, 0), (10, 2), (20, 100)]
    assert not admits("on", 2.0)
    assert not admits("off", 2.0)


def test_no_number_is_no_state():
    ((_, value),) = shown((0, nan))
    assert not any(admits(state, value) for state in ("off", "on", "flash", 30.0))


def test_switching_faster_than_one_and_a_half_periods_is_one_level():
    edges = [(at, level) for k in range(20) for at, level in ((5 * k, 1.0), (5 * k + 1.5, 0.0))]
    changes = shown((0, 0.0), *((100 + at, level) for at, level in edges),
                    pwm="200 Hz", level="M.S")  # fmt: skip
    assert changes[0] == (0, 0)
    assert changes[1][0] == 100
    assert changes[1][1] == pytest.approx(30)
    assert [value for _, value in changes[2:]] == [0]


def test_switching_as_slowly_is_no_level():
    edges = [(0, 0.0), (100, 1.0), (107.5, 0.0), (115, 1.0)]
    assert [value for _, value in shown(*edges, pwm="200 Hz")] == [0, 100, 0, 100]


def test_a_fade_is_one_change_at_its_first_step():
    steps = [(100 + 30 * k, k / 10) for k in range(1, 11)]
    assert shown((0, 0.0), *steps, ramp_up="300 ms") == [(0, 0), (130, 100)]


def test_a_fade_that_the_end_of_the_recording_cuts_off_goes_on():
    steps = [(100 + 10 * k, 1 - k / 30) for k in range(1, 30)]
    for end_ms, cut_off in ((409.999, True), (410, False)):
        _, (at_ms, value) = shown((0, 1.0), *steps, ramp_down="300 ms", end_ms=end_ms)
        assert at_ms == 110
        assert admits("off", value) is cut_off
        assert not admits("on", value)


def test_a_fade_that_stays_half_way_is_dim():
    assert shown((0, 0.0), (100, 0.5), (500, 1.0), ramp_up="300 ms")[1] == (100, 50)


def test_a_fade_that_is_turned_goes_beyond_what_it_reached():
    changes = shown((0, 0.0), (100, 0.2), (150, 0.4), (200, 0.0), ramp_up="300 ms")
    (_, up), (_, off) = changes[1:]
    assert admits("on", up)
    assert admits(60.0, up)
    assert not admits("off", up)
    assert not admits(20.0, up)
    assert off == 0


# ---- as a verdict ----


DIMMER = {"request": "Dimmer.Lamp", "level": "Dimmer.Percent", "pwm": "200 Hz"}


def switched(share, *, from_ms=320, to_ms=1320, load=None, percent=40):
    """Asked for a level from 310 ms on and for off from 1310 ms on; switched 200 times a second,
    lit for a share of each period, from one instant to another.
    """
    tape = Tape(car(lamp=DIMMER | (load or {})), 2000)
    for at_ms in range(60, 2000, 50):
        on = 310 <= at_ms < 1310
        tape.frame(at_ms, 0x103, [int(on), percent if on else 0])
    at_ms = Fraction(from_ms)
    while at_ms < to_ms:
        tape.output("lamp", (at_ms, 1), (at_ms + Fraction(share) * 5, 0))
        at_ms += 5
    return tape


def test_a_load_that_is_switched_for_its_level_is_right():
    assert switched("0.4").broken() == []
    edge(lambda late: switched("0.4", from_ms=330 + late), "fresh", deadline_ms=330)


@pytest.mark.parametrize(("share", "right"), [("0.36", True), ("0.44", True)])
def test_its_mean_is_right_within_a_tenth(share, right):
    assert (switched(share).broken("lamp") == []) is right
    assert switched(Fraction(share) + (Fraction(share) - Fraction("0.4")) / 10).broken("lamp") != []


@pytest.mark.parametrize("share", ["0.2", "0.6", "0.9"])
def test_a_wrong_mean_is_no_level_that_was_asked_for(share):
    broken(switched(share).verdict("fresh"), at_ms=320)


def test_switching_that_goes_on_when_it_has_to_be_off_is_broken():
    """Asked off at 1310 ms: the last edge by 1330 ms. The first is lit at 320 ms, so the last one
    that is right comes at 1327 ms.
    """
    assert switched("0.4", to_ms=1330).broken() == []
    assert switched("0.4", to_ms=1336).broken("lamp") == [("lamp", "fresh")]
    broken(switched("0.4", to_ms=2000).verdict("fresh"), at_ms=1330)


def test_a_load_that_is_not_said_to_be_switched_is_broken_by_every_edge():
    broken(switched("0.4", load={"pwm": None}).verdict("fresh"), at_ms=320)
    full = switched("0.98", load={"pwm": None, "level": None})
    assert full.broken("lamp") != []
    assert switched("0.98", load={"level": None}).broken() == []


def test_a_load_that_is_switched_slower_than_declared_is_broken():
    """100 times a second: edges up to 6 ms apart are of one level, 8 ms are not."""
    assert switched("0.4", load={"pwm": "100 Hz"}).broken() == []
    assert switched("0.4", load={"pwm": "1000 Hz"}).broken("lamp") != []


RAMP = {"ramp_up": "300 ms", "ramp_down": "300 ms"}


def faded(*levels, load=None, again_ms=2000):
    """Asked for from 60 ms on, lit by 370 ms; asked off at 1010 ms: the fade begins by 1030 ms and
    is over by 1330 ms. Asked for again from ``again_ms`` on.
    """
    tape = Tape(car(lamp=RAMP if load is None else load), 2000).requests(60, 1010, on=True)
    tape.requests(1010, again_ms, on=False).requests(again_ms, 2000, on=True)
    return tape.output("lamp", (70, 0.5), (370, 1), *levels)


def down(begin_ms, end_ms, to=0.0):
    """Ten equal steps from full power, the first and the last just then."""
    step_ms = (Fraction(end_ms) - begin_ms) / 9
    step_ms = Fraction(round(step_ms * MS), MS)
    last = (end_ms, to)
    return [(begin_ms + k * step_ms, 1 - (1 - to) * (k + 1) / 10) for k in range(9)] + [last]


def test_a_fade_down_is_over_by_its_ramp_behind_the_deadline():
    assert faded(*down(1030, 1330)).broken() == []
    assert faded(*down(1030, 1330 + NS)).broken("lamp") == [("lamp", "fresh")]
    assert faded(*down(1030, 1330), load={}).broken("lamp") != []


def test_a_fade_that_begins_sooner_need_not_be_over_sooner():
    """It begins with the news at 1010 ms; one that is over later than any other is broken."""
    assert faded(*down(1010, 1330)).broken() == []
    assert faded(*down(1010, 1330 + NS)).broken("lamp") == [("lamp", "fresh")]


def test_a_fade_down_begins_by_the_deadline_and_not_before_the_news():
    edge(lambda late: faded(*down(1030 + late, 1200)), "fresh", deadline_ms=1030)
    assert faded(*down(1010, 1200)).broken() == []
    broken(faded(*down(1010 - NS, 1200)).verdict("fresh"), at_ms=1010 - NS)


def test_a_fade_up_is_over_by_its_ramp_behind_the_deadline():
    """Its program runs by 100 ms, and the messages at 110 and 160 ms confirm it: due at 180 ms."""

    def up(end_ms, begin_ms=180):
        tape = Tape(car(lamp=RAMP), 2000).requests(60, 2000, on=True)
        return tape.output("lamp", (begin_ms, 0.3), (300, 0.6), (end_ms, 1))

    assert up(480).broken() == []
    assert up(480 + NS).broken("lamp") == [("lamp", "fresh")]
    edge(lambda late: up(479, 180 + late), "fresh", deadline_ms=180)


def test_a_fade_to_another_level_ends_there():
    """From 40 % to 80 %, asked for at 1010 ms."""

    def tape(*levels):
        load = {"request": "Dimmer.Lamp", "level": "Dimmer.Percent", "ramp_up": "300 ms"}
        made = Tape(car(lamp=load), 2000)
        for at_ms in range(60, 2000, 50):
            made.frame(at_ms, 0x103, [1, 40 if at_ms < 1010 else 80])
        return made.output("lamp", (70, 0.4), *levels)

    assert tape((1030, 0.5), (1200, 0.65), (1330, 0.8)).broken() == []
    broken(tape((1030, 0.5), (1200, 0.65), (1330 + NS, 0.8)).verdict("fresh"), at_ms=1030)
    broken(tape((1030, 0.5), (1200, 0.65), (1300, 0.95)).verdict("fresh"), at_ms=1030)


@pytest.mark.parametrize("load", [RAMP, {"ramp_down": "300 ms"}])
def test_a_step_the_other_way_within_a_fade_is_broken(load):
    tape = faded((1020, 0.7), (1100, 0.4), (1150, 0.6), (1200, 0.2), (1250, 0), load=load)
    if load is not RAMP:
        tape.recording.outputs["lamp"].set(70 * MS, 1.0)
    assert tape.broken("lamp") != []
    assert faded((1020, 0.7), (1100, 0.4), (1200, 0.2), (1250, 0)).broken() == []


def test_a_fade_that_stops_half_way_is_broken():
    broken(faded((1020, 0.7), (1100, 0.4)).verdict("fresh"), 980, 1020)
    broken(faded((1020, 0.7), (1100, 0.4), (1500, 0)).verdict("fresh"), 480, 1020)


def test_a_fade_goes_on_behind_a_hang_that_stopped_it():
    """Hung from 1100 to 1200 ms: over by 1330 + 100 + 20 ms."""

    def stopped(over_ms):
        tape = faded((1030, 0.9), (1090, 0.5), (1250, 0.3), (over_ms, 0))
        tape.fault("hang", 1100, 1100, "node")
        return tape.node("rear", (1100, "hung", "fault"), (1200, "running", "fault"))

    assert stopped(1450).broken() == []
    assert stopped(1450 + NS).broken("lamp") == [("lamp", "fresh")]


def test_other_news_turns_a_fade():
    """Asked for again at 1160 ms: due at 1180 ms, over by 1480 ms. Without it nothing turns it."""
    levels = [(1020, 0.7), (1100, 0.4), (1180, 0.6), (1480, 1)]
    assert faded(*levels, again_ms=1160).broken() == []
    assert faded(*levels).broken("lamp") != []
    late = [*levels[:-1], (1480 + NS, 1)]
    assert faded(*late, again_ms=1160).broken("lamp") != []
    soon = [*levels[:2], (1160 - NS, 0.6), (1400, 1)]
    broken(faded(*soon, again_ms=1160).verdict("fresh"), at_ms=1160 - NS)
