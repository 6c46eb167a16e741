"""*Tries*: a load whose switch has tripped is switched off and on again, so often and no oftener.

The lamp is asked for and on from 70 ms on, and shorted from 1000 ms on: its switch trips then, and
100 ms behind each try. Its node sees that 10 ms later. Pause 500 ms, latency 20 ms, three tries.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from judge_lab import MS, NS, Tape, broken, car, edge, kept, stretches, untested

from linkloss.judge import unjudged

SUPPLY = {"rear": {"supply": {"range": [7.0, 16.0]}}}
SWITCH = {"kind": "heater", "amps": 5.0, "solid_state": {"trip": "9 A"}}
TRIES = {"most": 3, "pause": "500 ms"}
TRIP, LATCHED = "over-current", "latched off"
THREE = (1510, 2120, 2730)
"""A right node's tries, and when it may make them."""


def shorted(*tries, off=True, table=TRIES, end_ms=8000, asked=None, node=None, mended_ms=None):
    """The lamp is tried at these instants, each time in vain, and is off behind the last one
    (without ``off`` it stays on, and the switch latches). It is asked for, or ``asked`` tells
    (from, to, whether). A try behind ``mended_ms`` is not in vain.
    """
    nodes = {"rear": {**SUPPLY["rear"], **(node or {})}}
    lamp = {"electrical": SWITCH, **({"tries": table} if table else {})}
    tape = Tape(car(nodes=nodes, lamp=lamp), end_ms)
    for from_ms, to_ms, on in asked or [(60, end_ms, True)]:
        tape.requests(from_ms, to_ms, on=on)
    tape.fault("load_short", 1000, mended_ms, "output", loads=["lamp"])
    tape.command("lamp", (0, None), (50, 0.0), (70, 1.0)).output("lamp", (70, 1), (1000, 0))
    trips_ms = [1000, *(at_ms + 100 for at_ms in tries)]
    for place, at_ms in enumerate(trips_ms):
        if mended_ms is not None and at_ms > mended_ms:
            tape.output("lamp", (at_ms - 100, 1))
            continue
        if place + 1 == len(trips_ms) and not off:
            tape.trips("lamp", (at_ms, LATCHED))
            continue
        tape.trips("lamp", (at_ms, TRIP), (at_ms + 10, "")).command("lamp", (at_ms + 10, 0.0))
        if place < len(tries):
            tape.command("lamp", (tries[place], 1.0))
    return tape


def last(*changes, **how):
    """All three tries are over, the last trip is reported at 2830 ms; what the node does then."""
    tape = shorted(*THREE, off=False, **how)
    tape.recording.trips["lamp"].values.pop()
    tape.recording.trips["lamp"].times.pop()
    return tape.trips("lamp", *changes)


# ---- so often ----


def test_three_tries_and_then_off_until_the_request_went_off_are_right():
    tape = shorted(*THREE)
    kept(tape.verdict("tries"))
    assert tape.broken() == []


def test_a_fourth_try_is_one_too_many():
    tape = shorted(*THREE, 3340)
    broken(tape.verdict("tries"), at_ms=3340)
    assert tape.broken("lamp") == [("lamp", "tries")]


def test_endless_tries_are_found_at_the_first_that_is_too_many():
    broken(shorted(*range(1510, 7000, 610)).verdict("tries"), at_ms=3340)


def test_a_load_that_is_tried_once_and_works_has_not_come_to_its_limit():
    tape = shorted(1510, mended_ms=1200)
    untested(tape.verdict("tries"))
    assert tape.broken() == []


def test_a_load_that_has_worked_is_tried_from_the_beginning():
    """For longer than blanking and five time constants of its switch: 1100 ms."""
    tape = shorted(1510, 2120, mended_ms=2000, end_ms=9000)
    again_ms = 2120 + 1100 + NS
    tape.trips("lamp", (again_ms, TRIP), (again_ms + 10, "")).output("lamp", (again_ms, 0))
    tape.fault("load_short", again_ms, None, "output", loads=["lamp"])
    at_ms = again_ms + 10
    for _ in range(3):
        tape.command("lamp", (at_ms, 0.0), (at_ms + 510, 1.0))
        tape.trips("lamp", (at_ms + 610, TRIP), (at_ms + 620, ""))
        at_ms += 620
    tape.command("lamp", (at_ms, 0.0))
    kept(tape.verdict("tries"))
    assert tape.broken() == []


