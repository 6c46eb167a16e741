"""*asleep*: a node sleeps when it must and only then, and wakes by what may wake it.

Unless a test says otherwise the rear has to sleep within 500 ms of ``pedal == up``. The pedal goes
up at 1000 ms, so that it is due at 1500 ms, and down at 2000 ms, which wakes it. Its program runs
again 50 ms later and has its pins by 2100 ms.
"""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge, kept, untested

SLEEPS = {"sleeps_when": "pedal == up", "asleep_within": "500 ms"}


def tape(node=None, *, on=False, up=(1000, 2000), notices=None, **load) -> Tape:
    """The tiny car whose rear sleeps, and its request, all the time."""
    vehicle = car(nodes={"rear": {**SLEEPS, **(node or {})}}, notices=notices, lamp=load)
    made = Tape(vehicle, 3000).requests(60, 3000, on=on)
    return made.input("pedal", (0, "down"), (up[0], "up"), (up[1], "down"))


def night(
    at_ms=1400, woke_ms=2000, node=None, *, on=False, by="pedal", vehicle=None, **load
) -> Tape:
    """One sleep; while it lasts nothing is delivered to the rear, and its status is missing."""
    vehicle = vehicle or tape(node, **load).vehicle
    made = Tape(vehicle, 3000).requests(60, at_ms, on=on).requests(2060, 3000, on=on)
    made.input("pedal", (0, "down"), (1000, "up"), (2000, "down"))
    made.status("rear", (60, at_ms), (2060, 3000))
    return made.nap("rear", at_ms, woke_ms, by)


def asleep(made: Tape):
    return made.verdict("asleep", "rear")


# ---- when ----


def test_it_sleeps_within_its_time():
    edge(lambda late: night(1500 + late), "asleep", "rear", deadline_ms=1500)


def test_it_may_sleep_as_soon_as_it_has_to():
    kept(asleep(night(1000)), 500)


def test_one_that_never_sleeps_is_broken_until_it_need_no_longer():
    broken(asleep(tape()), 500, 1500)


def test_a_condition_that_does_not_last_tests_nothing():
    untested(asleep(tape(up=(1000, 1500))))
    untested(asleep(tape(up=(2600, 2700))))


def test_nor_does_a_sleep_that_ends_before_it_was_due():
    made = tape(up=(1000, 1400)).nap("rear", 1200, 1400)
    untested(asleep(made))


def test_a_deadline_at_the_end_of_the_run_tests_nothing():
    made = tape(up=(2500, 3000))
    untested(asleep(made))
    broken(asleep(tape(up=(2500 - NS, 3000))), NS, 3000 - NS)


def test_a_node_that_sleeps_at_another_time_is_broken_as_long_as_it_does():
    made = tape(up=(1000, 1400)).nap("rear", 600, 900)
    broken(asleep(made), 300, 600)
    assert "while 'pedal == up' did not hold" in asleep(made).text


def test_a_node_may_not_sleep_that_has_no_leave_to():
    made = Tape(car(), 3000).requests(60, 3000, on=False).nap("rear", 1000)
    assert ("rear", "asleep") in made.broken()


def test_it_counts_by_its_own_clock():
    """1 % of 500 ms."""
    node = {"drift": "10000 ppm"}
    edge(lambda late: night(1505 + late, node=node), "asleep", "rear", deadline_ms=1505)


def test_it_has_its_time_behind_a_boot():
    """Reset at 1200 ms: its pins are there by 1300 ms."""

    def made(late):
        return night(1800 + late).reset("rear", 1200)

    def in_order(late):
        found = made(late)
        found.recording.nodes["rear"].sort()
        return found

    edge(in_order, "asleep", "rear", deadline_ms=1800)


def test_it_has_its_time_behind_a_hang():
    def made(late):
        found = night(1900 + late).fault("hang", 1300, 1400, "node")
        found.node("rear", (1300, "hung", "fault"), (1400, "running", "fault"))
        found.recording.nodes["rear"].sort()
        return found

    edge(made, "asleep", "rear", deadline_ms=1900)


def test_what_would_wake_it_keeps_it_awake():
    """The other node's status, every 100 ms, last at 1160 ms."""
    node = {"wakes_by": ["pedal", "DashStatus"]}

    def made(late):
        return night(1660 + late, node=node).status("dash", (60, 1161), (2060, 3000))

    edge(made, "asleep", "rear", deadline_ms=1660)


def test_a_node_that_lost_its_supply_before_it_was_due_did_not_sleep():
    made = tape().unsupplied("rear", 1300, 2100)
    untested(asleep(made))
    broken(asleep(tape().unsupplied("rear", 1700, 2100)), 200, 1500)


def test_a_reset_ends_a_sleep_and_what_would_have_woken_it_later_is_no_call():
    """Reset at 1700 ms, while it sleeps; the pedal moves at 2000 ms."""
    made = tape().nap("rear", 1400).fault("reset", 1700, 1700, "node").reset("rear", 1700)
    kept(asleep(made), 100)
    assert made.broken() == []


# ---- what wakes it ----


def test_it_wakes_by_what_is_declared_and_boots():
    assert night().broken() == []


