"""*rejoin*: nodes and messages are back after the last fault, and whose fault it is if not."""

from __future__ import annotations

from dataclasses import replace

import pytest
from judge_lab import MS, NS, Tape, broken, car, edge, kept, stretches, untested


def silent(back_ms, *more, end_ms=3000):
    """The rear node is off the bus from 1000 ms on: the fault comes and goes at 1000 ms. Its
    status comes every 100 ms; it counts as silent 300 ms after the last one (960 ms), so from
    1260 ms on. It must be heard from 1000 + 400 = 1400 ms on.
    """
    tape = Tape(car(), end_ms).requests(60, end_ms, on=False)
    tape.fault("bus_off", 1000, 1000, "node")
    return tape.status("rear", (60, 1000), *([(back_ms, end_ms)] if back_ms else []), *more)


def test_a_node_sends_its_status_again_within_rejoin():
    edge(lambda late: silent(1400 + late), "rejoin", "rear", deadline_ms=1400)


def test_a_bus_off_that_never_recovers_is_broken_to_the_end():
    verdict = silent(None).verdict("rejoin", "rear")
    broken(verdict, 1600, 1400)
    assert verdict.culprit == "rear"


def test_a_node_that_falls_silent_again_is_broken():
    """Back at 1300 ms, last heard at 1900 ms: silent from 2200 to 2500 ms."""
    tape = silent(None, (1300, 1901), (2500, 3000))
    broken(tape.verdict("rejoin", "rear"), 300, 2200)


def test_a_node_that_never_went_missing_tests_no_rejoin():
    tape = Tape(car(), 3000).requests(60, 3000, on=False).fault("noise", 1000, 1100)
    untested(tape.verdict("rejoin", "rear"))


def test_a_fault_at_the_beginning_of_the_run_counts_too():
    """The fault lasts from 0 to 1000 ms, the status is first sent at 1200 ms: 200 ms left."""
    tape = Tape(car(), 3000).requests(60, 3000, on=False).fault("unplug", 0, 1000, "cable")
    tape.status("rear", (1200, 3000))
    kept(tape.verdict("rejoin", "rear"), 200)


@pytest.mark.parametrize("end_ms", [1400, 1300])
def test_a_recovery_due_at_the_end_tests_nothing(end_ms):
    untested(silent(None, end_ms=end_ms).verdict("rejoin", "rear"))


def test_a_fault_that_never_clears_tests_no_recovery():
    tape = silent(None).fault("unplug", 1000, None, "cable")
    untested(tape.verdict("rejoin", "rear"))


def test_a_node_that_is_silent_without_any_fault_is_broken():
    """Heard up to 560 ms: silent from 860 ms to the end."""
    tape = Tape(car(), 3000).requests(60, 3000, on=False).status("rear", (60, 600))
    broken(tape.verdict("rejoin", "rear"), 2140, 860)


def missing(**how):
    """A request at 1010 ms is the last; the fault comes and goes at 1000 ms. The message is stale
    from 1010 + 250 = 1260 ms on; from 1000 + 300 = 1300 ms on it should be there.
    """
    tape = Tape(car(), 3000).requests(60, 1011, on=False).fault("bus_off", 1000, 1000, "node")
    return tape.requests(1060, 3000, on=False, **how) if how else tape


def test_a_request_that_does_not_return_names_its_sender():
    verdict = missing().verdict("rejoin")
    broken(verdict, 1700, 1300)
    assert verdict.culprit == "dash"


def test_a_request_that_is_sent_but_not_delivered_names_the_receiver():
    """The load's own node is the one that is still off the bus."""
    verdict = missing(to=()).verdict("rejoin")
    broken(verdict, 1700, 1300)
    assert verdict.culprit == "rear"


def test_a_request_whose_counter_stands_still_names_its_sender():
    """It is delivered, but it is not good: nothing that the receiver could help."""
    verdict = missing(counter=7).verdict("rejoin")
    assert verdict.broken
    assert verdict.culprit == "dash"


