"""Each of these wrong nodes is caught and has a label; its right twin breaks nothing there."""

from __future__ import annotations

import pytest
from caught import assert_caught, assert_right_twins, by_name, params
from fresh_d_list import LABELS, NODES, every
from wrong_list import labels

CARS = by_name(every())


def test_each_of_these_nodes_has_one_label_and_each_label_its_node():
    assert {(each.group, each.name) for each in CARS.values()} == set(labels(LABELS))


@pytest.mark.parametrize("name", params(CARS))
def test_the_check_finds_the_wrong_node(tmp_path, name):
    assert_caught(CARS[name], tmp_path)


@pytest.mark.slow
def test_the_same_cases_find_nothing_in_the_right_twins(tmp_path):
    assert_right_twins("python", NODES, tmp_path)
