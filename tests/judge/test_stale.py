"""*stale*: what a load does when its good messages stay away, and how it comes back."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested


def lost(load, *levels, on=True, end_ms=3000):
    """Requests at 60 ... 460 ms, then none. Stale at 460 + 250 = 710 ms: the fail-safe state is
    allowed from 710 - 5 = 705 ms on, and the only one from 710 + 20 = 730 ms on.
    """
    tape = Tape(car(lamp=load), end_ms).requests(60, 461, on=on).fault("cut", 465, None)
    return tape.output("lamp", *([(70, 1)] if on else []), *levels)


def test_off_on_stale_is_due_after_stale_and_reaction():
    edge(lambda late: lost({}, (730 + late, 0)), "stale", deadline_ms=730)


def test_on_on_stale_is_due_after_stale_and_reaction():
    load = {"on_stale": "on"}
    edge(lambda late: lost(load, (730 + late, 1), on=False), "stale", deadline_ms=730)


def test_the_failsafe_state_is_allowed_early_but_not_earlier():
    """At 705 ms on the dot: 25 ms before the deadline; a nanosecond before, it is too soon."""
    kept(lost({}, (705, 0)).verdict("stale"), 25)
    early = lost({}, (705 - NS, 0))
    broken(early.verdict("stale"), NS, 705 - NS)
    assert early.broken() == [("lamp", "stale")]


def test_a_declared_early_moves_the_edge():
    load = {"early": "40 ms"}
    kept(lost(load, (670, 0)).verdict("stale"), 60)
    broken(lost(load, (670 - NS, 0)).verdict("stale"), NS, 670 - NS)


def test_a_load_that_never_goes_off_is_wrong_to_the_end():
    """From 730 to 3000 ms."""
    broken(lost({}).verdict("stale"), 2270, 730)


def test_a_load_that_comes_back_on_by_itself_is_broken():
    broken(lost({}, (720, 0), (2000, 1), (2001, 0)).verdict("stale"), 1, 2000)


def test_off_when_it_was_off_tests_nothing():
    untested(lost({}, on=False).verdict("stale"))


def test_hold_is_kept_without_a_deadline():
    kept(lost({"on_stale": "hold"}).verdict("stale"), None)


def test_hold_is_broken_when_the_load_goes_to_its_hardware_default():
    """Dark from 730 to 3000 ms; up to 730 ms the request itself was still the only one."""
    broken(lost({"on_stale": "hold"}, (900, 0)).verdict("stale"), 2100, 900)


def test_hold_of_the_hardware_default_tests_nothing():
    untested(lost({"on_stale": "hold"}, on=False).verdict("stale"))


def test_hold_off_against_a_hardware_default_of_on_is_a_test():
    load = {"on_stale": "hold", "hardware_default": "on"}
    kept(lost(load, on=False).verdict("stale"), None)


@pytest.mark.parametrize("end_ms", [730, 711, 500])
def test_a_deadline_at_or_beyond_the_end_tests_nothing(end_ms):
    untested(lost({}, (710, 0), end_ms=end_ms).verdict("stale"))
    kept(lost({}, (710, 0), end_ms=730 + NS).verdict("stale"), 20)


def test_a_fail_safe_state_is_taken_once():
    """Off, on and off again while it is allowed: the way back to on is a change without cause."""
    tape = lost({}, (706, 0), (710, 1), (712, 0))
    assert tape.broken() == [("lamp", "stale")]
    broken(tape.verdict("stale"), 2, 710)


def test_a_gap_that_ends_before_the_deadline_tests_nothing():
    """A good message at 729 ms: the load need not have done anything."""
    tape = lost({}).requests(729, 3000, on=True)
    untested(tape.verdict("stale"))
    assert tape.broken() == []


HOLD_THEN = {"on_stale": "hold", "hold_for": "800 ms", "then": "off"}


def test_then_is_due_after_hold_for_and_reaction():
    """730 + 800 + 20 = 1550 ms."""
    edge(lambda late: lost(HOLD_THEN, (1550 + late, 0)), "then", deadline_ms=1550)


def test_then_may_come_early_by_its_own_share():
    """705 + 800 - 16 (2 % of 800) = 1489 ms: 61 ms before its deadline; before, it is too soon."""
    kept(lost(HOLD_THEN, (1489, 0)).verdict("then"), 61)
    broken(lost(HOLD_THEN, (1489 - NS, 0)).verdict("then"), NS, 1489 - NS)


def test_a_declared_early_counts_for_both():
    """Stale from 670 ms on: 670 + 800 - 40 = 1430 ms."""
    load = HOLD_THEN | {"early": "40 ms"}
    kept(lost(load, (1430, 0)).verdict("then"), 120)
    broken(lost(load, (1430 - NS, 0)).verdict("then"), NS, 1430 - NS)


def test_hold_then_tests_both_rules():
    tape = lost(HOLD_THEN, (1520, 0))
    kept(tape.verdict("stale"), None)
    kept(tape.verdict("then"), 30)


def test_hold_is_still_to_be_kept_long_before_then():
    """Dark at 1000 ms: far from 1489 ms, so it is the hold that breaks."""
    broken(lost(HOLD_THEN, (1000, 0)).verdict("stale"), 489, 1000)


def test_then_after_on_does_not_count_from_the_request():
    """Asked off, on when stale, off again 800 ms later: due at 1550 ms, done at 1510 ms."""
    load = {"on_stale": "on", "hold_for": "800 ms", "then": "off"}
    kept(lost(load, (720, 1), (1510, 0), on=False).verdict("then"), 40)


def test_then_is_not_tested_when_the_link_returns_before():
    tape = lost(HOLD_THEN).requests(1500, 3000, on=True)
    untested(tape.verdict("then"))
    kept(tape.verdict("stale"), None)


def back(on_at, load=None, until_ms=3000):
    """The link is back at 1010 ms, the fault stays; the second good message comes at 1060 ms:
    on is due at 1060 + 20 = 1080 ms. Gone again from ``until_ms`` on, and back at 1400 ms.
    """
    tape = lost(load or {}, (720, 0), (on_at, 1)).requests(1010, until_ms, on=True)
    return tape.requests(1400, 3000, on=True) if until_ms < 1400 else tape


def test_a_load_has_until_the_second_message_and_its_latency():
    edge(lambda late: back(1080 + late), "rejoin", deadline_ms=1080)


def test_a_load_may_follow_at_once_when_the_link_is_back():
    """At 1010 ms; a nanosecond earlier nobody had asked."""
    assert back(1010).broken() == []
    broken(back(1010 - NS).verdict("rejoin"), NS, 1010 - NS)


@pytest.mark.parametrize("on_ms", [1010, 1040, 1059])
def test_a_load_that_follows_before_the_second_message_is_put_to_the_test_too(on_ms):
    """Had it stayed dark, it would have been wrong at 1080 ms."""
    kept(back(on_ms).verdict("rejoin"), 1080 - on_ms)


def test_a_load_that_never_follows_again_is_wrong_to_the_end():
    """From 1080 to 3000 ms, long as its time to rejoin may be."""
    tape = lost({"rejoin": "5 s"}, (720, 0)).requests(1010, 3000, on=True)
    broken(tape.verdict("rejoin"), 1920, 1080)


def test_a_declared_confirm_moves_the_deadline():
    """The fourth comes at 1160 ms; or the first, at 1010 ms, is enough."""
    for confirm, due_ms in ((4, 1180), (1, 1030)):
        load = {"confirm": confirm}
        edge(lambda late, t=due_ms, load=load: back(t + late, load), "rejoin", deadline_ms=due_ms)


def test_a_declared_time_to_follow_again_counts_from_the_first_message():
    """1010 + 150 ms."""
    load = {"follow_again": "150 ms"}
    edge(lambda late: back(1160 + late, load), "rejoin", deadline_ms=1160)


def test_without_a_counter_the_first_message_is_enough():
    """Plain messages up to 460 ms and from 1010 ms on."""

    def tape(late):
        made = Tape(car(lamp={"request": "Plain.Lamp"}), 3000).plain(60, 461, on=True)
        made.plain(1010, 3000, on=True).fault("cut", 465, None)
        return made.output("lamp", (70, 1), (720, 0), (1030 + late, 1))

    edge(tape, "rejoin", deadline_ms=1030)


def disturbed(on_at, *frames, again_ms=1060):
    """Good at 1010 ms, then these frames, good ones again from ``again_ms`` on."""
    tape = lost({}, (720, 0), (on_at, 1)).request(1010, on=True)
    for at_ms, data in frames:
        tape.frame(at_ms, 0x100, data)
    return tape.requests(again_ms, 3000, on=True)


WRONG_SUM, REPEAT = [1, 11, 99], [1, 10, 11]


@pytest.mark.parametrize("data", [WRONG_SUM, REPEAT])
def test_a_bad_message_between_begins_the_row_anew(data):
    """Bad at 1030 ms, good at 1060 and 1110 ms: due at 1130 ms. The first may be followed."""
    edge(lambda late: disturbed(1130 + late, (1030, data)), "rejoin", deadline_ms=1130)
    assert disturbed(1010, (1030, data)).broken() == []


def test_a_bad_message_behind_the_row_changes_nothing():
    """Good at 1010 and 1060 ms, bad at 1070 ms: due at 1080 ms all the same."""
    edge(lambda late: disturbed(1080 + late, (1070, WRONG_SUM)), "rejoin", deadline_ms=1080)


def test_a_lone_message_may_be_followed_until_the_link_may_be_lost_and_need_not():
    """Good at 1010 ms only, then from 1400 ms on: on by 1470 ms. Who follows the first cannot know
    that no second one comes by 1060 ms, and may call the link lost again at 1010 + 245 = 1255 ms.
    """
    edge(lambda late: back(1470 + late, until_ms=1011), "rejoin", deadline_ms=1470)

    def followed(on_at, off_at):
        tape = lost({}, (720, 0), (on_at, 1), (off_at, 0), (1450, 1))
        return tape.request(1010, on=True).requests(1400, 3000, on=True)

    assert followed(1030, 1255).broken() == []
    assert followed(1030, 1280).broken() == []
    broken(followed(1030, 1280 + NS).verdict("stale"), NS, 1280)
    broken(followed(1030, 1255 - NS).verdict("stale"), NS, 1255 - NS)
    assert followed(1080, 1255).broken() == []
    assert followed(1255 - NS, 1280).broken() == []
    assert followed(1255, 1280).broken() == [("lamp", "stale")]


def test_a_lone_message_may_be_followed_for_as_long_as_the_rules_give_for_following_again():
    """Good at 1010 ms only. The link may count as lost again from 1155 ms on, and need not until
    1280 ms: who has not lost it may follow by 1010 + 250 = 1260 ms.
    """

    def followed(on_at):
        load = {"early": "105 ms", "follow_again": "250 ms"}
        tape = lost(load, (720, 0), (on_at, 1), (1280, 0), (1450, 1))
        return tape.request(1010, on=True).requests(1400, 3000, on=True)

    assert followed(1150).broken() == []
    assert followed(1260).broken() == []
    assert followed(1260 + NS).broken() != []


def test_a_load_that_slept_through_a_link_that_was_there_is_wrong_until_it_is_lost_again():
    """Good at 1010, 1060 and 1110 ms: on by 1080 ms. From 1110 + 245 = 1355 ms on dark is right,
    and on is due again at 1450 + 20 = 1470 ms.
    """
    tape = lost({}, (720, 0), (1470, 1)).requests(1010, 1111, on=True).requests(1400, 3000, on=True)
    assert tape.broken() == [("lamp", "rejoin")]
    broken(tape.verdict("rejoin"), 275, 1080)


def cleared(on_at, end_ms=3000):
    """Cut from 465 to 1000 ms, the link is back at 1010 ms."""
    tape = Tape(car(), end_ms).requests(60, 461, on=True).fault("cut", 465, 1000)
    tape.requests(1010, end_ms, on=True)
    return tape.output("lamp", (70, 1), (720, 0), (on_at, 1))


def test_the_end_of_the_fault_gives_no_more_time():
    """Cleared at 1000 ms, rejoin 300 ms: due at 1080 ms all the same."""
    edge(lambda late: cleared(1080 + late), "rejoin", deadline_ms=1080)


@pytest.mark.parametrize("end_ms", [1080, 1060])
def test_a_recovery_beyond_the_end_was_not_tested(end_ms):
    untested(cleared(1060, end_ms).verdict("rejoin"))
    kept(cleared(1060, 1080 + NS).verdict("rejoin"), 20)


def test_a_load_that_need_not_change_tests_the_return_of_its_message_only():
    """Held on; the message should be there from 1300 ms on and came at 1010 ms."""
    tape = Tape(car(lamp={"on_stale": "hold"})).requests(60, 461, on=True).fault("cut", 465, 1000)
    tape.requests(1010, 3000, on=True).output("lamp", (70, 1))
    kept(tape.verdict("rejoin"), 290)


def flashing_when_lost(*levels, end_ms=4000):
    load = {"on_stale": "flash", "flash": {}}
    return lost(load, *levels, on=False, end_ms=end_ms)


def test_flashing_when_stale_needs_a_cycle_to_show():
    """Only flashing is allowed from 730 ms on; a steady load is found out a longest cycle later."""
    for end_ms, test in ((1730, untested), (1730 + NS, kept)):
        test(flashing_when_lost(end_ms=end_ms).flashing("lamp", 725, end_ms).verdict("stale"))


def test_a_steady_load_that_had_to_flash_when_stale_is_broken():
    broken(flashing_when_lost(end_ms=730 + NS).verdict("flash"), NS, 730)
    broken(flashing_when_lost().verdict("flash"))
    untested(flashing_when_lost().verdict("stale"))
    tape = flashing_when_lost().flashing("lamp", 725, 4000)
    kept(tape.verdict("stale"), 5)
    kept(tape.verdict("flash"))


def test_what_was_held_stays_until_the_link_is_trusted_again():
    """Held on; off is due at 1550 ms, but asked off at 1500 and 1550 ms: due at 1570 ms."""
    edge(
        lambda late: lost(HOLD_THEN, (1570 + late, 0)).requests(1500, 3000, on=False),
        "rejoin",
        deadline_ms=1570,
    )


@pytest.mark.parametrize("on_stale", ["on", "off"])
def test_a_change_that_comes_just_before_the_link_is_lost_needs_a_second_message(on_stale):
    """Good at 460 ms, asked off at 729 ms: from 705 ms on the link may have been lost, so it is
    the first again. The second comes at 779 ms: due at 799 ms.
    """

    def tape(late):
        made = lost({"on_stale": on_stale}, (799 + late, 0))
        return made.requests(729, 3000, on=False)

    edge(tape, "rejoin", deadline_ms=799)


def test_a_change_before_the_link_may_be_lost_has_its_latency():
    """Asked off at 704 ms: due at 724 ms."""
    edge(lambda late: lost({}, (724 + late, 0)).requests(704, 3000, on=False), "fresh")


def test_a_message_within_the_reaction_leaves_the_loss_to_be_noted_or_not():
    """Good at 729 ms: off from 705 to 730 ms and on again by the second's 799 ms is right."""
    tape = lost({}, (710, 0), (799, 1)).requests(729, 3000, on=True)
    assert tape.broken() == []
    assert lost({}).requests(729, 3000, on=True).broken() == []
    tape = lost({}, (710, 0), (799 + NS, 1)).requests(729, 3000, on=True)
    broken(tape.verdict("rejoin"), NS, 799)