def test_a_switch_that_is_off_and_on_at_one_instant_was_tried():
    """Four times at once, each time the latched switch is free again."""

    def pulsed(*instants, end_ms):
        tape = shorted(off=False, end_ms=end_ms)
        for at_ms in instants:
            tape.trips("lamp", (at_ms, ""), (at_ms + 100, LATCHED))
        return tape

    assert pulsed(1600, 2200, 2800, end_ms=3400).broken() == []
    broken(pulsed(1600, 2200, 2800, 3400, end_ms=8000).verdict("tries"), at_ms=3400)
    broken(pulsed(1600, 2099, 2800, end_ms=3400).verdict("tries"), 1, 2099)


def test_what_a_switch_tries_by_itself_is_no_try_of_its_node():
    """Every 500 ms, three times; then it latches, and the node tries for the first time."""
    tape = shorted(off=False)
    tape.trips("lamp", (1000, TRIP), (1500, ""), (1600, TRIP), (2100, ""), (2200, TRIP))
    tape.trips("lamp", (2700, ""), (2800, LATCHED))
    assert tape.broken() == []


# ---- so soon ----


def test_from_one_time_that_it_is_switched_on_to_the_next_a_pause_passes():
    """Tried at 1510 ms: again at 2010 ms."""
    assert shorted(1510, 2010, 2620).broken() == []
    broken(shorted(1510, 2010 - NS, 2620).verdict("tries"), NS, 2010 - NS)


def test_a_pause_by_a_clock_that_is_wrong_is_no_shorter_than_that_makes_it():
    """100 ppm of 500 ms: 50 us."""
    for early, wrong in ((50_000, False), (50_001, True)):
        tape = shorted(1510, 2010 - early * NS, 2620, node={"drift": "100 ppm"})
        assert (("lamp", "tries") in tape.broken()) is wrong


def test_a_load_is_tried_again_a_pause_and_a_latency_later():
    """Off at 1620 ms: on by 2140 ms."""
    for late, wrong in ((0, []), (NS, [("lamp", "tries")])):
        assert shorted(1510, 2140 + late, 2750).broken() == wrong
    broken(shorted(1510, 2140 + NS, 2750).verdict("tries"), NS, 2140)


# ---- it gives up ----


def test_a_node_that_gives_up_before_its_last_try_is_broken():
    """Off at 2230 ms, behind the second: on by 2750 ms."""
    broken(shorted(1510, 2120).verdict("tries"), at_ms=2750)


def test_a_node_that_gives_up_without_a_trip_is_broken_and_not_by_its_tries():
    tape = Tape(car(nodes=SUPPLY, lamp={"electrical": SWITCH, "tries": TRIES}), 3000)
    tape.requests(60, 3000, on=True).trips("lamp").output("lamp", (70, 1), (1010, 0))
    tape.command("lamp", (0, None), (50, 0.0), (70, 1.0), (1010, 0.0))
    assert stretches(tape) == [(1010 * MS, 3000 * MS)]
    assert ("lamp", "tries") not in tape.broken("lamp")


def test_a_trip_that_is_over_gives_no_cause_to_switch_off():
    """Reported up to 1500 ms, when the switch tries by itself: off by 1520 ms."""
    for late, wrong in ((0, False), (NS, True)):
        tape = shorted(off=False, mended_ms=1400, end_ms=3000)
        tape.trips("lamp", (1000, TRIP), (1500, "")).output("lamp", (1500, 1))
        tape.command("lamp", (1520 + late, 0.0), (2000, 1.0))
        assert bool(stretches(tape)) is wrong


def test_the_last_trip_must_be_followed_once_the_switch_has_latched():
    """Latched at 2830 ms: off a pause and a latency later, at 3350 ms."""

    def off(late):
        return last((2830, LATCHED), (3350 + late, "")).command("lamp", (3350 + late, 0.0))

    edge(off, "tries", deadline_ms=3350)


def test_until_its_switch_has_latched_a_node_may_wait_for_it():
    """By itself it tries at 3330 ms and latches at 3430 ms: off by 3950 ms."""

    def off(late):
        tape = last((2830, TRIP), (3330, ""), (3430, LATCHED), (3950 + late, ""))
        return tape.command("lamp", (3950 + late, 0.0))

    edge(off, "tries", deadline_ms=3950)


def test_a_node_that_never_gives_up_is_broken_to_the_end():
    broken(last((2830, LATCHED)).verdict("tries"), 8000 - 3350, 3350)


@pytest.mark.parametrize("on_ms", [3340, 4000, 7999])
def test_one_that_has_given_up_stays_off(on_ms):
    """Even where it is switched on without a trip before."""
    tape = shorted(*THREE).command("lamp", (on_ms, 1.0))
    broken(tape.verdict("tries"), at_ms=on_ms)


