"""A licence overstepped by the smallest amount that its rule forbids is found, by its own rule."""

from __future__ import annotations

from collections import Counter

import pytest
from oversteps import rightly, tried

CARS = range(3)


@pytest.fixture(scope="module")
def steps():
    """All steps tried, and what of them was not found by the right rule."""
    counts: Counter[tuple[str, str]] = Counter()
    missed = []
    for seed in CARS:
        for planted, rules, ran in tried(seed, most=6):
            counts[planted.entry.what, planted.how] += 1
            if not rightly(planted, rules):
                missed.append((seed, ran.case.name, planted.how, planted.entry, rules))
    return counts, missed


def test_every_step_over_a_licence_is_found(steps):
    _, missed = steps
    assert missed == []


@pytest.mark.parametrize("how", ["late", "early", "pulse"])
def test_steps_of_each_kind_are_tried(steps, how):
    counts, _ = steps
    assert {what for what, other in counts if other == how} >= {"fresh", "local"}