BY_PEDAL = {"on_stale": "pedal == down"}


def by_pedal(*levels, pedal=(), load=None):
    """The link is lost for good; the pedal at the lamp's own node says what the lamp does then."""
    tape = lost({**BY_PEDAL, **(load or {})}, *levels)
    return tape.input("pedal", *pedal)


def test_a_state_by_a_local_input_is_due_like_any_other():
    """The pedal is up: off by 730 ms; it is down: the lamp stays lit."""
    edge(lambda late: by_pedal((730 + late, 0)), "stale", deadline_ms=730)
    assert by_pedal(pedal=[(300, "down")]).broken("lamp") == []


def test_a_state_by_a_local_input_follows_it_within_the_latency():
    """The pedal goes down at 1500 ms and up again at 2000 ms."""
    pedal = [(1500, "down"), (2000, "up")]
    for late, wrong in ((0, []), (NS, [("lamp", "stale")])):
        tape = by_pedal((720, 0), (1520 + late, 1), (2020, 0), pedal=pedal)
        assert tape.broken("lamp") == wrong
        tape = by_pedal((720, 0), (1520, 1), (2020 + late, 0), pedal=pedal)
        assert tape.broken("lamp") == wrong
    broken(by_pedal((720, 0), (1499, 1), pedal=pedal).verdict("stale"), at_ms=1499)


