"""*cycle*: a message comes often enough, not too often, and whole.

Plain and Request have a cycle of 50 ms: late after 75 ms, early before 45 ms. The program has its
pins by 100 ms, so the first one is due at 175 ms.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from judge_lab import NS, Tape, broken, car, kept, ns, untested
from sender_lab import every, hand, plain, requests, verdict, verdicts

from linkloss.judge.case import Case
from linkloss.judge.message_rules import judge_cycle
from linkloss.judge.verdict import Cause
from linkloss.vehicle.tables import MessageTable


def tape(end_ms=1000, nodes=None, plain=None, request=None) -> Tape:
    """The tiny car with tables on how its messages are sent."""
    made = Tape(car(nodes=nodes), end_ms)
    tables = {"Plain": plain or {}, "Request": request or {}}
    sendings = {name: MessageTable.model_validate(table) for name, table in tables.items()}
    file = made.vehicle.file.model_copy(update={"messages": sendings})
    made.vehicle = replace(made.vehicle, file=file)
    return made


def cycle(made: Tape, message="Plain"):
    return verdict(made, message, "cycle")


def count(*entries):
    """Requests every 50 ms from 60 ms on with these (lamp, counter)."""
    return ((60 + 50 * place, on, number) for place, (on, number) in enumerate(entries))


# ---- too late ----


def test_a_message_in_its_cycle_is_kept_with_half_a_cycle_to_spare():
    kept(cycle(plain(tape(), *every(60, 1000))), 25)


@pytest.mark.parametrize(("late", "right"), [(0, True), (NS, False)])
def test_it_may_be_half_a_cycle_late_and_no_more(late, right):
    """One at 510 ms, the next due at 585 ms."""
    made = plain(tape(), *every(60, 511), 585 + late, *every(640, 1000))
    if right:
        kept(cycle(made), 0)
    else:
        broken(cycle(made), NS, 585)


def test_one_that_never_comes_is_broken_from_when_it_was_first_due():
    broken(cycle(tape()), 825, 175)


def test_an_attempt_that_the_controller_refused_counts():
    made = plain(tape(), *every(60, 300))
    kept(cycle(hand(made, "Plain", *((at, [0]) for at in every(310, 1000)), taken=False)))


def test_a_hang_excuses_as_long_as_it_lasts():
    made = plain(tape(), *every(60, 500), *every(730, 1000))
    made.node("dash", (500, "hung", "fault"), (700, "running", "fault"))
    kept(cycle(made))
    made = plain(tape(), *every(60, 500), *every(780, 1000))
    made.node("dash", (500, "hung", "fault"), (700, "running", "fault"))
    broken(cycle(made), 5, 775)


def test_a_reset_begins_anew_with_the_declared_boot():
    made = plain(tape(1500), *every(60, 500), *every(675, 1500))
    kept(cycle(made.reset("dash", 500)), 0)
    made = plain(tape(1500), *every(60, 500), *every(676, 1500))
    broken(cycle(made.reset("dash", 500)), 1, 675)


def test_in_bus_off_nobody_need_try_and_behind_it_there_is_the_time_to_rejoin():
    """Off from 400 ms to 600 ms; rejoin is 400 ms, and then a message is due in 75 ms."""
    made = plain(tape(2000), *every(60, 400), *every(1075, 2000))
    made.controller("dash", (400, "BUS_OFF"), (600, "ACTIVE"))
    kept(cycle(made), 0)
    made = plain(tape(2000), *every(60, 400), *every(1076, 2000))
    made.controller("dash", (400, "BUS_OFF"), (600, "ACTIVE"))
    broken(cycle(made), 1, 1075)


def test_a_program_may_wait_until_its_controller_has_room():
    """What was handed over at 460 ms is sent at 700 ms: it looked at its mailboxes, not at us."""
    made = plain(tape(), *every(60, 460), *every(775, 1000))
    kept(cycle(plain(made, 460, sent_ms=700)), 0)
    broken(cycle(plain(tape(), *every(60, 461), *every(775, 1000))), 240, 535)


def test_asleep_nobody_sends_and_behind_it_the_program_boots():
    """Asleep from 450 ms until the key moves at 800 ms; 100 ms of boot, 75 ms for a message."""
    nodes = {"dash": {"sleeps_when": "key == off", "asleep_within": "100 ms"}}

    def made(back_ms):
        tape_ = plain(tape(2000, nodes), *every(60, 450), *every(back_ms, 2000))
        tape_.input("key", (0, "on"), (400, "off"), (800, "on"))
        return tape_.nap("dash", 450, 800, by="key")

    kept(cycle(made(975)), 0)
    broken(cycle(made(976)), 1, 975)


def test_awake_a_node_that_may_sleep_keeps_its_cycle():
    """Silent from 410 ms on, asleep at 500 ms: the message was due 75 ms behind the last."""
    nodes = {"dash": {"sleeps_when": "key == off", "asleep_within": "100 ms"}}
    made = plain(tape(2000, nodes), *every(60, 411), *every(975, 2000))
    made.input("key", (0, "on"), (400, "off"), (800, "on")).nap("dash", 500, 800, by="key")
    broken(cycle(made), 15, 485)


# ---- too soon ----


@pytest.mark.parametrize(("gap_ms", "right"), [(45, True), (45 - NS, False), (3, False)])
def test_nine_tenths_of_a_cycle_lie_between_two(gap_ms, right):
    made = plain(tape(), *every(60, 511), *every(510 + gap_ms, 1000))
    if right:
        kept(cycle(made))
    else:
        broken(cycle(made), at_ms=510 + gap_ms)


def test_a_declared_jitter_of_the_handing_over_widens_both_limits():
    made = plain(tape(plain={"jitter": "30 ms"}), *every(60, 511), 530, *every(610, 1000))
    kept(cycle(made), 0)
    made = plain(tape(plain={"jitter": "30 ms"}), *every(60, 511), 529, *every(570, 1000))
    broken(cycle(made), at_ms=529)


def news(gap_ms, *, on, **table):
    """One more at ``gap_ms`` behind the last, with the lamp asked for or not."""
    made = plain(tape(plain={"min_gap": "10 ms", **table}), *every(60, 511))
    return plain(made, *every(510 + gap_ms, 1000), on=on)


def test_with_a_declared_gap_news_may_come_early():
    kept(cycle(news(10, on=1)))
    broken(cycle(news(10 - NS, on=1)), at_ms=510 + 10 - NS)


def test_without_news_it_may_not_come_early():
    broken(cycle(news(10, on=0)), at_ms=520)


def test_news_is_what_the_vehicle_declares_as_news():
    broken(cycle(news(10, on=1, on_change=[])), at_ms=520)
    kept(cycle(news(10, on=1, on_change=["Lamp"])))


def test_the_counter_is_no_news():
    made = tape(request={"min_gap": "10 ms"})
    requests(made, *count((0, 0), (0, 1), (0, 2)), (170, 0, 3))
    broken(verdict(made, "Request", "cycle"), at_ms=170)


def test_one_that_was_refused_until_late_may_be_followed_by_one_on_time():
    """Due at 460 ms, refused until 480 ms; the next one is due at 510 ms as ever."""
    made = plain(tape(), *every(60, 460), 480, *every(510, 1000))
    kept(cycle(hand(made, "Plain", (460, [0]), (470, [0]), taken=False)))
    broken(cycle(plain(tape(), *every(60, 460), 480, *every(510, 1000))), at_ms=510)


def test_behind_a_hang_one_may_be_late_and_the_next_on_time_but_not_all_that_were_missed():
    def late(*times):
        made = plain(tape(), *every(60, 461), *times, *every(710, 1000))
        return made.node("dash", (500, "hung", "fault"), (700, "running", "fault"))

    kept(cycle(late(700)))
    broken(cycle(late(700, 700, 700)), at_ms=700)


# ---- whole ----


def test_the_counter_goes_on_by_one():
    right = [(0, number % 16) for number in range(18)]
    made = requests(tape(900), *count(*right))
    kept(verdict(made, "Request", "cycle"))


@pytest.mark.parametrize("wrong", [(0, 2), (0, 4)])
def test_a_counter_at_rest_or_one_that_leaps_is_broken(wrong):
    made = requests(tape(300), *count((0, 1), (0, 2), wrong, (0, wrong[1] + 1)))
    broken(verdict(made, "Request", "cycle"), at_ms=160)


@pytest.mark.parametrize(
    ("changes", "numbers", "right"),
    [
        ({"minimum": 1.0}, (14, 15, 1, 2), True),
        ({"minimum": 1.0}, (14, 15, 0, 1), False),
        ({"maximum": 14.0}, (13, 14, 0, 1), True),
        ({"maximum": 14.0}, (13, 14, 15, 0), False),
        ({"raw": lambda data: ((data[1] & 15) ^ 8) - 8}, (6, 7, 8, 9), True),
        ({"raw": lambda data: ((data[1] & 15) ^ 8) - 8}, (6, 7, 0, 1), False),
    ],
)
def test_a_counter_comes_round_within_its_range(changes, numbers, right):
    """A signed one of four bits goes from 7 to -8, which is 8 in its bits."""
    made = tape(280)
    info = made.vehicle.messages["Request"]
    counter = replace(info.counter, **{"minimum": None, "maximum": None, **changes})
    messages = {**made.vehicle.messages, "Request": replace(info, counter=counter)}
    made.vehicle = replace(made.vehicle, messages=messages)
    found = verdict(requests(made, *count(*((0, n) for n in numbers))), "Request", "cycle")
    if right:
        kept(found)
    else:
        assert found.cause is Cause.COUNTER


def test_the_counter_counts_what_was_taken_and_begins_anew_with_the_program():
    made = requests(tape(800), *count((0, 1), (0, 2), (0, 3)))
    hand(made, "Request", (210, [0, 4, 4]), taken=False)
    requests(made, (260, 0, 4), (310, 0, 5))
    made.reset("dash", 330)
    requests(made, *((at, 0, place) for place, at in enumerate(every(420, 800))))
    kept(verdict(made, "Request", "cycle"))


def test_a_wrong_checksum_and_a_wrong_length_are_broken():
    made = requests(tape(), *count((0, 1), (0, 2)))
    broken(verdict(hand(made, "Request", (160, [0, 3, 9])), "Request", "cycle"), at_ms=160)
    made = requests(tape(), *count((0, 1), (0, 2)))
    broken(verdict(hand(made, "Request", (160, [0, 3])), "Request", "cycle"), at_ms=160)


# ---- exercised, judged from an instant on ----


def test_one_message_alone_tests_nothing():
    untested(cycle(plain(tape(130), 60)))


def test_a_run_that_ends_before_a_message_is_due_tests_nothing():
    untested(cycle(plain(tape(175), 60, 110, 160)))


def test_what_came_before_is_not_judged_and_what_comes_then_is():
    made = plain(tape(), *every(60, 300), 303, *every(350, 1000))
    assert not verdicts(made.vehicle, made.recording, ns(400))[("Plain", "cycle")].broken
    made = plain(tape(), *every(60, 600), 603, *every(650, 1000))
    found = verdicts(made.vehicle, made.recording, ns(400))[("Plain", "cycle")]
    broken(found, at_ms=603)


def test_the_finding_says_what_was_seen_and_what_was_expected():
    made = plain(tape(), *every(60, 511), 513, *every(560, 1000))
    found = judge_cycle(Case(made.vehicle, made.recording), "Plain")[0]
    assert found.text == "Plain came 3 ms after the one before; at least 45 ms"
    assert found.culprit == "dash"
