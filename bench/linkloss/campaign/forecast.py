"""What a check would run, and how long that takes on this machine: ``check --dry-run``.

Everything is read, compiled and planned. One short case is run twice, away from this process, and
the second time is measured: the first fills caches that all others of a check find filled. The rest
is arithmetic, and so an estimate: cases differ in what happens in them, and machines in what else
they do.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf
from pathlib import Path
from typing import NamedTuple

from linkloss.campaign.check import LIMIT_S, ordered
from linkloss.campaign.depth import Depth
from linkloss.campaign.isolation import Child, NoAnswer, NotFinished, can_branch
from linkloss.campaign.run import run_case
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

BANDS_S = (0, 5, 10, 60, inf)
"""Cases are counted by their length: from one of these, in seconds, to the next."""


class Band(NamedTuple):
    """The cases that are longer than ``over_s`` and no longer than ``up_to_s`` seconds of simulated
    time, and their length together in ns.
    """

    over_s: float
    up_to_s: float
    cases: int
    simulated_ns: int


@dataclass(frozen=True)
class Forecast:
    """What a check would run. ``bands`` are the planned cases by length; a hunt has no plan.

    ``measured_ns`` is the simulated length of the case that was run, ``measured_s`` the real time
    in seconds that it took; None where it gave no result. ``takes_s`` is the estimate, in seconds
    of real time with ``jobs`` processes; None where nothing was measured. ``hunted`` is the most
    cases that a hunt draws, if that is how it ends.
    """

    vehicle: Vehicle
    depth: Depth
    jobs: int
    bands: tuple[Band, ...]
    measured_ns: int
    measured_s: float | None
    takes_s: float | None
    hunted: int | None = None

    @property
    def cases(self) -> int:
        """The planned cases."""
        return sum(band.cases for band in self.bands)

    @property
    def simulated_ns(self) -> int:
        """Their length together, in ns."""
        return sum(band.simulated_ns for band in self.bands)


def forecast(
    vehicle: Vehicle,
    *,
    depth: Depth = "full",
    only: Collection[str] | None = None,
    situations: Collection[str] | None = None,
    case: str | Sequence[str] | None = None,
    seed: int = 0,
    cases: int | None = None,
    for_s: float | None = None,
    jobs: int | None = None,
    drive: Path | None = None,
    logged: Collection[str] | None = None,
) -> Forecast:
    """What :func:`linkloss.campaign.check.check` would do with the same choice. Raises BadInput as
    that does.
    """
    _, hunted, chosen = ordered(
        vehicle,
        depth=depth,
        only=only,
        situations=situations,
        case=case,
        seed=seed,
        cases=cases,
        for_s=for_s,
        drive=drive,
        logged=logged,
    )
    first = chosen if hunted is None else hunted.next_batch()  # a hunt begins without a fault
    one = min(first, key=lambda case: (case.lasts_ns, not case.faults), default=None)
    measured_s = None if one is None else _measured_s(one)
    measured_ns = 0 if one is None else one.lasts_ns
    processes = jobs or os.cpu_count() or 1
    bands = tuple(_bands(chosen))
    most = None if hunted is None else hunted.total
    number = len(chosen) if hunted is None else most
    takes_s = None
    if measured_s is not None and number is not None:
        simulated_ns = sum(band.simulated_ns for band in bands) or number * measured_ns
        takes_s = measured_s * simulated_ns / measured_ns / min(processes, number)
    if for_s is not None:
        takes_s = for_s if takes_s is None else min(for_s, takes_s)
    return Forecast(vehicle, depth, processes, bands, measured_ns, measured_s, takes_s, most)


def _bands(cases: Sequence[Scenario]) -> list[Band]:
    found = []
    for over_s, up_to_s in pairwise(BANDS_S):
        lengths = [case.lasts_ns for case in cases if over_s < case.lasts_ns / 1e9 <= up_to_s]
        if lengths:
            found.append(Band(over_s, up_to_s, len(lengths), sum(lengths)))
    return found


def _measured_s(case: Scenario) -> float | None:
    """The real time, in seconds, that a case takes when it runs again; None without a result."""

    def timed() -> float:
        run_case(case)
        begun_s = monotonic_seconds()
        run_case(case)
        return monotonic_seconds() - begun_s

    if not can_branch():
        return timed()
    try:
        return Child(timed).answer(LIMIT_S)
    except (NoAnswer, NotFinished):
        return None
