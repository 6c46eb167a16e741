"""The closed loop without hardware: the sketch of the I/O board and a C node, each a process of its
own on real time, and the bench between them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import can
from desk_car import IO, REAR_C, desk_text
from real_lab import Desk, desk

from linkloss.campaign.selection import case_named
from linkloss.desk.adapter_way import AdapterWay
from linkloss.desk.board_link import BoardLink
from linkloss.desk.real_case import Adapter, RealCase, RealRun
from linkloss.desk.wired_node import WiredNode
from linkloss.judge import Verdict
from linkloss.judge.felt import judge_felt
from linkloss.vehicle.loading import Vehicle, load_vehicle

LATE = 60
"""The wire that tells how late this computer let the node go on, in ms."""
PUNCTUAL_MS = 20
"""A node may be late by so much and keep the limits of this car, which are 100 ms."""


def roomy_car(folder: Path, limit: str = "100 ms") -> Vehicle:
    """The car with limits that a real node can be held to through a slow line."""
    text = desk_text().replace("[io.rear]", '[io.rear]\noperates_in = "2 ms"', 1)
    for key in ("latency", "reaction"):
        assert f'{key} = "20 ms"' in text
        text = text.replace(f'{key} = "20 ms"', f'{key} = "{limit}"')
    path = folder / "vehicle.toml"
    path.write_text(text, encoding="utf-8")
    return load_vehicle(path)


class Judged(NamedTuple):
    """A case that ran on the desk, and what was judged of its real node."""

    run: RealRun
    verdicts: list[Verdict]
    late_ms: int

    @property
    def broken(self) -> set[tuple[str, str]]:
        return {(verdict.subject, verdict.rule) for verdict in self.verdicts if verdict.broken}


class Loop:
    """A node on the desk, and the bench."""

    def __init__(self, vehicle: Vehicle, there: Desk, link: BoardLink, line: str, bus: can.BusABC):
        self.vehicle, self.there = vehicle, there
        self.wired = WiredNode(vehicle, "rear", link)
        self.adapter = Adapter("slcan", line, bus, AdapterWay(vehicle, "rear", 20_000_000))

    def run(self, name: str) -> Judged:
        """One case of the car, by its name."""
        case = case_named(self.vehicle, name)
        assert case is not None, name
        self.there.loom[LATE] = 0
        run = RealCase(self.wired, self.adapter, case).run()
        verdicts = judge_felt(self.vehicle, run.recording, run.outside, run.desk)
        return Judged(run, verdicts, self.there.loom[LATE])


@contextmanager
def closed_loop(
    vehicle: Vehicle, source: Path = REAR_C, start_ms: int = 0, rate: float = 1.0
) -> Iterator[Loop]:
    """A desk with this program in its node."""
    with desk(rate) as there:
        line = there.plug_in(source, start_ms=start_ms)
        bus = can.Bus(interface="slcan", channel=line, bitrate=250_000, sleep_after_open=0)
        try:
            with BoardLink(there.io) as link:
                yield Loop(vehicle, there, link, line, bus)
        finally:
            bus.shutdown()


__all__ = ["IO", "PUNCTUAL_MS", "Judged", "closed_loop", "roomy_car"]
