"""A real node that obeys is never called broken, however its adapter delays within the limit; one
that does not switch off in a lost link always is.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from serve_lab import rear_status, reporting_car

from linkloss.judge import Outcome
from linkloss.judge.reported import judge_real
from linkloss.recording import Outside, OutsideEvent
from linkloss.scenario import Scenario, TimedAction, timed_fault
from linkloss.session import simulate

MS = 1_000_000
STALE_MS, REACTION_MS, DELAY_MS = 250, 20, 20
LASTS_MS = 7000
delays = st.floats(0, DELAY_MS)


@pytest.fixture(scope="module")
def drive(tmp_path_factory):
    """The vehicle, a run with two cuts, and when which state of the socket was asked for (ms)."""
    vehicle = reporting_car(tmp_path_factory.mktemp("car"))
    keys = {500: "accessory", 2600: "off", 2900: "on", 5600: "off"}
    scenario = Scenario(
        name="test",
        title="",
        vehicle=vehicle,
        situation="",
        inputs={},
        actions=tuple(TimedAction(at * MS, {"ignition": key}) for at, key in keys.items()),
        faults=(
            timed_fault("unplug(rear)@3500ms+700ms", vehicle),
            timed_fault("cut(gauge,rear)@6s+300ms", vehicle),
        ),
        lasts_ns=LASTS_MS * MS,
        outside=Outside(nodes=("rear",)),
    )
    recording = simulate(scenario)
    info, signal = vehicle.signal("BodyRequest.Accessory")
    asked = [
        (record.end_ns / MS, bool(signal.physical(record.frame.data)))
        for record in recording.frames
        if record.frame.identifier == info.identifier and "rear" in record.receivers
    ]
    return vehicle, recording, asked


def obeying(asked, way_ms, slow_ms, stale_ms):
    """(ms, on) of a node that hears each request late, and acts late, as it may."""
    states, last = [], None
    for at, on in asked:
        heard = at + way_ms
        if last is not None and heard - last > stale_ms:
            states.append((last + stale_ms + slow_ms, False))
        states.append((heard + slow_ms, on))
        last = heard
    return states


def reports(vehicle, states, phase_ms, way_ms):
    events = []
    for count, at in enumerate(range(phase_ms, LASTS_MS - 2 * DELAY_MS, 100)):
        on = next((on for since, on in reversed(states) if since <= at), False)
        frame = rear_status(vehicle, count, socket_on=on)
        events.append(OutsideEvent(round((at + way_ms) * MS), "rear", frame))
    return events


def outcomes(drive, events):
    vehicle, recording, _ = drive
    outside = Outside(nodes=("rear",), events=tuple(events), delay_ns=DELAY_MS * MS)
    found = judge_real(vehicle, replace(recording, outside=events), outside)
    return {v.rule: v.outcome for v in found if v.subject == "accessory_socket"}


@given(
    st.integers(0, 99), delays, delays, st.floats(0, REACTION_MS), st.floats(STALE_MS - 5, STALE_MS)
)
def test_a_node_that_obeys_is_never_broken(drive, phase_ms, there_ms, back_ms, slow_ms, stale_ms):
    states = obeying(drive[2], there_ms, slow_ms, stale_ms)
    found = outcomes(drive, reports(drive[0], states, phase_ms, back_ms))
    assert Outcome.BROKEN not in found.values()
    assert found["stale"] is Outcome.KEPT


@given(st.integers(0, 99), delays, delays)
def test_a_node_that_holds_in_a_lost_link_is_always_broken(drive, phase_ms, there_ms, back_ms):
    states = obeying(drive[2], there_ms, 0, 1e9)
    found = outcomes(drive, reports(drive[0], states, phase_ms, back_ms))
    assert found["stale"] is Outcome.BROKEN
