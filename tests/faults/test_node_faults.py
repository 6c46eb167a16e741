"""Nodes that reset, hang, fall mute, go bus-off or boot slowly."""

from __future__ import annotations

import pytest
from small_car import MS, fault, run

from linkloss.faults.catalogue import FaultError

FRONT_STATUS = 513
REAR_STATUS = 514


def test_a_reset_ends_the_program_and_starts_it_after_the_boot_time():
    ran = run((fault("reset", node="front"), 200, None))
    assert ran.states("front")[2:] == [(200, "reset", "fault"), (220, "running", "boot")]
    assert ran.recording.faults[0].cleared_ns == 200 * MS
    assert ran.delivered(FRONT_STATUS, since_ms=200, until_ms=220) == []


def test_a_reset_touches_no_other_node():
    ran = run((fault("reset", node="front"), 200, None))
    assert len(ran.states("rear")) == len(ran.states("dash")) == 2


def test_resets_with_a_period_go_on_until_the_fault_clears():
    ran = run((fault("reset", node="front", period="50 ms"), 200, 340))
    resets = [at for at, state, cause in ran.states("front") if cause == "fault"]
    assert resets == [200, 250, 300]
    assert ran.recording.faults[0].cleared_ns == 340 * MS
    assert ran.states("front")[-1] == (320, "running", "boot")


def test_so_many_resets_and_no_more():
    ran = run((fault("reset", node="front", period="50 ms", times=2), 200, 500))
    assert [at for at, _, cause in ran.states("front") if cause == "fault"] == [200, 250]


def test_a_period_shorter_than_the_boot_time_keeps_the_node_down():
    ran = run((fault("reset", node="front", period="10 ms"), 200, 400))
    running = [at for at, state, _ in ran.states("front") if state == "running"]
    assert running == [20, 410]


def test_times_without_a_period_is_refused():
    with pytest.raises(FaultError, match="'times' needs a 'period'"):
        fault("reset", node="front", times=3)


def test_a_hung_program_sends_nothing_but_its_controller_still_acknowledges():
    ran = run((fault("hang", node="rear"), 200, 400))
    assert ran.delivered(REAR_STATUS, since_ms=200, until_ms=400) == []
    assert {r.receivers for r in ran.delivered(since_ms=200, until_ms=400)} == {("front", "rear")}
    assert ran.states("rear")[2:] == [(200, "hung", "fault"), (400, "running", "fault")]
    assert ran.delivered(REAR_STATUS, since_ms=400)


def test_outputs_of_a_hung_program_stay_as_they_were():
    ran = run((fault("hang", node="rear"), 200, 400), lights=[(100, "on"), (250, "off")])
    lamp = ran.recording.outputs["tail_lamp"]
    assert [lamp.at(at * MS) for at in (199, 399, 410)] == [1.0, 1.0, 0.0]


def test_a_watchdog_ends_a_hang_before_the_fault_clears():
    ran = run((fault("hang", node="front"), 200, 580))
    states = ran.states("front")[2:]
    assert states[0] == (200, "hung", "fault")
    assert states[1][1:] == ("reset", "watchdog")
    assert 330 <= states[1][0] <= 351
    assert [state for _, state, _ in states] == ["hung", "reset", "running"]


def test_a_mute_node_hears_and_thinks_that_it_sends():
    ran = run((fault("mute", node="rear"), 200, 400), lights=[(250, "on")])
    assert ran.frames(REAR_STATUS, since_ms=200, until_ms=400) == []
    assert ran.recording.outputs["tail_lamp"].at(350 * MS) == 1.0
    assert ran.delivered(REAR_STATUS, since_ms=400)
    assert ran.session.hosts["rear"].controller.losses == {}


def test_bus_off_takes_a_node_off_the_bus_until_its_program_asks_to_come_back():
    ran = run((fault("bus_off", node="dash"), 210, None), lasts_ms=800)
    changes = [(c.at_ns / MS, c.state, c.tec) for c in ran.recording.controllers["dash"]]
    assert changes[0] == (210, "BUS_OFF", 256)
    assert changes[1][1:] == ("ACTIVE", 0)
    assert ran.delivered(since_ms=210, until_ms=int(changes[1][0])) == []
    assert ran.delivered(since_ms=int(changes[1][0]) + 1)
    assert ran.recording.faults[0].cleared_ns == 210 * MS


def test_a_slow_boot_takes_the_declared_longest_time():
    ran = run(
        (fault("slow_boot", node="front"), 200, 400), (fault("reset", node="front"), 450, None)
    )
    assert ran.states("front")[2:] == [
        (200, "reset", "fault"),
        (260, "running", "boot"),
        (450, "reset", "fault"),
        (470, "running", "boot"),
    ]


@pytest.mark.parametrize(
    "kind", ["reset", "hang", "mute", "bus_off", "slow_boot", "unplug", "flood"]
)
def test_a_node_that_is_not_there_is_refused_by_name(kind):
    with pytest.raises(FaultError, match=r"unknown node 'raer'.*did you mean 'rear'\?"):
        fault(kind, node="raer")