def test_a_state_by_a_local_input_may_come_after_another():
    """Held for 500 ms from 705 or 730 ms on, then as the pedal says by 20 ms: off, lit at 2000."""
    load = {"on_stale": "hold", "hold_for": "500 ms", "then": "pedal == down"}
    pedal = [(2000, "down")]
    assert by_pedal((1250, 0), (2020, 1), load=load, pedal=pedal).broken("lamp") == []
    broken(by_pedal((1251, 0), (2020, 1), load=load, pedal=pedal).verdict("then"), 1, 1250)
    broken(by_pedal((1250, 0), (2021, 1), load=load, pedal=pedal).verdict("then"), 1, 2020)


def test_who_has_heard_of_the_link_again_may_look_at_the_input_no_longer():
    """Back at 1500 ms, asked off; due at 1600 ms. The pedal, up at 1540 ms, asks for off as well,
    and would be due at 1560 ms while the link is lost.
    """

    def tape(off_ms, back=True):
        load = BY_PEDAL | {"follow_again": "100 ms"}
        made = by_pedal((off_ms, 0), load=load, pedal=[(300, "down"), (1540, "up")])
        return made.requests(1500, 3000, on=False) if back else made

    edge(lambda late: tape(1600 + late), "rejoin", deadline_ms=1600)
    assert tape(1560, back=False).broken("lamp") == []
    assert tape(1560 + NS, back=False).broken("lamp") == [("lamp", "stale")]


