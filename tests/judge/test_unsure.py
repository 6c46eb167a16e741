"""A message that its receiver may rightly have seen or not: it may be followed, and need not.

Off up to 960 ms, or on; what comes at 1010 ms is in doubt.
"""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, kept, stretches

SEEN = pytest.mark.parametrize("seen", [True, False])


def flooded(*levels, lost=True, again_ms=1060, end_ms=3000, load=None):
    """Asked on at 1010 ms, which under a flood may have been lost in a full receive FIFO; what is
    asked for is off again from ``again_ms`` on.
    """
    tape = Tape(car(lamp=load or {}), end_ms).requests(60, 1010, on=False)
    tape.fault("flood", 900, 1030, "frames")
    tape.request(1010, on=True, overrun=("rear",) if lost else ())
    return tape.requests(again_ms, end_ms, on=False).output("lamp", *levels)


@SEEN
def test_a_message_lost_under_a_flood_may_be_followed_or_not(seen):
    levels = [(1030, 1), (1080, 0)] if seen else []
    assert flooded(*levels).broken() == []


def test_a_message_that_was_not_lost_must_be_followed():
    assert stretches(flooded(lost=False)) == [(1030 * 10**6, 1060 * 10**6)]


def test_who_follows_a_message_in_doubt_does_so_within_the_latency():
    """On from 1010 to 1030 ms, and off again by 1080 ms."""
    assert flooded((1010, 1), (1080, 0)).broken() == []
    for levels in ([(1010 - NS, 1), (1060, 0)], [(1030 + NS, 1), (1060, 0)]):
        assert flooded(*levels).broken("lamp") != [], levels
    late = flooded((1010, 1), (1080 + NS, 0))
    broken(late.verdict("fresh"), NS, 1080)


def test_who_follows_a_message_in_doubt_does_so_once():
    tape = flooded((1010, 1), (1015, 0), (1020, 1), (1060, 0))
    assert stretches(tape) == [(1015 * 10**6, 1020 * 10**6)]


def test_what_is_asked_in_doubt_and_again_is_due_by_the_second():
    """On at 1010 ms, in doubt, and at 1060 ms: by 1080 ms."""

    def tape(on_at):
        made = Tape(car(), 3000).requests(60, 1010, on=False).fault("flood", 900, 1030, "frames")
        made.request(1010, on=True, overrun=("rear",)).requests(1060, 3000, on=True)
        return made.output("lamp", (on_at, 1))

    assert tape(1010).broken() == []
    kept(tape(1080).verdict("fresh"), 0)
    broken(tape(1080 + NS).verdict("fresh"), NS, 1080)


@SEEN
def test_a_sender_that_was_reset_may_be_believed_at_once_or_not(seen):
    """Its counter begins anew at 3, behind 20 messages: a receiver takes the message at 1010 ms,
    or misses it, and what follows, until it calls the link lost at 1230 ms at the latest.
    """
    tape = Tape(car(), 3000).requests(60, 961, on=False).reset("dash", 965)
    for index, at_ms in enumerate(range(1010, 3000, 50)):
        tape.request(at_ms, on=True, counter=(index + 14) % 16)
    assert tape.output("lamp", (1015 if seen else 1300, 1)).broken("lamp") == []


def test_a_receiver_that_refuses_the_new_counter_has_gone_stale_and_come_back():
    """Stale at 1230 ms at the latest: the first it must take comes at 1260 ms, the second at
    1310 ms: on is due at 1330 ms.
    """

    def tape(on_at):
        made = Tape(car(), 3000).requests(60, 961, on=False).reset("dash", 965)
        for index, at_ms in enumerate(range(1010, 3000, 50)):
            made.request(at_ms, on=True, counter=(index + 14) % 16)
        return made.output("lamp", (on_at, 1))

    assert stretches(tape(1330)) == []
    assert stretches(tape(1330 + NS)) == [(1330 * 10**6, 1330 * 10**6 + 1)]


