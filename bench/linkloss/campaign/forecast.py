"""What a check would run, and how long that takes on this machine: ``check --dry-run``.

Everything is read, compiled and planned. A few short cases run, away from this process, and the
processor time of each is measured, which does not depend on what else the machine does. The first
runs once before that: it fills caches that all others of a check find filled. The rest is
arithmetic: cases differ in what happens in them, so the estimate is a range.
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
from linkloss.clock.wallclock import processor_seconds
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

MEASURED = 4
"""How many cases are measured."""
LONGEST_MEASURED_NS = 10_000_000_000
"""No longer case is measured, unless all are longer."""
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


class Took(NamedTuple):
    """A case that was run to measure: its simulated length in ns, and the processor time in
    seconds that it took.
    """

    simulated_ns: int
    cpu_s: float


@dataclass(frozen=True)
class Forecast:
    """What a check would run. ``bands`` are the planned cases by length; a hunt has no plan.

    ``measured`` holds what each case took that was run to measure; it is empty where none gave a
    result. ``takes_s`` is the estimate, in seconds of real time with ``jobs`` processes on a
    machine that does nothing else: from the least to the most that the measured cases suggest; None
    where nothing was measured. ``hunted`` is the most cases that a hunt draws, if that is how it
    ends.
    """

    vehicle: Vehicle
    depth: Depth
    jobs: int
    bands: tuple[Band, ...]
    measured: tuple[Took, ...]
    takes_s: tuple[float, float] | None
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
    measured = _measured(_samples(first))
    processes = jobs or os.cpu_count() or 1
    bands = tuple(_bands(chosen))
    most = None if hunted is None else hunted.total
    number = len(chosen) if hunted is None else most
    takes_s = None
    if measured and number is not None:
        usual_ns = sum(took.simulated_ns for took in measured) // len(measured)
        simulated_ns = sum(band.simulated_ns for band in bands) or number * usual_ns
        shares = [took.cpu_s / took.simulated_ns for took in measured]
        each_ns = simulated_ns / min(processes, number)
        takes_s = (min(shares) * each_ns, max(shares) * each_ns)
    if for_s is not None:
        least_s, most_s = takes_s or (for_s, for_s)
        takes_s = (min(for_s, least_s), min(for_s, most_s))
    return Forecast(vehicle, depth, processes, bands, measured, takes_s, most)


def _samples(cases: Sequence[Scenario]) -> list[Scenario]:
    """The cases to measure: the shortest one, and some spread over the others that are not long."""
    by_length = sorted(cases, key=lambda case: (case.lasts_ns, bool(case.faults)))
    short = [case for case in by_length if case.lasts_ns <= LONGEST_MEASURED_NS] or by_length[:1]
    places = {number * (len(short) - 1) // (MEASURED - 1) for number in range(MEASURED)}
    return [short[place] for place in sorted(places)] if short else []


def _bands(cases: Sequence[Scenario]) -> list[Band]:
    found = []
    for over_s, up_to_s in pairwise(BANDS_S):
        lengths = [case.lasts_ns for case in cases if over_s < case.lasts_ns / 1e9 <= up_to_s]
        if lengths:
            found.append(Band(over_s, up_to_s, len(lengths), sum(lengths)))
    return found


def _measured(cases: Sequence[Scenario]) -> tuple[Took, ...]:
    """What cases take, one after the other; empty where they give no result."""

    def timed() -> tuple[Took, ...]:
        found = []
        for case in [*cases[:1], *cases]:
            begun_s = processor_seconds()
            run_case(case)
            found.append(Took(case.lasts_ns, processor_seconds() - begun_s))
        return tuple(found[1:])

    if not can_branch():
        return timed()
    try:
        return Child(timed).answer(LIMIT_S)
    except (NoAnswer, NotFinished):
        return ()
