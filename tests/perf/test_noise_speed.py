"""What random bit errors cost: a night drive with them, as a ratio to the same drive without."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from linkloss.faults.catalogue import make_fault
from linkloss.recording import Recording
from linkloss.scenario import Scenario, TimedFault
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"
SIMULATED_S = 20
BIT_ERROR_RATE = 1e-4
MOST = 2.5
"""So many times as long it may take: some 1.2 are usual, a busy machine may double that."""


def _drive(*, noisy: bool) -> Scenario:
    vehicle = load_vehicle(WREN)
    noise = make_fault("noise", {"share": BIT_ERROR_RATE}, vehicle)
    return Scenario(
        name="speed",
        title="",
        vehicle=vehicle,
        situation="night_drive",
        inputs=vehicle.situations["night_drive"].inputs,
        actions=(),
        faults=(TimedFault(noise, 0, None),) if noisy else (),
        lasts_ns=SIMULATED_S * 1_000_000_000,
    )


@pytest.mark.benchmark(group="bench")
def test_a_bit_error_rate_costs_little_more_than_none(benchmark):
    quiet, noisy = _drive(noisy=False), _drive(noisy=True)

    def without() -> float:
        begin = time.perf_counter()  # noqa: TID251 (measures the bench itself)
        simulate(quiet)
        return time.perf_counter() - begin  # noqa: TID251

    plain_s = min(without() for _ in range(2))
    recording: Recording = benchmark.pedantic(simulate, args=(noisy,), rounds=2, warmup_rounds=1)

    failed = sum(record.error is not None for record in recording.frames)
    assert 5 <= failed <= 80  # 3,000 frames of some 100 bits
    if benchmark.stats is not None:
        took_s = benchmark.stats.stats.min
        benchmark.extra_info["simulated_seconds_per_second"] = SIMULATED_S / took_s
        benchmark.extra_info["ratio"] = ratio = took_s / plain_s
        print(f"\n{SIMULATED_S / took_s:.0f} x real time, {ratio:.2f} times a quiet bus")
        assert ratio < MOST
