"""A request as a condition over signals of one or several messages, a heartbeat beside it."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, untested

BOTH = {"request": "Request.Lamp == 1 and Plain.Lamp == 1"}
BEAT = {"link": "Plain", "stale_after": "250 ms"}


def test_a_request_may_be_a_value_other_than_one():
    """Off is asked for by 1, on by 0: from 1060 ms on, due 20 ms later."""

    def tape(late):
        made = Tape(car(lamp={"request": "Request.Lamp == 0"})).requests(60, 1051, on=True)
        return made.requests(1060, 3000, on=False).output("lamp", (1080 + late, 1))

    edge(tape, "fresh", deadline_ms=1080)


def two(load, request_to=3000, plain_to=3000, plain_from=75):
    """Both ask for the lamp: the request from 60 ms on, the other message from 75 ms on."""
    tape = Tape(car(lamp={**BOTH, **load})).requests(60, request_to, on=True)
    return tape.plain(plain_from, plain_to, on=True)


def test_two_messages_ask_together_from_when_both_have_come():
    """The second one comes at 275 ms: lit before is lit without a reason."""
    tape = two({}, plain_from=275).output("lamp", (290, 1))
    assert tape.broken("lamp") == []
    tape = two({}, plain_from=275).output("lamp", (270, 1))
    broken(tape.verdict("fresh"), 5, 270)


def test_either_message_takes_the_request_back():
    def tape(late):
        made = two({}, plain_to=1030).output("lamp", (80, 1), (1095 + late, 0))
        return made.plain(1075, 3000, on=False)

    edge(tape, "fresh", deadline_ms=1095)


@pytest.mark.parametrize("silent", ["request_to", "plain_to"])
def test_the_silence_of_either_message_is_a_lost_link(silent):
    """Its last one comes at 1010 or 1025 ms: off 270 ms later, whatever the other says."""
    last_ms = {"request_to": 1010, "plain_to": 1025}[silent]

    def tape(late):
        made = two({}, **{silent: last_ms + 1}).fault("cut", 1030, None)
        return made.output("lamp", (80, 1), (last_ms + 270 + late, 0))

    edge(tape, "stale", deadline_ms=last_ms + 270)


def test_a_missing_message_of_two_is_named():
    """It ceases at 1025 ms although nothing is wrong: its sender is to blame."""
    tape = two({}, plain_to=1026).output("lamp", (80, 1), (1290, 0))
    verdict = tape.verdict("rejoin")
    broken(verdict)
    assert "message Plain did not reach node rear" in verdict.text
    assert verdict.culprit == "dash"


def test_a_heartbeat_keeps_a_silent_request_alive():
    """The request comes once; the other message goes on, and its silence is the lost link."""
    tape = Tape(car(lamp=BEAT)).request(60, on=True).plain(75, 3000, on=False)
    assert tape.output("lamp", (80, 1)).broken("lamp") == []

    def lost(late):
        made = Tape(car(lamp=BEAT)).requests(60, 3000, on=True).plain(75, 1026, on=False)
        made.fault("drop", 1030, None)
        return made.output("lamp", (80, 1), (1295 + late, 0))

    edge(lost, "stale", deadline_ms=1295)


def test_what_comes_while_the_heartbeat_is_late_may_be_followed_and_need_not():
    """The heartbeat is silent from 475 to 725 ms, and may count as lost from 625 ms on. Asked for
    at 660 ms: who still has its link follows by 680 ms; who has not, waits for both messages twice,
    up to 810 ms.
    """

    def tape(on_at):
        load = BEAT | {"early": "100 ms"}
        made = Tape(car(lamp=load)).plain(75, 476, on=False).plain(725, 3000, on=False)
        made.requests(60, 660, on=False).requests(660, 3000, on=True).fault("drop", 480, 720)
        return made.output("lamp", (on_at, 1))

    for on_at in (660, 680, 725, 830):
        assert tape(on_at).broken("lamp") == []
    broken(tape(660 - NS).verdict("fresh"), NS, 660 - NS)
    broken(tape(830 + NS).verdict("rejoin"), NS, 830)


def test_what_comes_while_another_message_is_late_is_lost_again_with_that():
    """The first of two messages is silent from 460 to 760 ms, and comes back while the second, last
    heard at 475 ms, may count as lost: from 720 ms on, by 745 ms.
    """

    def tape(*levels):
        made = Tape(car(lamp=BOTH | {"on_stale": "off"})).requests(60, 461, on=False)
        made.plain(75, 476, on=True).request(730, on=True).request(780, on=True)
        made.plain(1075, 3000, on=False).fault("drop", 480, 1060)
        return made.requests(1060, 3000, on=True).output("lamp", *levels)

    assert tape().broken("lamp") == []
    assert tape((730, 1), (731, 0)).broken("lamp") == []
    assert tape((750, 1), (750 + NS, 0)).broken("lamp") != []
    assert tape((735, 1), (745, 0)).broken("lamp") == []
    broken(tape((735, 1), (745 + NS, 0)).verdict("stale"), NS, 745)
    assert tape((735, 1), (740, 0), (741, 1), (745, 0)).broken("lamp") != []


def test_a_message_that_comes_before_another_is_lost_has_its_latency():
    """The first of two messages is lost from 605 ms on. It comes back at 710 ms, the second may
    count as lost from 720 ms on: who acts on the first has until 730 ms.
    """

    def tape(*levels):
        made = Tape(car(lamp=BOTH | {"on_stale": "on", "confirm": 1})).requests(60, 361, on=False)
        made.plain(75, 476, on=True).request(710, on=False).fault("drop", 380, 1060)
        made.plain(1075, 3000, on=True).requests(1060, 3000, on=False)
        return made.output("lamp", (610, 1), *levels)

    assert tape((1080, 0)).broken("lamp") == []
    assert tape((730, 0), (740, 1), (1080, 0)).broken("lamp") == []
    assert tape((730 + NS, 0), (740, 1), (1080, 0)).broken("lamp") != []


def test_who_refuses_one_message_goes_by_the_one_before_and_loses_its_link_with_that():
    """The sender is reset behind its request of 960 ms, and counts anew: who refuses that, up to
    1240 ms, may call its link lost from 1205 ms on, by 1230 ms. (The other message came at 945 ms,
    and might have been lost by 1215 ms; who takes the request loses no link at all.)
    """

    def tape(*levels):
        made = Tape(car(lamp=BOTH | {"on_stale": "on"})).plain(45, 946, on=False)
        made.requests(60, 961, on=False).plain(1055, 3000, on=False)
        made.counter = (made.counter + 9) % 16
        made.requests(1040, 3000, on=False).reset("dash", 980).fault("reset", 980, 980, "node")
        return made.output("lamp", *levels)

    assert tape().broken("lamp") == []
    assert tape((1230, 1), (1320, 0)).broken("lamp") == []
    assert tape((1230 + NS, 1), (1320, 0)).broken("lamp") != []


def test_a_heartbeat_that_is_back_brings_the_request_that_was_believed():
    """Off is asked for until 460 ms, on at 700 ms by a sender that was reset. The heartbeat, lost
    by 745 ms, is back at 1025 ms: who refused the one of 700 ms goes by the one of 460 ms until
    four more have come, by 1125 ms.
    """

    def tape(*levels):
        made = Tape(car(lamp=BEAT | {"on_stale": "on"})).requests(60, 461, on=False)
        made.plain(75, 476, on=False).plain(1025, 3000, on=False).fault("drop", 480, 1020)
        made.reset("dash", 480).fault("reset", 480, 480, "node")
        made.counter = (made.counter + 9) % 16
        made.request(700, on=True).requests(1040, 3000, on=True)
        return made.output("lamp", (730, 1), *levels)

    assert tape().broken("lamp") == []
    assert tape((1025, 0), (1145, 1)).broken("lamp") == []
    assert tape((1025 - NS, 0), (1145, 1)).broken("lamp") != []
    assert tape((1025, 0), (1145 + NS, 1)).broken("lamp") != []
    assert tape((1025, 0), (1040, 1), (1041, 0), (1145, 1)).broken("lamp") != []


@pytest.mark.parametrize("on_stale", ["on", "hold"])
def test_what_is_held_ends_in_its_time_behind_a_message_that_came_while_another_was_late(on_stale):
    """The second message came last at 475 ms: lost from 625 ms on and by 745 ms, and dark again
    between 80 and 100 ms behind that. The first goes on, which begins nothing anew.
    """
    asks = on_stale == "hold"

    def tape(off_at):
        load = BOTH | {"early": "100 ms", "on_stale": on_stale, "hold_for": "80 ms", "then": "off"}
        made = Tape(car(lamp=load)).requests(60, 3000, on=asks).plain(75, 476, on=asks)
        made.plain(1075, 3000, on=False).fault("drop", 480, 1060)
        return made.output("lamp", (80 if asks else 742, 1), (off_at, 0))

    assert tape(845).broken("lamp") == []
    broken(tape(845 + NS).verdict("then"), NS, 845)
    assert tape(1100).broken("lamp") != []


def test_inputs_are_asked_where_one_signal_asks_alone():
    """A condition that the inputs say nothing about is not judged end to end."""
    asks = {"Request.Lamp": {"follows": "switch == on"}}
    declared = {(v.subject, v.rule) for v in Tape(car(requests=asks)).judged()}
    assert ("lamp", "end to end") in declared
    both = Tape(car(requests=asks, lamp=BOTH)).judged()
    assert ("lamp", "end to end") not in {(v.subject, v.rule) for v in both}
    one = Tape(car(requests=asks, lamp={"request": "Request.Lamp == 1"}))
    one.requests(60, 3000, on=False).hand("Request", (60, 0))
    untested(one.verdict("end to end"))
