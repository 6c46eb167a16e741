"""A recording that is read as it grows gives what it gives when it is read at once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkloss.bus import RecordList
from linkloss.campaign.selection import case_named
from linkloss.judge import judge
from linkloss.judge.evidence import Evidence, Ticks
from linkloss.recording import Recording
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"
CASES = (
    "night_drive/none",
    "night_drive/cut(gauge,rear)@700ms+1300ms/reset(rear)@900ms",
    "turning/flood(rear)@300ms+1700ms/drop(LampRequest,front)@600ms+1500ms",
    "turning/hang(dash)@800ms+1500ms/bus_off(front)@1200ms/reset(front)@2500ms",
    "hazards_ignition_off/freeze(LampRequest)@500ms+1500ms/unplug(rear)@2600ms+700ms",
)


@cache
def wren():
    return load_vehicle(WREN)


@cache
def recorded(name):
    case = case_named(wren(), name)
    assert case is not None, name
    return simulate(case)


def grow(recording: Recording, whole: Recording, to_ns: int) -> None:
    """Let a recording be what the whole one was at an instant."""
    recording.end_ns = to_ns
    recording.frames = RecordList(entry for entry in whole.frames if entry.end_ns < to_ns)
    recording.faults[:] = [
        fault if (fault.cleared_ns or 0) < to_ns else replace(fault, cleared_ns=None)
        for fault in whole.faults
        if fault.applied_ns < to_ns
    ]
    for mine, theirs in (
        (recording.nodes, whole.nodes),
        (recording.controllers, whole.controllers),
        (recording.handed, whole.handed),
    ):
        for name, entries in theirs.items():
            mine.setdefault(name, [])[:] = [entry for entry in entries if entry.at_ns < to_ns]


@pytest.mark.parametrize("name", CASES)
@settings(max_examples=6, deadline=None)
@given(cuts=st.lists(st.integers(50 * MS, 4500 * MS), min_size=1, max_size=3))
def test_read_in_steps_or_at_once(name, cuts):
    whole = recorded(name)
    growing = replace(whole, nodes={}, controllers={}, handed={}, frames=RecordList(), faults=[])
    evidence = Evidence(wren(), growing)
    for to_ns in sorted(cuts):
        grow(growing, whole, min(to_ns, whole.end_ns))
        judge(wren(), growing, evidence)
    grow(growing, whole, whole.end_ns + 1)
    growing.end_ns = whole.end_ns
    assert judge(wren(), growing, evidence) == judge(wren(), whole)


TIMES = st.lists(st.integers(0, 60), min_size=1, max_size=12, unique=True).map(sorted)


@given(TIMES, st.integers(0, 60), st.integers(1, 80), st.integers(1, 20))
def test_the_first_silence_is_the_first_instant_that_no_recent_tick_covers(
    times, from_ns, to_ns, lasts_ns
):
    ticks = Ticks()
    ticks.times += times[:1]
    ticks.silences(lasts_ns)  # what was found before must not hide what comes later
    ticks.times += times[1:]
    silent = [at for at in range(from_ns, to_ns) if not any(t <= at < t + lasts_ns for t in times)]
    assert ticks.first_silence(from_ns, to_ns, lasts_ns) == (silent[0] if silent else None)
