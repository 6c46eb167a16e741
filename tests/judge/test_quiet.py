"""*quiet recovery*: how often a node comes back from bus-off, and what its failures take.

The bus has 250 kbit/s: a bit takes 4 us, the error frame behind an attempt 14 of them.
"""

from __future__ import annotations

from judge_lab import Tape, broken, car, kept, ns, untested
from sender_lab import verdict

from linkloss.bus import BusRecord, Frame
from linkloss.recording import FaultRecord

RULE = "quiet recovery"


def tape(*offs, end_ms=3000, each_ms=10, tries=(), error="disturbed", others=(), **keys) -> Tape:
    """The dash goes bus-off at these instants and is back ``each_ms`` later; ``tries`` are its
    failed attempts as (ms, how long in ms).
    """
    made = Tape(car(nodes={"dash": keys}), end_ms)
    changes = [
        (at_ms + more, state)
        for at_ms in offs
        for more, state in ((0, "BUS_OFF"), (each_ms, "ACTIVE"))
    ]
    made.controller("dash", *changes)
    for at_ms, lasts_ms in tries:
        frame = Frame(0x100, b"\0\0\0")
        record = BusRecord(ns(at_ms), ns(at_ms + lasts_ms), "dash", frame, (), error)
        made._frames.append(record)
    for name, *spans in others:
        made.controller(name, *spans)
    return made


def quiet(made: Tape):
    return verdict(made, "dash", RULE)


def test_a_node_that_never_was_bus_off_was_not_put_to_the_test():
    untested(quiet(tape()))


def test_ten_returns_in_a_second_are_kept_and_eleven_broken():
    """Ten every 90 ms, and the next one more than a second behind the first."""
    kept(quiet(tape(*range(500, 1400, 90), 1510)), None)
    broken(quiet(tape(*range(500, 1400, 90), 1499)), at_ms=1509)


def test_the_vehicle_says_how_many_may_be():
    broken(quiet(tape(500, 700, 900, returns=2)), at_ms=910)
    kept(quiet(tape(500, 700, 900, returns=3)), None)


def test_what_ails_it_must_last_long_enough_to_tell_a_loud_node_from_a_quiet_one():
    """At once back and off again takes at most 26.1 ms: eleven times that are 287 ms."""
    untested(quiet(tape(500)))
    untested(quiet(tape(500, 780)))
    kept(quiet(tape(500, 790)))


def test_a_reset_in_bus_off_is_no_return():
    offs = range(500, 1500, 50)
    made = Tape(car(), 3000).controller("dash", *((at_ms, "BUS_OFF") for at_ms in offs))
    for at_ms in offs:
        made.reset("dash", at_ms + 10, boots_in=30)
    untested(quiet(made))


def loud(share, *offs, **how):
    """Off every 125 ms, and so large a share of the time between fails, in attempts of 1 ms."""
    offs = offs or tuple(range(500, 2500, 125))
    tries = []
    for at_ms in offs[:-1]:
        count = round(share * 125 / 1.056)
        tries += [(at_ms + 20 + place, 1) for place in range(count)]
    return tape(*offs, tries=tries, **how)


def test_a_quarter_of_the_bus_may_fail_and_no_more():
    kept(quiet(loud(0.24)), None)
    assert quiet(loud(0.27)).broken
    assert "25 % of the bus" in quiet(loud(0.27)).text.replace("25%", "25 %")


def test_the_vehicle_says_how_much_may_fail():
    kept(quiet(loud(0.4, failed_share=0.45)))
    assert quiet(loud(0.5, failed_share=0.45)).broken


def test_what_fails_before_the_first_bus_off_and_behind_the_last_is_not_that_of_a_return():
    tries = [(100 + place, 1) for place in range(390)] + [(1020 + place, 1) for place in range(900)]
    kept(quiet(tape(500, 1000, tries=tries)))


def test_one_whom_nobody_acknowledges_is_not_noisy():
    assert not quiet(loud(0.6, error="ack")).broken
    assert not quiet(loud(0.6, error="broken_off")).broken


def test_alone_on_its_piece_of_cable_it_disturbs_nobody():
    made = loud(0.6)
    assert quiet(made).broken
    for node in ("dash", "rear"):
        made = loud(0.6)
        unplugged = FaultRecord("unplug", "", "cable", False, (node,), 0, None)
        made.recording.faults.append(unplugged)
        assert not quiet(made).broken
    assert not quiet(loud(0.6, others=[("rear", (400, "BUS_OFF"))])).broken
