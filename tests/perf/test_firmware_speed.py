"""How fast the demo car runs with a rear node in C, as a ratio to the bundled one in the same run,
and what a start with compiled programs costs. Recorded, never asserted.
"""

from __future__ import annotations

import shutil
import sys
import time
from importlib.util import find_spec
from pathlib import Path

import pytest

from linkloss.scenario import Scenario, TimedAction
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))
from c_cars import REAR_C, c_car
from rear_cars import WREN

SIMULATED_S = 10

pytestmark = pytest.mark.skipif(
    not (shutil.which("cc") and find_spec("cffi")), reason="no C compiler, or no cffi"
)


def night_drive(vehicle):
    table = vehicle.situations["night_drive"]
    actions = tuple(TimedAction(action.at, action.set) for action in table.actions)
    return Scenario(
        name="speed",
        title="",
        vehicle=vehicle,
        situation="night_drive",
        inputs=table.inputs,
        actions=actions,
        faults=(),
        lasts_ns=SIMULATED_S * 1_000_000_000,
    )


def best_s(action, rounds=3):
    """The shortest of several times, in s."""
    found = []
    for _ in range(rounds):
        begin = time.perf_counter()  # noqa: TID251 (measures the bench itself)
        action()
        found.append(time.perf_counter() - begin)  # noqa: TID251
    return min(found)


@pytest.mark.benchmark(group="firmware")
@pytest.mark.parametrize("loop", ["    board_delay_ms(1);\n", ""], ids=["1 ms loop", "polling"])
def test_a_night_drive_with_a_rear_node_in_c(benchmark, tmp_path, loop):
    text = REAR_C.read_text(encoding="utf-8").replace("    board_delay_ms(LOOP_MS);\n", loop)
    source = tmp_path / "rear.c"
    source.write_text(text, encoding="utf-8")
    in_c = night_drive(c_car(tmp_path, source))
    bundled = night_drive(load_vehicle(WREN))
    python_s = best_s(lambda: simulate(bundled))
    recording = benchmark.pedantic(simulate, (in_c,), rounds=3, warmup_rounds=1)
    assert recording.crashes == []
    assert recording.end_ns == SIMULATED_S * 1_000_000_000
    if benchmark.stats is not None:
        took_s = benchmark.stats.stats.min
        benchmark.extra_info["simulated_seconds_per_second"] = SIMULATED_S / took_s
        benchmark.extra_info["times_the_bundled_node"] = took_s / python_s
        print(f"\n{SIMULATED_S / took_s:.0f} x real time, {took_s / python_s:.2f} of the bundled")


@pytest.mark.benchmark(group="firmware")
def test_a_second_start_finds_the_program_compiled(benchmark, tmp_path):
    c_car(tmp_path)
    plain_s = best_s(lambda: load_vehicle(WREN))
    benchmark.pedantic(c_car, (tmp_path,), rounds=3)
    if benchmark.stats is not None:
        more_s = benchmark.stats.stats.min - plain_s
        benchmark.extra_info["seconds_more_than_without"] = more_s
        print(f"\n{more_s * 1000:.0f} ms more than without a program in C")
