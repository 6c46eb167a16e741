"""*notice*: trouble is shown to the driver in time, goes away with its cause, and never lies."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested

LOST = {"lost": {"lost": "rear", "signal": "DashStatus.RearLost", "within": "500 ms"}}
STUCK = {
    "stuck": {
        "stuck": "switch", "longest": "1 s", "signal": "DashStatus.Stuck", "within": "300 ms",
    },
}  # fmt: skip


def lost(*handed, end_ms=4000, back_ms=2060):
    """The rear node's status (every 100 ms) is heard last at 960 ms and again at 2060 ms."""
    tape = Tape(car(notices=LOST), end_ms).requests(60, end_ms, on=False)
    tape.fault("unplug", 1000, 2000, "cable").hand("DashStatus", (60, 0), *handed)
    return tape.status("rear", (60, 1000), *([(back_ms, end_ms)] if back_ms else []))


def test_a_lost_node_is_shown_within_its_time():
    """Last heard at 960 ms: due at 1460 ms."""
    edge(lambda late: lost((1460 + late, 1), (2100, 0)), "notice", "lost", deadline_ms=1460)


def test_a_notice_ends_when_the_node_is_back():
    """Back at 2060 ms: off by 2560 ms."""
    assert lost((1400, 1), (2560, 0)).broken() == []
    broken(lost((1400, 1), (2560 + NS, 0)).verdict("notice", "lost"), NS, 2560)


def test_a_notice_that_is_not_given_is_broken_until_the_node_is_back():
    broken(lost().verdict("notice", "lost"), 600, 1460)


def test_a_notice_that_goes_out_too_early_is_broken():
    broken(lost((1400, 1), (2000, 0)).verdict("notice", "lost"), 60, 2000)


def test_a_notice_before_the_message_was_even_due_is_a_lie():
    """The next status was due at 960 + 100 = 1060 ms."""
    assert lost((1060, 1), (2100, 0)).broken() == []
    broken(lost((1060 - NS, 1), (2100, 0)).verdict("notice", "lost"), NS, 1060 - NS)


def test_a_false_alarm_is_broken():
    broken(lost((700, 1), (710, 0), (1400, 1), (2100, 0)).verdict("notice", "lost"), at_ms=700)


def test_a_gap_shorter_than_the_time_needs_no_notice():
    """Back at 1460 ms on the dot."""
    tape = lost(back_ms=1460)
    untested(tape.verdict("notice", "lost"))
    assert ("lost", "notice") not in tape.broken()


@pytest.mark.parametrize("end_ms", [1460, 1200])
def test_a_deadline_at_the_end_tests_nothing(end_ms):
    tape = Tape(car(notices=LOST), end_ms).requests(60, end_ms, on=False)
    tape.fault("unplug", 1000, None, "cable").hand("DashStatus", (60, 0), (1100, 1))
    untested(tape.status("rear", (60, 1000)).verdict("notice", "lost"))


def test_no_trouble_tests_no_notice():
    tape = Tape(car(notices=LOST), 3000).requests(60, 3000, on=False).hand("DashStatus", (60, 0))
    untested(tape.verdict("notice", "lost"))


def test_a_node_that_never_hands_over_its_notices_gives_none():
    tape = Tape(car(notices=LOST), 3000).requests(60, 3000, on=False)
    tape.fault("unplug", 1000, None, "cable").status("rear", (60, 1000))
    broken(tape.verdict("notice", "lost"), 3000 - 1460, 1460)


def test_a_node_that_is_off_the_bus_itself_hears_and_says_nothing():
    tape = lost().controller("dash", (1000, "BUS_OFF"))
    assert ("lost", "notice") not in tape.broken()
    untested(tape.verdict("notice", "lost"))


def stuck(*handed, down_ms=1000, up_ms=3000, end_ms=5000):
    """The switch is held from 1000 to 3000 ms; longer than 1 s is not plausible."""
    tape = Tape(car(notices=STUCK), end_ms).requests(60, end_ms, on=False)
    tape.input("switch", (down_ms, "on"), (up_ms, "off"))
    return tape.hand("DashStatus", (60, 0), *handed)


def test_a_stuck_input_is_shown_within_its_time():
    """Implausible from 2000 ms on: due at 2300 ms."""
    edge(lambda late: stuck((2300 + late, 2), (3100, 0)), "notice", "stuck", deadline_ms=2300)


