"""*end to end*: a load does what its inputs ask for, whatever happened on the way.

The switch goes on at 1000 ms. Debounce 20, control latency 70, period 50, worst wait on the bus
10, load latency 20 ms: due at 1170 ms.
"""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested

REQUESTS = {
    name: {"follows": "switch == on"} for name in ("Request.Lamp", "Plain.Lamp")
}  # fmt: skip
RULE = "end to end"


def drive(*levels, load=None, end_ms=4000, messages=((60, 1160, 0), (1160, 4000, 1))):
    """The switch is on from 1000 ms to the end; requests as (from, to, on)."""
    tape = Tape(car(requests=REQUESTS, lamp=load or {}), end_ms).input("switch", (1000, "on"))
    for from_ms, to_ms, on in messages:
        tape.requests(from_ms, to_ms, on=on)
        tape.plain(from_ms, to_ms, on=on)
    tape.hand("Request", (60, 0), (1090, 1)).hand("Plain", (60, 0), (1090, 1))
    return tape.output("lamp", *levels)


def test_a_load_is_on_within_the_sum_of_all_latencies():
    edge(lambda late: drive((1170 + late, 1)), RULE, deadline_ms=1170)


def test_every_link_of_the_chain_may_be_in_time_and_the_whole_too_late():
    """The message arrives at 1160 ms, so the load is fresh up to 1180 ms."""
    assert drive((1170 + NS, 1)).broken() == [("lamp", RULE)]


def test_a_load_may_answer_as_soon_as_the_input_changes():
    """1000 ms is 170 ms before it is due; a nanosecond earlier nobody had asked."""
    kept(drive((1000 + NS, 1)).verdict(RULE), 170 - NS)
    broken(drive((1000 - NS, 1)).verdict(RULE), NS, 1000 - NS)


def test_the_end_of_a_request_is_due_likewise():
    """The switch goes off at 2000 ms: due at 2170 ms."""

    def tape(late):
        made = drive((1100, 1), (2170 + late, 0), messages=((60, 1100, 0), (1100, 2160, 1)))
        return made.requests(2160, 4000, on=False).input("switch", (2000, "off"))

    edge(tape, RULE, deadline_ms=2170)


def test_no_input_that_changes_tests_nothing():
    tape = Tape(car(requests=REQUESTS), 3000).requests(60, 3000, on=False)
    untested(tape.verdict(RULE))


@pytest.mark.parametrize("end_ms", [1170, 1100])
def test_a_deadline_at_the_end_tests_nothing(end_ms):
    untested(drive((1165, 1), end_ms=end_ms).verdict(RULE))


def overdue(late):
    """Heard at 1110 ms and only again at 1210 ms: due at 1210 + 20 = 1230 ms."""
    return drive((1230 + late, 1), messages=((60, 1111, 0), (1210, 4000, 1)))


def test_a_message_that_was_overdue_once_excuses_nothing_later():
    """Heard at 260 and 360 ms; the switch is on from 1000 ms on, and nobody ever asks for it."""
    tape = Tape(car(requests=REQUESTS), 4000).input("switch", (1000, "on"))
    tape.requests(60, 261, on=False).requests(360, 4000, on=False).plain(60, 4000, on=False)
    tape.hand("Request", (60, 0), (1090, 1)).hand("Plain", (60, 0), (1090, 1))
    broken(tape.verdict(RULE), 2830, 1170)


def test_who_may_have_lost_its_link_waits_for_two_messages_here_too():
    """Heard at 1010 ms, maybe stale from 1140 ms on, and heard again at 1210 and 1260 ms: the state
    without a link may be left out, and on is due at 1280 ms.
    """
    load = {"early": "120 ms", "on_stale": "on"}
    heard = ((60, 1011, 0), (1210, 4000, 1))
    assert drive((1280, 1), load=load, messages=heard).broken("lamp") == []
    assert drive((1280 + NS, 1), load=load, messages=heard).broken("lamp") != []


def test_a_message_that_is_overdue_leaves_the_last_request_allowed():
    assert not overdue(0).verdict(RULE).broken
    broken(overdue(NS).verdict(RULE), NS, 1230)


def test_a_message_that_is_overdue_tests_the_rule_all_the_same():
    edge(overdue, RULE, deadline_ms=1230)


def test_a_lost_link_excuses_with_the_failsafe_state():
    """No request after 460 ms, and off on stale: nothing of the switch arrives."""
    tape = drive(messages=((60, 461, 0),)).fault("cut", 465, None)
    untested(tape.verdict(RULE))
    assert tape.broken() == []


def test_a_lost_link_excuses_nothing_but_the_failsafe_state():
    """Lit at 700 ms though nobody asks and the link is lost."""
    tape = drive((900, 1), (901, 0), messages=((60, 461, 0),)).fault("cut", 465, None)
    broken(tape.verdict(RULE), 1, 900)


def wrong(from_ms, to_ms, content=True, fault=(1500, 2500)):
    """Right on from 1150 ms on, dark from ``from_ms`` to ``to_ms``, under a fault of content."""
    tape = drive((1150, 1), (from_ms, 0), (to_ms, 1), messages=((60, 1140, 0), (1140, 4000, 1)))
    return tape.fault("alter", *fault, content=content)