@SEEN
def test_a_message_while_the_program_hangs_may_be_taken_or_not(seen):
    """Asked on at 1010 ms only; hung from 1000 to 1040 ms: on from then on, and off at 1080 ms."""
    tape = Tape(car(), 3000).requests(60, 1001, on=False).request(1010, on=True)
    tape.requests(1060, 3000, on=False).fault("hang", 1000, 1000, "node")
    tape.node("rear", (1000, "hung", "fault"), (1040, "running", "fault"))
    assert tape.output("lamp", *([(1060, 1), (1080, 0)] if seen else [])).broken() == []


def test_a_receiver_that_took_a_message_in_doubt_may_go_stale_behind_it():
    """On up to 960 ms, lost at 1205 to 1230 ms for who did not see the message at 1010 ms, at 1255
    to 1280 ms for who did. By 1280 ms the lamp is off.
    """

    def tape(off_at):
        made = Tape(car(), 3000).requests(60, 961, on=True).fault("flood", 900, 1030, "frames")
        made.request(1010, on=True, overrun=("rear",)).fault("cut", 1020, None, "cable")
        return made.output("lamp", (70, 1), (off_at, 0))

    for off_ms in (1205, 1230, 1255, 1280):
        assert tape(off_ms).broken() == [], off_ms
    broken(tape(1205 - NS).verdict("stale"), NS, 1205 - NS)
    broken(tape(1280 + NS).verdict("stale"), NS, 1280)


# ---- a lone message behind a loss ----


def stray(load, *levels, at_ms, asks):
    """Asked on up to 460 ms, then nothing but one message: a receiver that waits for the second
    one (a counter: ``confirm`` is 2) may go on as though it had not come.
    """
    tape = Tape(car(lamp={**HOLD_THEN, **load}), 3000).requests(60, 461, on=True)
    tape.request(at_ms, on=asks).fault("cut", 465, None, "cable")
    return tape.output("lamp", (70, 1), *levels)


HOLD_THEN = {"on_stale": "hold", "hold_for": "800 ms", "then": "off"}


@pytest.mark.parametrize("off_ms", [1489, 1550])
def test_what_is_held_ends_in_its_time_though_a_lone_message_came(off_ms):
    """Held from 705 or 730 ms on for 800 ms, with a message at 1010 ms that needs a second one."""
    assert stray({}, (off_ms, 0), at_ms=1010, asks=True).broken() == []


def test_a_lone_message_may_begin_the_holding_anew_without_being_followed():
    """It comes at 1500 ms, between the first and last instant of the end of holding, and overtakes
    that: then is due again 250 + 800 ms later, from 2529 to 2590 ms.
    """
    assert stray({}, (2560, 0), at_ms=1500, asks=False).broken() == []


def test_a_load_that_has_come_to_its_last_state_stays_there_through_a_lone_message():
    """On when stale, off 800 ms later; the message at 2000 ms needs a second one."""
    assert stray({"on_stale": "on"}, (1510, 0), at_ms=2000, asks=True).broken() == []


def test_a_lone_message_may_be_believed():
    """On at 2000 ms as asked, on when stale again, and off 800 ms later."""
    tape = stray({"on_stale": "on"}, (1510, 0), (2005, 1), at_ms=2000, asks=True)
    assert tape.broken() == []
    tape = stray({}, (1510, 0), (2005, 1), at_ms=2000, asks=True)
    assert tape.broken() == []


def test_a_message_of_a_sender_that_was_reset_begins_the_holding_anew():
    """Lost since 730 ms; the first message at 1010 ms is good whatever its counter: who takes it
    holds on, and comes to ``then`` between 2039 and 2100 ms.
    """
    tape = Tape(car(lamp={**HOLD_THEN, "confirm": 1}), 3000).requests(60, 461, on=True)
    tape.reset("dash", 465).request(1010, on=True).fault("cut", 600, None, "cable")
    assert tape.output("lamp", (70, 1), (2060, 0)).broken("lamp") == []