def off_the_bus(*levels, load=None, at_ms=590, end_ms=2000):
    """Requests at 60 ... 560 ms; the lamp's node goes bus-off at 590 ms and is back at 700 ms;
    requests again from 710 ms on.
    """
    tape = Tape(car(lamp={"bus_off": "lost"} if load is None else load), end_ms)
    tape.requests(60, 561, on=True).requests(710, end_ms, on=True)
    tape.controller("rear", (0, "ERROR_ACTIVE"), (at_ms, "BUS_OFF"), (700, "ERROR_ACTIVE"))
    tape.fault("bus_off", at_ms, at_ms)
    return tape.output("lamp", (70, 1), *levels)


def test_the_bus_off_of_its_node_is_a_lost_link_where_it_is_declared():
    """Lost at 590 ms: off by 610 ms; back at 710 and 760 ms: on by 780 ms."""
    edge(lambda late: off_the_bus((610 + late, 0), (710, 1)), "stale", deadline_ms=610)
    edge(lambda late: off_the_bus((600, 0), (780 + late, 1)), "rejoin", deadline_ms=780)
    assert off_the_bus((590, 0), (710, 1)).broken() == []
    broken(off_the_bus((590 - NS, 0), (710, 1)).verdict("stale"), at_ms=590 - NS)
    broken(off_the_bus((600, 0), (710 - NS, 1)).verdict("rejoin"), NS, 710 - NS)


