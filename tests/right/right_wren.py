"""Wren's front and rear with right nodes: what flashes in step is left to the shipped program.

python tests/right/right_wren.py SEED CASES
"""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import partial
from pathlib import Path
from random import Random

from right_node import RightNode
from right_run import told

from linkloss.campaign.plan import plan
from linkloss.vehicle.loading import load_vehicle
from linkloss_nodes.power import PowerNode

WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"
ELECTRICAL = {"fuse_blown", "load_open", "load_short", "relay_welded"}
"""Faults of loads: to tell of them is the shipped program's business."""


class RightPower(PowerNode):
    """The shipped program with some of its outputs in other hands."""

    def __init__(self, board, vehicle, seed) -> None:
        super().__init__(board)
        self.right = RightNode(board, vehicle, seed, hangs=True)

    @staticmethod
    def check_settings(settings):
        outputs = {
            name: table for name, table in settings["outputs"].items() if table.get("flashes")
        }
        return PowerNode.check_settings({**settings, "outputs": outputs})

    def start(self) -> None:
        super().start()
        self.board.bus.set_filters(None)
        self.board.every(self.right.tightest_ns // 3, self.right.look)
        for pin in self.right.pins:
            last_ns = pin.load.latency - self.right.loop_ns
            at_ns = self.board.now_ns() + self.right.between(0, last_ns)
            self.right.later(at_ns, pin.begin)

    def on_frame(self, message) -> None:
        super().on_frame(message)
        self.right.on_frame(message)

    def on_input(self, name, value) -> None:
        super().on_input(name, value)
        self.right.on_input(name, value)


def wren_cases(seed: int, number: int):
    """Cases of Wren's plan without those that take long or are electrical."""
    vehicle, draw = load_vehicle(WREN), Random(f"wren {seed}")
    cases = [
        case
        for case in plan(vehicle)
        if case.lasts_ns < 8_000_000_000 and not set(case.kinds.split("+")) & ELECTRICAL
    ]
    for case in draw.sample(cases, min(number, len(cases))):
        programs = {
            node: partial(RightPower, vehicle=vehicle, seed=draw.randrange(1 << 30))
            for node in ("front", "rear")
        }
        right = replace(case.vehicle, programs={**case.vehicle.programs, **programs})
        yield replace(case, vehicle=right)


def main(seed: int, number: int) -> None:
    tried = broken = 0
    for case in wren_cases(seed, number):
        found, _ = told(case)
        tried, broken = tried + 1, broken + bool(found)
        for text in found:
            print(f"{case.name}: {text}", flush=True)
    print(f"{tried} cases, {broken} broken")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
