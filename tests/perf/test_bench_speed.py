"""How fast a whole car runs and is judged, as a ratio to the bare event queue of the same run."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from linkloss.clock import EventQueue
from linkloss.judge import Outcome, Verdict, declared_rules, judge
from linkloss.recording import Recording
from linkloss.scenario import Scenario, TimedAction
from linkloss.session import simulate
from linkloss.vehicle.loading import Vehicle, load_vehicle

WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"
SITUATION = "night_drive"
SIMULATED_S = 20
EVENTS = 200_000
EVENTS_PER_FRAME = 700
"""Bare events that the queue may run in the time that one frame takes, with all that it causes in
the nodes and with its share of the judging. Some 70 are usual, a busy machine may double that; an
accident costs more."""


def _night_drive(vehicle: Vehicle) -> Scenario:
    table = vehicle.situations[SITUATION]
    return Scenario(
        name="speed",
        title="",
        vehicle=vehicle,
        situation=SITUATION,
        inputs=table.inputs,
        actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
        faults=(),
        lasts_ns=SIMULATED_S * 1_000_000_000,
    )


def _events_per_second() -> float:
    """Of ten timers on a bare queue, each of which sets itself anew."""
    queue = EventQueue()

    def tick() -> None:
        queue.after(1_000, tick)

    for first_ns in range(10):
        queue.at(first_ns, tick)
    begin = time.perf_counter()  # noqa: TID251 (measures the bench itself)
    queue.run_until(EVENTS // 10 * 1_000)
    return EVENTS / (time.perf_counter() - begin)  # noqa: TID251


@pytest.mark.benchmark(group="bench")
def test_a_night_drive_is_run_and_judged_at_a_fair_share_of_the_bare_event_rate(benchmark):
    vehicle = load_vehicle(WREN)
    scenario = _night_drive(vehicle)

    def drive() -> tuple[Recording, list[Verdict]]:
        recording = simulate(scenario)
        return recording, judge(vehicle, recording)

    bare = max(_events_per_second() for _ in range(3))
    recording, verdicts = benchmark.pedantic(drive, rounds=2, warmup_rounds=1)

    assert recording.end_ns == SIMULATED_S * 1_000_000_000
    assert len(recording.frames) >= 100 * SIMULATED_S
    assert [(v.subject, v.rule) for v in verdicts] == declared_rules(vehicle)
    assert sum(verdict.outcome is Outcome.KEPT for verdict in verdicts) >= 20
    assert not [verdict for verdict in verdicts if verdict.broken]
    if benchmark.stats is not None:
        took_s = benchmark.stats.stats.min
        events = bare * took_s / len(recording.frames)
        benchmark.extra_info["simulated_seconds_per_second"] = SIMULATED_S / took_s
        benchmark.extra_info["bare_events_per_frame"] = events
        print(f"\n{SIMULATED_S / took_s:.0f} x real time, {events:.0f} bare events per frame")
        assert events < EVENTS_PER_FRAME