def test_a_load_is_in_its_failsafe_state_while_its_request_does_not_return():
    """The missing message is the sender's break; a lamp lit all the same is one of its own."""
    lit = missing().output("lamp", (2000, 1), (2001, 0))
    broken(lit.verdict("stale"), 1, 2000)
    assert lit.broken() == [("lamp", "stale"), ("lamp", "rejoin")]


def test_a_request_that_returns_late_is_its_senders_fault_and_gives_the_load_its_time():
    """Off asked for again at 2000 and 2050 ms: lit up to 2070 ms is not the lamp's fault."""

    def tape(off_at):
        made = Tape(car(lamp={"on_stale": "on"}), 3000).requests(60, 1011, on=False)
        made.fault("bus_off", 1000, 1000, "node").requests(2000, 3000, on=False)
        return made.output("lamp", (1275, 1), (off_at, 0))

    assert tape(2070).broken() == [("lamp", "rejoin")]
    verdict = tape(2070).verdict("rejoin")
    broken(verdict, 700, 1300)
    assert verdict.culprit == "dash"
    assert stretches(tape(2070)) == []
    assert stretches(tape(2070 + NS)) == [(2070 * MS, 2070 * MS + 1)]


def test_the_time_to_rejoin_excuses_no_load():
    """Good at 1010 ms and gone until 1310 ms, or never gone: a lapse within 300 ms of the fault is
    a lapse.
    """
    tape = missing(to=None).output("lamp", (1100, 1), (1101, 0))
    assert stretches(tape) == [(1100 * MS, 1101 * MS)]


def test_a_request_that_comes_back_just_in_time():
    """First good again at 1300 ms on the dot; one nanosecond later it is the sender's fault."""

    def tape(late):
        made = Tape(car(), 3000).requests(60, 1011, on=False)
        made.fault("bus_off", 1000, 1000, "node")
        return made.requests(1300 + late, 3000, on=False)

    assert tape(0).broken() == []
    broken(tape(NS).verdict("rejoin"), at_ms=1300)


def behind_a_wrong_message(**how):
    """Counter 4 at 1010 ms, a wrong one with counter 12 at 1030 ms, then 5, 6, ... from 1060 ms on:
    whoever took the wrong one is without its link at 1300 ms, and takes the one at 1310 ms. The
    wrong sender is gone at 1040 ms, so from 1290 ms on the request must be there.
    """
    load = {"max_step": 8, "rejoin": "250 ms"}
    tape = Tape(car(lamp=load), 3000).requests(60, 1011, on=False)
    last = tape.counter
    tape.fault("impostor", 1020, 1040, content=True).request(1030, False, counter=last + 8)
    tape.counter = last
    return tape.requests(1060, 3000, on=False, **how) if how else tape


def test_a_receiver_that_took_a_wrong_message_has_until_its_link_is_lost():
    assert behind_a_wrong_message(to=None).broken() == []


@pytest.mark.parametrize(("how", "at_ms"), [({}, 1290), ({"to": ()}, 1290), ({"counter": 4}, 1310)])
def test_behind_a_wrong_message_the_right_ones_must_come_and_count(how, at_ms):
    broken(behind_a_wrong_message(**how).verdict("rejoin"), at_ms=at_ms)


def test_a_message_without_bytes_is_there_like_any_other():
    """Its silence is what loses the link; another message asks for the lamp."""
    tape = Tape(car(lamp={"request": "Plain.Lamp", "link": "Beat"}), 3000).plain(60, 3000, on=False)
    empty = replace(tape.vehicle.messages["Beat"], length=0, signals={})
    tape.vehicle = replace(tape.vehicle, messages={**tape.vehicle.messages, "Beat": empty})
    for at_ms in (at for at in range(60, 3000, 50) if not 1000 < at < 1500):
        tape.frame(at_ms, 0x104, [])
    tape.fault("drop", 1000, 1460)
    kept(tape.verdict("rejoin"))
