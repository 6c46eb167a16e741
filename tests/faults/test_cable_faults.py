"""Cutting the trunk and pulling a plug."""

from __future__ import annotations

from small_car import fault, run, small_vehicle

from linkloss.faults.cable_faults import Cut

FRONT_STATUS = 513
REAR_STATUS = 514


def receivers(records):
    return {name for record in records for name in record.receivers}


def test_a_cut_keeps_each_side_talking_and_separates_them():
    ran = run((fault("cut", between=("dash", "rear")), 200, 400))
    assert receivers(ran.delivered(since_ms=30, until_ms=200)) == {"front", "rear"}
    assert receivers(ran.delivered(since_ms=200, until_ms=400)) == {"front"}
    assert receivers(ran.delivered(since_ms=400)) == {"front", "rear"}


def test_the_end_behind_a_cut_is_alone_and_gets_no_acknowledgement():
    ran = run((fault("cut", between=("rear", "dash")), 200, 400))
    alone = ran.frames(REAR_STATUS, since_ms=205, until_ms=399)
    assert len(alone) > 100
    assert {record.error for record in alone} == {"ack"}
    assert ran.delivered(REAR_STATUS, since_ms=400)


def test_an_unplugged_node_is_alone_and_the_others_go_on():
    ran = run((fault("unplug", node="dash"), 200, 400))
    assert ran.delivered(since_ms=200, until_ms=400) == []
    assert receivers(ran.delivered(FRONT_STATUS, since_ms=200, until_ms=400)) == {"rear"}
    assert receivers(ran.delivered(since_ms=420)) == {"front", "rear"}


def test_a_cable_fault_does_not_reset_anybody():
    ran = run((fault("unplug", node="rear"), 200, 400))
    assert [state for _, state, _ in ran.states("rear")] == ["reset", "running"]


def test_cutting_between_nodes_that_are_no_neighbours_is_refused():
    far = Cut(between=("front", "rear"))
    text = "'front' and 'rear' are not neighbours; the cable runs front, dash, rear"
    assert far.problem(small_vehicle()) == text
