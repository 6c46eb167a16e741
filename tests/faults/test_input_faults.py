"""Inputs that stick, whose lead came off, whose contacts bounce."""

from __future__ import annotations

from itertools import pairwise
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_car import MS, fault, run

from linkloss.faults.catalogue import FaultError
from linkloss.faults.input_faults import bounces


def seen(ran, name, node, *at_ms):
    return [ran.recording.seen[name, node].at(at * MS) for at in at_ms]


def test_a_stuck_input_reads_what_it_read_when_the_fault_began():
    ran = run((fault("stuck", input="lights"), 200, 400), lights=[(100, "on"), (300, "off")])
    assert seen(ran, "lights", "dash", 199, 399, 400) == ["on", "on", "off"]
    assert ran.recording.inputs["lights"].at(350 * MS) == "off"


def test_an_input_can_stick_at_a_value_and_is_free_again():
    ran = run((fault("stuck", input="lights", value="on"), 200, 400))
    assert seen(ran, "lights", "rear", 199, 200, 399, 400) == ["off", "on", "on", "off"]


def test_an_input_can_stick_for_one_node_only():
    ran = run((fault("stuck", input="lights", value="on", node="rear"), 200, 400))
    assert seen(ran, "lights", "rear", 300) == ["on"]
    assert seen(ran, "lights", "dash", 300) == ["off"]


def test_a_sensor_can_stick_at_a_number():
    ran = run((fault("stuck", input="oil_pressure", value=7.5), 200, 400))
    assert seen(ran, "oil_pressure", "front", 199, 300, 400) == [0.0, 7.5, 0.0]


def test_an_open_lead_reads_what_the_vehicle_declares():
    ran = run((fault("open", input="brake_pedal"), 200, 400))
    assert seen(ran, "brake_pedal", "rear", 199, 200, 400) == ["released", "pressed", "released"]


def test_an_open_lead_reads_the_rest_value_where_nothing_is_declared():
    ran = run((fault("open", input="lights"), 200, 400), lights=[(100, "on")])
    assert seen(ran, "lights", "dash", 199, 200, 400) == ["on", "off", "on"]


def test_an_open_lead_at_one_node_leaves_the_other():
    ran = run((fault("open", input="lights", node="dash"), 200, 400), lights=[(100, "on")])
    assert seen(ran, "lights", "dash", 300) == ["off"]
    assert seen(ran, "lights", "rear", 300) == ["on"]


def test_contacts_bounce_after_each_edge_and_come_to_rest():
    ran = run((fault("bounce", input="lights"), 200, 400), lights=[(250, "on"), (450, "off")])
    edges = [entry for entry in ran.recording.seen["lights", "dash"].changes() if entry[0]]
    bouncing, after = edges[:-1], edges[-1]
    assert after == (450 * MS, "off")
    assert len(bouncing) >= 3
    assert bouncing[0] == (250 * MS, "on")
    assert bouncing[-1][1] == "on"
    assert bouncing[-1][0] <= 258 * MS


def test_each_lead_bounces_by_itself():
    ran = run((fault("bounce", input="lights"), 200, 400), lights=[(250, "on")])
    seen_by = ran.recording.seen
    assert seen_by["lights", "dash"] != seen_by["lights", "rear"]


@given(st.integers(1_000, 50_000_000), st.integers(0, 1_000))
def test_bouncing_grows_in_time_alternates_and_ends_in_the_new_value(lasts_ns, seed):
    edges = bounces("off", "on", lasts_ns, Random(seed))
    delays = [delay_ns for delay_ns, _ in edges]
    assert delays[0] == 0
    assert all(a < b for a, b in pairwise(delays))
    assert delays[-1] <= lasts_ns
    assert [value for _, value in edges] == ["on", "off"] * (len(edges) // 2) + ["on"]
    assert 3 <= len(edges) <= 11


def test_only_a_switch_bounces():
    with pytest.raises(FaultError, match="'oil_pressure' is a sensor; only a switch"):
        fault("bounce", input="oil_pressure")


def test_an_input_sticks_only_at_a_value_that_it_can_have():
    with pytest.raises(FaultError, match=r"'lights' has no position 'onn'.*did you mean 'on'"):
        fault("stuck", input="lights", value="onn")
    with pytest.raises(FaultError, match="expected a number from 0 to 10 bar"):
        fault("stuck", input="oil_pressure", value=11.0)


@pytest.mark.parametrize("kind", ["stuck", "open"])
def test_an_input_fault_names_the_nodes_that_the_input_is_wired_to(kind):
    with pytest.raises(FaultError, match="'brake_pedal' is wired to rear, not to node 'front'"):
        fault(kind, input="brake_pedal", node="front")


@pytest.mark.parametrize("kind", ["stuck", "open", "bounce"])
def test_an_input_that_is_not_there_is_refused_by_name(kind):
    with pytest.raises(FaultError, match=r"did you mean 'brake_pedal'\?"):
        fault(kind, input="break_pedal")