def test_a_stuck_input_is_not_shown_before_it_is_one():
    assert stuck((2000, 2), (3100, 0)).broken() == []
    broken(stuck((2000 - NS, 2), (3100, 0)).verdict("notice", "stuck"), NS, 2000 - NS)


def test_the_notice_of_a_stuck_input_ends_with_it():
    assert stuck((2200, 2), (3300, 0)).broken() == []
    broken(stuck((2200, 2), (3300 + NS, 0)).verdict("notice", "stuck"), NS, 3300)


def test_an_input_held_for_its_longest_time_is_not_stuck():
    untested(stuck(up_ms=2000).verdict("notice", "stuck"))


def test_a_node_that_starts_anew_counts_from_its_boot():
    """Held from 1000 to 4000 ms, the dash resets at 1500 ms and has booted at 1600 ms: it may
    count from there, and show it by 1600 + 1000 + 300 = 2900 ms.
    """

    def tape(late):
        made = stuck((2900 + late, 2), (4100, 0), up_ms=4000).reset("dash", 1500)
        return made.fault("reset", 1500, 1500, "node")

    edge(tape, "notice", "stuck", deadline_ms=2900)


def test_a_node_that_comes_back_on_the_bus_has_time_to_find_out():
    """Off the bus itself from 1000 to 1500 ms: excused up to 1500 + 400 + 500 = 2400 ms."""

    def tape(on_at):
        made = lost((on_at, 1), (3100, 0), back_ms=3000)
        return made.controller("dash", (1000, "BUS_OFF"), (1500, "ERROR_ACTIVE"))

    assert ("lost", "notice") not in tape(2400).broken()
    broken(tape(2400 + NS).verdict("notice", "lost"), NS, 2400)


def test_a_node_that_is_reset_off_the_bus_has_no_longer_than_any_other():
    """Off the bus itself from 1000 ms, reset at 1200 ms, up at 1300 ms: due at
    1300 + 500 = 1800 ms.
    """

    def tape(on_at):
        made = lost((on_at, 1), (3100, 0), back_ms=3000)
        made.controller("dash", (1000, "BUS_OFF")).reset("dash", 1200)
        return made.fault("reset", 1200, 1200, "node")

    assert ("lost", "notice") not in tape(1800).broken()
    broken(tape(1800 + NS).verdict("notice", "lost"), NS, 1800)


def frozen(*told):
    """The dash's status counts up to 1010 ms, then repeats one counter until 2500 ms."""
    vehicle = car(
        nodes={"dash": {"status": "Request"}},
        notices={
            "dash_lost": {"lost": "dash", "signal": "RearStatus.Alive", "within": "300 ms"},
        },
    )
    tape = Tape(vehicle, 3000).requests(60, 1011, on=False)
    tape.requests(1060, 2500, on=False, counter=tape.counter)
    tape.requests(2510, 3000, on=False)
    tape.status("dash")
    return tape.hand("RearStatus", (60, 0), *told)


def test_a_node_whose_counter_stands_still_is_lost():
    """The last good status ends at 1010 ms: told by 1310 ms, or broken."""
    kept(frozen((1300, 1), (2600, 0)).verdict("notice", "dash_lost"), 10)
    broken(frozen((1350, 1), (2600, 0)).verdict("notice", "dash_lost"), 40, 1310)
    assert frozen().verdict("notice", "dash_lost").broken


def test_a_notice_of_a_counter_that_stands_still_is_not_without_cause():
    """Given before the status is overdue it is, and kept too long behind the return as well."""
    assert not frozen((1300, 1), (2700, 0)).broken("dash_lost")
    assert frozen((1020, 1), (2700, 0)).broken("dash_lost")
    assert frozen((1300, 1), (2900, 0)).broken("dash_lost")


def test_behind_a_silence_a_counter_may_have_come_round():
    """16 periods of 50 ms without a status, then it goes on with the counter from before: the node
    is back, and the notice may be withdrawn at once.
    """
    vehicle = frozen().vehicle
    tape = Tape(vehicle, 3000).requests(60, 1011, on=False)
    assert tape.counter == 4
    tape.request(1810, on=False, counter=4).requests(1860, 3000, on=False).status("dash")
    tape.hand("RearStatus", (60, 0), (1300, 1), (1815, 0))
    assert not tape.broken("dash_lost")
