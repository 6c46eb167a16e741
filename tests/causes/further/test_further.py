"""Each further wrong node is caught and has a label; its right twin breaks nothing there."""

from __future__ import annotations

import further_c
import further_scripts
import further_sketches
import pytest
from c_cars import c_car
from demo_cases import narrow
from further_list import LABELS, NODES, every
from script_cars import script_car, sketch_car
from variants import rows
from wrong_cars import car
from wrong_list import labels

from linkloss.problem import EXIT_BROKEN
from linkloss.session import ready

SHORT = {
    "python/CopiedIndicator", "c/one_pin_too_few", "sketch/right_as_left", "script/once_a_second",
}  # fmt: skip
CARS = {f"{each.group}/{each.name}": each for each in every()}
NAMES = [
    pytest.param(name, marks=[] if name in SHORT else [pytest.mark.slow]) for name in sorted(CARS)
]
TWINS = {
    "c": (further_c.WRONG, lambda folder, one: c_car(folder, tables=one.tables)),
    "sketch": (further_sketches.WRONG, lambda folder, one: sketch_car(folder, tables=one.tables)),
    "script": (further_scripts.WRONG, lambda folder, one: script_car(folder)),
    "python": (NODES, lambda folder, one: car({one.node: one.program.__base__})),
}


def test_each_further_wrong_node_has_one_label_and_each_label_its_node():
    assert {(each.group, each.name) for each in CARS.values()} == set(labels(LABELS))


@pytest.mark.parametrize("name", NAMES)
def test_the_check_finds_the_further_wrong_node(tmp_path, name):
    report = CARS[name].check(tmp_path)
    assert report.exit_code == EXIT_BROKEN
    assert CARS[name].shows(report), sorted(rows(report))


@pytest.mark.slow
@pytest.mark.parametrize("kind", TWINS)
def test_the_same_cases_find_nothing_in_the_right_twin(tmp_path, kind):
    wrong, twin = TWINS[kind]
    for one in wrong:
        vehicle = twin(tmp_path, one)
        ready(vehicle)
        report = narrow(vehicle, [one.kind], [one.situation], one.at, every=3)
        assert not rows(report), one.name
