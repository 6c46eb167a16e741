"""Tries right nodes in many drawn cars.

    python tests/right/right_run.py FIRST CARS [CASES]

Prints what was called broken, the number of cases, and how often each rule was kept.
"""

from __future__ import annotations

import sys
from collections import Counter

from right_cars import drawn_cases

from linkloss.judge import Outcome, judge
from linkloss.session import simulate


def told(case) -> tuple[list[str], Counter[str]]:
    """What is broken in a case, in words, and how many of each rule were kept."""
    verdicts = judge(case.vehicle, simulate(case))
    kept = Counter(v.rule for v in verdicts if v.outcome is Outcome.KEPT)
    return [f"{v.subject} {v.rule} {v.at_ns} {v.text}" for v in verdicts if v.broken], kept


def main(first: int, cars: int, cases: int = 25) -> None:
    """Cars of the seeds from ``first`` on, with so many cases each."""
    tried = broken = 0
    kept: Counter[str] = Counter()
    for seed in range(first, first + cars):
        for case in drawn_cases(seed, cases):
            found, more = told(case)
            tried, broken, kept = tried + 1, broken + bool(found), kept + more
            for text in found:
                print(f"car {seed}: {case.name}: {text}", flush=True)
        if seed % 20 == 0:
            print(f"up to car {seed}: {tried} cases, {broken} broken", flush=True)
    print(f"{tried} cases, {broken} broken; kept: {dict(kept)}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
