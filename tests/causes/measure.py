"""How often the finder of causes names what is wrong: every wrong node against its label.

Each wrong car is checked up to the case that catches it; the finder gets the report. Its first
entry is right if it names one of the label's mechanisms and one of its nodes::

    python tests/causes/measure.py                 # all of labels.toml, on two processors
    python tests/causes/measure.py c/no_time_out   # one; part of "group/name" will do
    python tests/causes/measure.py --further       # the further ones, of further/labels.toml
    python tests/causes/measure.py --unseen        # those of unseen/labels.toml, labelled blind

It prints a row for each, the share that is right in each group, and the misses.
"""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import rooms  # noqa: F401 - it adds the folders of what follows to the path
from demo_cases import wren_planned
from further_list import LABELS as FURTHER_LABELS
from further_list import every as every_further
from unseen_list import LABELS as UNSEEN_LABELS
from unseen_list import every as every_unseen
from wrong_list import LABELS, Label, WrongCar, every, labels

from linkloss.campaign.causes import diagnose_findings, grouped
from linkloss.campaign.result import CheckReport
from linkloss.campaign.stories import Stories

PROCESSES = 2
LISTS = {"--further": (FURTHER_LABELS, every_further), "--unseen": (UNSEEN_LABELS, every_unseen)}
"""Option -> the labels and the wrong nodes that it stands for."""


def first_entry(report: CheckReport) -> tuple[str, str]:
    """Mechanism and node of the first cause that is named."""
    nothing = Stories()
    causes = grouped(report, nothing, diagnose_findings(report, nothing, jobs=1))
    diagnosis = causes[0].diagnosis
    return ("", "") if diagnosis is None else (diagnosis.mechanism.value, diagnosis.node)


class Measured(NamedTuple):
    """What was named of a wrong car."""

    place: tuple[str, str]
    cases: str
    mechanism: str
    node: str

    def right(self, label: Label) -> bool:
        """Whether that is what is wrong."""
        return self.mechanism in label.mechanisms and self.node in label.nodes


CARS: list[WrongCar] = []
"""Those that are measured; the processes are forked with it."""


def measured(index: int) -> Measured:
    """Check one car and ask the finder."""
    car = CARS[index]
    with tempfile.TemporaryDirectory() as folder:
        report = car.check(Path(folder))
        caught = sorted({finding.case.name.partition("/clocks(")[0] for finding in report.findings})
        if not caught:
            return Measured((car.group, car.name), "(not caught)", "", "")
        return Measured((car.group, car.name), ", ".join(caught), *first_entry(report))


def shown(found: Measured, label: Label) -> str:
    """One row."""
    mark = "   " if found.right(label) else "NO "
    wanted = f"{' or '.join(label.mechanisms)} / {' or '.join(label.nodes)}"
    named = f"{found.mechanism} / {found.node}"
    return f"{mark}{'/'.join(found.place):45}{wanted:42}{named:28}{found.cases}"


def main(*told: str) -> None:
    """Measure them and print what was found."""
    chosen = [LISTS[option] for option in told if option in LISTS]
    path, those = chosen[0] if chosen else (LABELS, every)
    known, cars = labels(path), those()
    parts = [part for part in told if part not in LISTS]
    CARS[:] = [car for car in cars if all(part in f"{car.group}/{car.name}" for part in parts)]
    wren_planned("full")  # once, before the processes are forked
    fork = multiprocessing.get_context("fork")
    with ProcessPoolExecutor(PROCESSES, fork) as pool:
        found = list(pool.map(measured, range(len(CARS))))
    print(f"   {'wrong node':45}{'label':42}{'named':28}case")
    for one in found:
        print(shown(one, known[one.place]))
    right: dict[str, list[bool]] = defaultdict(list)
    for one in found:
        right[one.place[0]].append(one.right(known[one.place]))
    right["all"] = [each for group in list(right.values()) for each in group]
    for group, marks in right.items():
        print(f"{group}: {sum(marks)} of {len(marks)} right, {sum(marks) / len(marks):.1%}")
    print(
        "misses:",
        *(
            f"\n  {'/'.join(one.place)}: {one.mechanism} / {one.node}"
            for one in found
            if not one.right(known[one.place])
        ),
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