@pytest.mark.parametrize("by", ["Plain", "0x555", "key"])
def test_what_is_not_declared_may_not_wake_it(by):
    made = night(1400, 1700, by=by)
    broken(asleep(made), at_ms=1700)
    assert f"woken by '{by}'" in asleep(made).text


@pytest.mark.parametrize(("wakers", "by"), [(["Plain"], "Plain"), (["any frame"], "0x555")])
def test_a_message_or_any_frame_may_where_that_is_declared(wakers, by):
    made = night(1400, 1700, {"wakes_by": ["pedal", *wakers]}, by=by)
    made.status("dash", (60, 1161), (2060, 3000))
    assert ("rear", "asleep") not in made.broken()


def test_an_input_is_no_frame():
    made = night(1400, 1700, {"wakes_by": ["any frame"]}, by="pedal")
    assert ("rear", "asleep") in made.broken()


@pytest.mark.parametrize(("woke_ms", "late"), [(2000 + NS, NS), (2500, 500), (None, 1000)])
def test_one_that_sleeps_on_is_broken(woke_ms, late):
    made = night(woke_ms=woke_ms)
    broken(asleep(made), late, 2000)
    assert "slept on" in asleep(made).text


def test_a_declared_message_must_wake_it():
    """Plain ends at 1700 ms, and nothing keeps it from the node."""
    node = {"wakes_by": ["pedal", "Plain"]}

    def made(woke_ms=2000):
        return night(1400, woke_ms, node, by="Plain").frame(1700, 0x101, [0])

    broken(asleep(made()), 300, 1700)
    assert made(1700).broken() == []


def test_where_a_fault_is_nobody_can_tell_whether_it_heard_a_message():
    node = {"wakes_by": ["pedal", "Plain"]}
    made = night(1400, 2000, node).frame(1700, 0x101, [0]).fault("cut", 1650, 1750, "cable")
    assert ("rear", "asleep") not in made.broken()


# ---- its loads ----


def test_a_lit_lamp_may_go_out_with_it_and_is_asked_for_again_behind_its_boot():
    made = night(on=True).output("lamp", (80, 1), (1400, 0), (2130, 1))
    assert made.broken() == []


def test_a_load_that_stays_on_is_told_of_the_node():
    made = night(on=True).output("lamp", (80, 1))
    broken(asleep(made), at_ms=1400)
    assert "lamp was on instead of off" in asleep(made).text
    assert made.broken() == [("rear", "asleep")]


def test_a_load_may_be_lit_by_its_sleep_alone():
    made = night(on_sleep="on").output("lamp", (1400, 1), (2060, 0))
    assert made.broken() == []
    assert night(on_sleep="on").output("lamp", (1401, 1), (2060, 0)).broken() == [
        ("rear", "asleep"),
    ]


def test_before_and_after_a_lamp_is_held_to_what_asks_for_it():
    early = night(on=True).output("lamp", (80, 1), (1399, 0), (2130, 1))
    assert early.broken() == [("lamp", "fresh")]
    dark = night(on=True).output("lamp", (80, 1), (1400, 0))
    assert dark.broken("lamp") != []


def test_a_lamp_that_goes_dark_by_a_sleep_that_was_not_due_is_broken_as_if_it_were_awake():
    made = night(600, 900, on=True).output("lamp", (80, 1), (600, 0), (980, 1))
    assert {("rear", "asleep"), ("lamp", "fresh")} <= set(made.broken()), made.broken()


def test_a_lost_link_rests_while_it_sleeps():
    """Nothing is heard for 660 ms, and the lamp's fail-safe state is on."""
    made = night(on_stale="on")
    assert made.broken() == []
    lit = night(on_stale="on").output("lamp", (1700, 1), (2060, 0))
    assert ("rear", "asleep") in lit.broken()


def test_waking_is_no_pulse_of_the_hardware():
    """Undriven the lamp would be lit; it stays dark until its program drives it."""
    made = night(hardware_default="on").output("lamp", (0, 1), (60, 0))
    assert made.broken() == []
    made = night(hardware_default="on").output("lamp", (0, 1), (60, 0), (2000, 1), (2055, 0))
    assert made.broken() == [("lamp", "reset")]


def test_its_darkness_counts_for_no_reset_and_is_what_its_inputs_ask_for():
    """The lamp may be dark for 50 ms behind a reset, and the switch asks for it all the time."""
    requests = {"Request.Lamp": {"follows": "switch == on"}}
    vehicle = car(nodes={"rear": SLEEPS}, requests=requests, lamp={"dark_limit": "50 ms"})
    made = night(on=True, vehicle=vehicle).input("switch", (0, "on"))
    made.output("lamp", (80, 1), (1400, 0), (2130, 1))
    made.hand("Request", *((60 + 50 * place, 1) for place in range(58)))
    assert made.broken() == []


# ---- others ----


def test_who_watches_it_may_take_it_for_lost_or_not():
    notices = {"lost": {"lost": "rear", "signal": "DashStatus.RearLost", "within": "300 ms"}}

    def made(*handed):
        return night(1100, notices=notices).hand("DashStatus", (60, 0), *handed)

    assert made().broken() == []
    assert made((1700, 1), (2300, 0)).broken() == []
    untested(made().verdict("notice", "lost"))
    assert made((1700, 1)).broken() == [("lost", "notice")]
