"""How long it takes to shrink a failure that needs three faults in order out of twenty events, as
a ratio to running those twenty events once.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import can
import pytest

from linkloss.campaign.run import run_case
from linkloss.campaign.stories import Job, shrunk_apart
from linkloss.faults.catalogue import make_fault
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.vehicle.loading import Vehicle, load_vehicle
from linkloss_nodes import MS, Board
from linkloss_nodes.power import PowerNode

WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"
SWITCHES = (
    "lights=position", "indicator=left", "wiper_switch=slow", "indicator=off", "lights=dipped",
    "horn_button=pressed", "horn_button=released", "brake_pedal=pressed", "wiper_switch=off",
    "brake_pedal=released",
)  # fmt: skip
OUT_NS = 300 * MS


class ThirdTime(PowerNode):
    """Gives its left tail lamp up once the link was lost, the node was reset after that, and the
    link came back and was lost once more.
    """

    def __init__(self, board: Board) -> None:
        super().__init__(board)
        self._heard_ns = board.now_ns()
        self._heard = False
        if self.board.memory.get("stage", 0) == 1:
            self.board.memory["stage"] = 2

    def start(self) -> None:
        super().start()
        self.board.every(10 * MS, self._watch)

    def on_frame(self, message: can.Message) -> None:
        super().on_frame(message)
        self._heard_ns, self._heard = self.board.now_ns(), True

    def _watch(self) -> None:
        memory = self.board.memory
        if self._heard and self.board.now_ns() - self._heard_ns > OUT_NS:
            memory["stage"] = {0: 1, 2: 3}.get(memory.get("stage", 0), memory.get("stage", 0))
        if memory.get("stage", 0) == 3:
            self.board.write("tail_left", 0.0)


def twenty_events(vehicle: Vehicle) -> Scenario:
    """Ten actions and ten faults in 20 s; three of the faults matter."""
    told = [
        ("reset(dash)", 1_307, None), ("unplug(rear)", 3_211, 811), ("mute(gauge)", 4_507, 613),
        ("bus_off(front)", 5_903, None), ("reset(rear)", 8_101, None), ("hang(engine)", 9_709, 701),
        ("unplug(front)", 11_003, 907), ("reset(gauge)", 12_101, None),
        ("unplug(rear)", 14_407, 853), ("unplug(engine)", 16_603, 509),
    ]  # fmt: skip
    faults = []
    for label, at_ms, lasts_ms in told:
        kind, _, node = label.removesuffix(")").partition("(")
        until_ns = None if lasts_ms is None else (at_ms + lasts_ms) * MS
        fault = make_fault(kind, {"node": node}, vehicle)
        faults.append(TimedFault(fault, at_ms * MS, until_ns))
    actions = tuple(
        TimedAction((1_913 + 1_607 * number) * MS, dict([switch.split("=")]))
        for number, switch in enumerate(SWITCHES)
    )
    inputs = {"ignition": "on", "engine_speed": 900.0, "oil_pressure": "present"}
    return Scenario("twenty", "", vehicle, "", inputs, actions, tuple(faults), 20_000 * MS)


@pytest.mark.benchmark(group="shrinking")
def test_three_faults_in_order_are_shrunk_out_of_twenty_events(benchmark):
    wren = load_vehicle(WREN)
    vehicle = replace(wren, programs={**wren.programs, "rear": ThirdTime})
    story = twenty_events(vehicle)
    assert len(story.steps) == 20
    begun_s = time.perf_counter()  # noqa: TID251 (measures the bench itself)
    broken = [v for v in run_case(story).verdicts if v.broken and v.subject == "tail_left"]
    once_s = time.perf_counter() - begun_s  # noqa: TID251
    assert broken
    job = Job(story, "tail_left", broken[0].rule, 200)

    (found,) = benchmark.pedantic(lambda: shrunk_apart([job], 1), rounds=1)

    labels = [timed.fault.label() for timed in found.scenario.faults]
    assert labels == ["unplug(rear)", "reset(rear)", "unplug(rear)"]
    assert len(found.scenario.actions) <= 1
    assert found.minimal
    assert not found.ran_out
    if benchmark.stats is not None:
        took_s = benchmark.stats.stats.min
        benchmark.extra_info["seconds"] = took_s
        benchmark.extra_info["runs"] = found.runs
        benchmark.extra_info["times_the_whole_story"] = took_s / once_s
        print(f"\n{took_s:.2f} s, {found.runs} runs, {took_s / once_s:.1f} whole stories")