def test_a_load_that_overlooks_a_bus_off_that_counts_as_a_lost_link_is_broken():
    """From 610 ms on until it may be on again at 710 ms."""
    broken(off_the_bus().verdict("stale"), 100, 610)


def test_without_it_the_bus_off_of_its_node_is_no_lost_link():
    """The last message came at 560 ms: lost from 805 ms on at the earliest."""
    assert off_the_bus(load={}).broken() == []
    assert off_the_bus((610, 0), (710, 1), load={}).broken() == [("lamp", "fresh")]


def test_the_bus_off_of_another_node_is_no_lost_link():
    tape = off_the_bus((610, 0), (710, 1))
    tape.recording.controllers["dash"] = tape.recording.controllers.pop("rear")
    assert tape.broken("lamp") == [("lamp", "fresh")]


def test_a_link_that_is_lost_already_is_not_lost_once_more_by_a_bus_off():
    """Requests at 60 ... 460 ms; off by 730 ms; bus-off at 900 ms: dark before and behind it."""

    def tape(*levels):
        made = lost({"bus_off": "lost"}, *levels)
        return made.controller("rear", (0, "ERROR_ACTIVE"), (900, "BUS_OFF"))

    assert tape((720, 0)).broken() == []
    edge(lambda late: tape((730 + late, 0)), "stale", deadline_ms=730)
    assert tape((720, 0), (905, 1)).broken("lamp") == [("lamp", "stale")]


