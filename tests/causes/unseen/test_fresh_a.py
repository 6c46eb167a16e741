"""Each fresh wrong node is caught and has a label; its right twin breaks nothing there."""

from __future__ import annotations

import fresh_a_c
import fresh_a_scripts
import fresh_a_sketches
import pytest
from caught import assert_caught, assert_right_twins, by_name, params
from fresh_a_list import LABELS, NODES, every
from wrong_list import labels

CARS = by_name(every())
WRONG = {
    "c": fresh_a_c.WRONG,
    "sketch": fresh_a_sketches.WRONG,
    "script": fresh_a_scripts.WRONG,
    "python": NODES,
}


def test_each_fresh_wrong_node_has_one_label_and_each_label_its_node():
    assert {(each.group, each.name) for each in CARS.values()} == set(labels(LABELS))


@pytest.mark.parametrize("name", params(CARS))
def test_the_check_finds_the_fresh_wrong_node(tmp_path, name):
    assert_caught(CARS[name], tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("kind", WRONG)
def test_the_same_cases_find_nothing_in_the_right_twin(tmp_path, kind):
    assert_right_twins(kind, WRONG[kind], tmp_path)
