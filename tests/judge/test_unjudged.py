"""What no rule judges is named, with the reason, and nothing else is."""

from __future__ import annotations

from dataclasses import replace

from judge_lab import MESSAGES, car

from linkloss.judge import Unjudged, unjudged

ASKED = {"Request.Lamp": {"follows": "switch == on"}}
BOTH = {"dash": {"watchdog": "200 ms"}}


def names(vehicle, logged=()) -> list[str]:
    """What is unjudged."""
    return [entry.what for entry in unjudged(vehicle, logged)]


def test_of_a_car_with_all_its_lines_nothing_is_unjudged():
    assert names(car(requests=ASKED, nodes=BOTH)) == []


def test_a_request_that_nobody_describes_is_named_once_with_the_loads_that_it_asks_for():
    vehicle = car(nodes=BOTH, lamp={}, other={"output": "second"})
    reason = 'it asks for lamp, other, and no [requests."Request.Lamp"] says when'
    assert unjudged(vehicle) == [Unjudged("Request.Lamp", reason)]


def test_a_notice_that_drives_a_lamp_has_a_rule_of_its_own():
    notices = {"lost": {"signal": "DashStatus.RearLost", "lost": "rear", "within": "500 ms"}}
    lamp = {"request": "DashStatus.RearLost"}
    assert names(car(nodes=BOTH, requests=ASKED, notices=notices, lamp={}, tell=lamp)) == []
    assert names(car(nodes=BOTH, requests=ASKED, lamp={}, tell=lamp)) == ["DashStatus.RearLost"]


def test_a_node_without_watchdog_or_status_is_named():
    assert names(car(requests=ASKED)) == ["watchdog of dash"]
    quiet = {"dash": {**BOTH["dash"], "status": None}}
    assert names(car(requests=ASKED, nodes=quiet)) == ["status of dash"]


def test_a_message_without_a_cycle_time_or_of_several_nodes_is_named():
    vehicle = car(requests=ASKED, nodes=BOTH)
    without = {**MESSAGES, "Plain": replace(MESSAGES["Plain"], period_ns=None)}
    assert names(replace(vehicle, messages=without)) == ["Plain"]
    shared = {**MESSAGES, "Plain": replace(MESSAGES["Plain"], senders=("dash", "rear"))}
    assert names(replace(vehicle, messages=shared)) == ["Plain"]


def test_nothing_is_said_of_a_node_without_a_program():
    assert names(car(), logged=("dash",)) == []