def asked_again(on_ms, **how):
    """Given up at 2840 ms; the request is off from 5010 ms to 6010 ms, and the short mended."""
    asked = [(60, 5000, True), (5010, 6000, False), (6010, 8000, True)]
    tape = shorted(*THREE, asked=asked, **how)
    tape.recording.faults[0] = replace(tape.recording.faults[0], cleared_ns=5500 * MS)
    return tape.command("lamp", (on_ms, 1.0)).output("lamp", (on_ms, 1))


def test_once_the_request_was_off_it_follows_again():
    assert asked_again(6030).broken() == []
    assert asked_again(6030 + NS).broken() == [("lamp", "fresh")]


def test_a_reset_forgets_that_it_has_given_up():
    """Off by hardware, on again by the request at 4070 ms."""
    tape = shorted(*THREE, end_ms=4600).reset("rear", 4000).fault("reset", 4000, 4000, "node")
    tape.command("lamp", (4000, None), (4050, 0.0), (4070, 1.0))
    tape.trips("lamp", (4170, TRIP))
    assert tape.broken() == []


KEY = {**TRIES, "until": "pedal == down"}


def pressed(*changes, **how):
    """Given up at 2840 ms, until the pedal is pressed at 5000 ms."""
    tape = shorted(*THREE, table=KEY, mended_ms=4000, **how)
    tape.input("pedal", (5000, "down"), (5200, "up"))
    for at_ms, level in changes:
        tape.command("lamp", (at_ms, float(level))).output("lamp", (at_ms, level))
    return tape


def test_where_a_condition_lets_it_try_again_it_does_so_within_its_latency():
    assert pressed((5020, 1)).broken() == []
    broken(pressed((5020 + NS, 1)).verdict("tries"), NS, 5020)
    broken(pressed((4999, 1)).verdict("tries"), at_ms=4999)


def test_where_a_condition_lets_it_try_again_the_request_does_not():
    tape = asked_again(6030, table=KEY)
    broken(tape.verdict("tries"), at_ms=6030)
    assert tape.broken() == [("lamp", "tries")]


ON = {**TRIES, "then": "on"}


def test_one_that_gives_up_by_staying_on_stays_on():
    tape = last((2830, LATCHED), table=ON)
    kept(tape.verdict("tries"))
    assert tape.broken() == []
    tape = last((2830, LATCHED), (3000, ""), table=ON).command("lamp", (3000, 0.0))
    assert stretches(tape) == [(3000 * MS, 8000 * MS)]


# ---- without the table ----


def test_without_limits_a_tripped_load_may_be_tried_at_any_time():
    tape = shorted(1012, 1124, *range(1300, 7000, 120), off=False, table=None)
    assert tape.broken() == []


def test_without_limits_no_node_may_give_up():
    """Off at 1010 ms: on by 1530 ms, 500 ms as its switch would wait, and the latency."""
    assert shorted(1530, off=False, table=None).broken() == []
    broken(
        next(v for v in shorted(1530 + NS, off=False, table=None).judged() if v.rule == "tries"),
        NS, 1530,
    )  # fmt: skip
    assert shorted(table=None).broken("lamp") == [("lamp", "tries")]


def test_what_the_driver_switches_is_no_try():
    """The request goes off and on, again and again, onto a short."""
    tape = Tape(car(nodes=SUPPLY, lamp={"electrical": SWITCH, "tries": TRIES}), 6000)
    tape.fault("load_short", 500, None, "output", loads=["lamp"])
    tape.command("lamp", (0, None), (50, 0.0))
    tape.output("lamp", (70, 1), (270, 0), (470, 1), (500, 0))
    for at_ms in range(60, 6000, 400):
        tape.requests(at_ms, at_ms + 200, on=True).requests(at_ms + 200, at_ms + 400, on=False)
        tape.command("lamp", (at_ms + 10, 1.0), (at_ms + 210, 0.0))
        if at_ms > 400:
            tape.trips("lamp", (at_ms + 110, TRIP), (at_ms + 210, ""))
    assert tape.broken() == []
    untested(tape.verdict("tries"))


def test_declared_tries_are_judged():
    vehicle = car(nodes=SUPPLY, lamp={"electrical": SWITCH, "tries": TRIES})
    assert not any("tries" in entry.what for entry in unjudged(vehicle))
    assert "tries" not in {v.rule for v in shorted(mended_ms=1001, table=None, off=False).judged()}
