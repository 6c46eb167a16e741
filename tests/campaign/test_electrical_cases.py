"""Which cases a check runs around the supply and what hangs on the outputs."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache

import pytest
from demo_cases import wren, wren_planned

from linkloss.campaign.cases import CaseMaker, electrical_instances, instances
from linkloss.campaign.depth import is_electrical, planned
from linkloss.campaign.selection import case_named
from linkloss.faults.catalogue import catalogue

MS = 1_000_000


@cache
def ideal():
    """The demo car on an ideal supply."""
    vehicle = wren()
    nodes = {name: node.model_copy(update={"supply": None}) for name, node in vehicle.nodes.items()}
    loads = {
        name: load.model_copy(update={"electrical": None}) for name, load in vehicle.loads.items()
    }
    notices = {name: notice for name, notice in vehicle.notices.items() if not notice.failed}
    update = {"supply": None, "nodes": nodes, "loads": loads, "notices": notices}
    return replace(vehicle, file=vehicle.file.model_copy(update=update))


@cache
def ideal_planned():
    return planned(ideal(), "full")


@cache
def cases():
    return [case for case in wren_planned("full").cases if is_electrical(case)]


def test_every_electrical_fault_is_tried_and_within_bounds():
    tried = {timed.fault for case in cases() for timed in case.faults}
    assert tried == set(electrical_instances(wren()))
    assert {fault.kind for fault in tried} == {
        kind for kind, form in catalogue().items() if form.electrical
    }
    assert 100 <= len(cases()) <= 300


@pytest.mark.slow
def test_a_car_on_an_ideal_supply_has_the_same_other_cases_and_no_electrical_one():
    others = [case.name for case in wren_planned("full").cases if not is_electrical(case)]
    assert [case.name for case in ideal_planned().cases] == others
    assert electrical_instances(ideal()) == []
    assert instances(ideal()) == instances(wren())


def test_the_report_says_what_an_ideal_supply_leaves_out():
    (said,) = [text for text in ideal_planned().space.left_out if "'supply'" in text]
    assert "no fault of supply, fuses, leads or relays was tried" in said
    assert "'back' and 'neighbours'" in said
    told = wren_planned("full").space.left_out
    assert any("What hardware cannot do is nobody's fault" in text for text in told)
    assert not any("'supply'" in text for text in told)


def test_a_fault_behind_an_output_is_there_while_its_load_is_asked_for():
    """A fuse blows 300 ms behind the action that asks for the load; a lead breaks before it."""
    for kind, before in (("fuse_blown", False), ("load_open", True)):
        (case,) = [
            case
            for case in cases()
            if case.kinds == kind and case.faults[0].fault.load == "low_beam_left"
        ]
        on = next(a.at_ns for a in case.actions if a.values.get("lights") == "dipped")
        (timed,) = case.faults
        assert (timed.at_ns < on) == before, kind
        assert timed.until_ns - max(timed.at_ns, on) >= wren().notices["load_failed"].within


def test_loads_that_must_soon_be_back_are_lit_in_a_dip_and_in_starts():
    soon = {name for name, load in wren().loads.items() if load.back_within is not None}
    assert soon
    dips = Counter(
        (case.situation, timed.fault.profile)
        for case in cases()
        for timed in case.faults
        if timed.fault.kind == "brown_out" and timed.fault.profile is not None
    )
    for situation in ("night_drive", "braking", "shutting_down"):
        for profile in ("momentary_drop", "starting_1", "starting_2"):
            assert dips[situation, profile], (situation, profile)


def test_an_electrical_case_is_made_again_from_its_name():
    for case in cases():
        again = case_named(wren(), case.name)
        assert again is not None, case.name
        assert again.faults == case.faults
        assert again.lasts_ns == case.lasts_ns


def test_a_quick_check_shorts_a_load_of_each_node_while_another_of_its_loads_is_on():
    asks = CaseMaker(wren()).asks
    shorts = [case for case in wren_planned("quick").cases if case.kinds == "load_short"]
    nodes = [wren().loads[case.faults[0].fault.load].node for case in shorts]
    assert sorted(nodes) == ["engine", "front", "rear"]
    for case in shorts:
        (timed,) = case.faults
        asked = asks.asked_at(case.situation, timed.at_ns)
        node = wren().loads[timed.fault.load].node
        others = [name for name, load in wren().loads.items() if load.node == node]
        others.remove(timed.fault.load)
        assert any(asked[name] == "on" for name in others), case.name


def test_no_two_electrical_cases_are_the_same():
    names = [case.name for case in cases()]
    assert len(set(names)) == len(names)