def test_a_wrong_state_under_a_fault_of_content_may_last_until_it_is_found_out():
    """250 + 20 = 270 ms."""
    kept(wrong(1600, 1870).verdict(RULE), 20)
    broken(wrong(1600, 1870 + NS).verdict(RULE), 270 + NS, 1600)


def test_a_wrong_state_is_tolerated_only_where_the_content_was_wrong():
    """From the beginning of the fault at 1500 ms to 270 ms after its end, 2770 ms."""
    assert wrong(1500, 1510).verdict(RULE).broken is False
    broken(wrong(1500 - NS, 1510).verdict(RULE))
    assert wrong(2770, 2780).verdict(RULE).broken is False
    broken(wrong(2770 + NS, 2780).verdict(RULE))


def test_without_a_fault_of_content_nothing_is_tolerated():
    broken(wrong(1600, 1601, content=False).verdict(RULE), 1, 1600)


def test_an_unprotected_request_shows_when_it_is_altered():
    """Altered to ask off from 1500 to 2500 ms: good for all that its receiver knows, and wrong."""
    messages = ((60, 1140, 0), (1140, 1500, 1), (1500, 2500, 0), (2500, 4000, 1))
    load = {"request": "Plain.Lamp"}
    tape = drive((1150, 1), (1510, 0), (2510, 1), load=load, messages=messages)
    tape.fault("alter", 1500, 2500, content=True)
    broken(tape.verdict(RULE), 1000, 1510)
    assert tape.verdict("fresh").broken is False


def test_with_a_pin_at_fault_the_rule_does_not_speak():
    tape = drive((1150, 1)).fault("stuck", 500, 600, "input")
    untested(tape.verdict(RULE))


def test_a_local_input_that_asks_anyway_leaves_the_rule_untested():
    load = {"local": "pedal == down", "local_use": "or"}
    tape = drive((510, 1), load=load).input("pedal", (500, "down"))
    untested(tape.verdict(RULE))
    assert tape.broken() == []


def hung(late):
    """Hung from 900 to 1500 ms: due at 1500 + 170 = 1670 ms."""
    made = drive((1670 + late, 1), messages=((60, 1640, 0), (1660, 4000, 1)))
    made.node("dash", (900, "hung", "fault"), (1500, "running", "fault"))
    return made.fault("hang", 900, 1500, "node")


def test_a_hung_sender_is_excused_with_the_state_of_before_until_it_has_caught_up():
    assert not hung(0).verdict(RULE).broken
    broken(hung(NS).verdict(RULE), NS, 1670)


def test_a_hung_sender_tests_the_rule_all_the_same():
    edge(hung, RULE, deadline_ms=1670)


def test_a_sender_that_starts_anew_is_excused_until_it_has_caught_up():
    """Reset at 900 ms, booted at 1000 ms: whatever was asked, due at 1000 + 170 = 1170 ms."""

    def tape(off_at):
        messages = ((60, 860, 1), (960, 1160, 1), (1160, 4000, 0))
        made = Tape(car(requests=REQUESTS), 4000).input("switch", (0, "on"), (905, "off"))
        for from_ms, to_ms, on in messages:
            made.requests(from_ms, to_ms, on=on)
        made.reset("dash", 900).fault("reset", 900, 900, "node")
        return made.output("lamp", (70, 1), (off_at, 0))

    assert (("lamp", RULE)) not in tape(1170).broken()
    broken(tape(1170 + NS).verdict(RULE), NS, 1170)


def test_a_sender_that_starts_anew_may_not_ask_for_what_nobody_ever_asked():
    """The switch is on all the time. Reset at 900 ms, back with a round of zeros: dark for 50 ms
    from 1050 ms on, which is no state of before, none that is asked for and no fail-safe state.
    """

    def tape(*levels):
        messages = ((60, 900, 1), (1040, 1090, 0), (1090, 4000, 1))
        made = Tape(car(requests=REQUESTS), 4000).input("switch", (0, "on"))
        for from_ms, to_ms, on in messages:
            made.requests(from_ms, to_ms, on=on)
        made.reset("dash", 900).fault("reset", 900, 900, "node")
        return made.output("lamp", (70, 1), *levels)

    assert not tape().verdict(RULE).broken
    broken(tape((1050, 0), (1100, 1)).verdict(RULE), 50, 1050)


@pytest.mark.parametrize("reset_ms", [1005, 1010, 1019, 1021])
def test_a_sender_that_is_reset_right_after_it_answered_answered_all_the_same(reset_ms):
    """The switch goes on at 1000 ms, and a program may ask for it at once, debounced or not."""
    made = drive((1004, 1), messages=((60, 1001, 0), (1002, 1003, 1), (reset_ms + 100, 4000, 1)))
    made.recording.handed["Request"].clear()
    made.hand("Request", (60, 0), (1001, 1), (reset_ms + 100, 1))
    made.reset("dash", reset_ms).fault("reset", reset_ms, reset_ms, "node")
    assert made.broken() == []


def test_a_switch_that_bounces_leaves_either_state_allowed():
    """Edges at 1000, 1010 and 1020 ms: stable at 1040 ms, due at 1040 + 150 = 1190 ms."""

    def tape(late):
        made = drive((1190 + late, 1), messages=((60, 1180, 0), (1180, 4000, 1)))
        return made.input("switch", (1010, "off"), (1020, "on"))

    edge(tape, RULE, deadline_ms=1190)