def test_one_loss_behind_the_other_may_begin_the_time_to_hold_anew():
    """A jump at 1010 ms and another at 1060 ms, each a lost link: on again from 1402 ms on, and by
    1060 + 20 + 400 + 20 = 1500 ms at the latest.
    """
    load = {"after_jump": "lost", "hold_for": "400 ms", "then": "on"}

    def tape(on_ms):
        made = Tape(car(lamp=load), 3000).requests(60, 961, on=True)
        for at_ms in (1010, 1060):
            made.request(at_ms, on=True, counter=(made.counter + 3) % 16)
        made.fault("cut", 1065, None)
        return made.output("lamp", (70, 1), (1015, 0), (on_ms, 1))

    assert tape(1402).broken("lamp") == []
    assert tape(1500).broken("lamp") == []
    assert tape(1402 - NS).broken("lamp") == [("lamp", "then")]
    assert tape(1500 + NS).broken("lamp") == [("lamp", "then")]


def test_what_comes_before_a_node_has_noticed_its_bus_off_need_not_be_the_first_behind_it():
    """Bus-off from 605 to 608 ms, noticed by 625 ms: the message of 610 ms may have been read
    before that, and those of 660 and 710 ms are two in a row: on by 730 ms.
    """

    def tape(*levels):
        made = Tape(car(lamp={"bus_off": "lost"}), 2000).requests(60, 2000, on=True)
        made.controller("rear", (0, "ERROR_ACTIVE"), (605, "BUS_OFF"), (608, "ERROR_ACTIVE"))
        return made.fault("bus_off", 605, 605).output("lamp", (70, 1), *levels)

    edge(lambda late: tape((622, 0), (730 + late, 1)), "rejoin", deadline_ms=730)
    assert tape((605, 0), (611, 1)).broken("lamp") == []
    assert tape((626, 0), (700, 1)).broken("lamp") != []
