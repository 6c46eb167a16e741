"""Every wrong node of the tests has a label, and every label is that of a wrong node."""

from __future__ import annotations

from wrong_list import every, labels


def test_each_wrong_node_has_one_label_and_each_label_its_node():
    assert {(car.group, car.name) for car in every()} == set(labels())
