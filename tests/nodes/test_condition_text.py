"""What a node's conditions mean, against the bench's reading of the same text."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.vehicle.expression import parse_condition as bench_condition
from linkloss_nodes import SettingsError
from linkloss_nodes.condition import parse_condition

TEXTS = [
    "lights == dipped",
    "lights != off and ignition == on",
    "lights in [position, dipped] or hazard == on",
    "lights not in [off] and speed > 500",
    "speed <= 400.5 or speed >= -3 and lights == off",
    "speed < 100 and speed != 7",
]
values = st.fixed_dictionaries(
    {
        "lights": st.sampled_from(["off", "position", "dipped"]),
        "ignition": st.sampled_from(["off", "on"]),
        "hazard": st.sampled_from(["off", "on"]),
        "speed": st.sampled_from([-5.0, 0.0, 7.0, 400.5, 500.0, 501.0]),
    },
)


@pytest.mark.parametrize("text", TEXTS)
@given(known=values)
def test_node_and_bench_read_a_condition_alike(text, known):
    assert parse_condition(text).holds(known) == bench_condition(text)(known)


def test_names_come_once_and_in_order():
    found = parse_condition("a == x and b.C > 1 or a != y")
    assert found.names == ("a", "b.C")


@pytest.mark.parametrize("text", ["a == x", "a != x", "a < 1", "a not in [x]", "a in [x]"])
def test_nothing_holds_for_what_is_not_known(text):
    assert not parse_condition(text).holds({"a": None})


@pytest.mark.parametrize(
    "text, part",
    [
        ("lights = dipped", "cannot read 'lights = dipped'"),
        ("lights", "cannot read 'lights'"),
        ("a == x and", "cannot read ''"),
        ("speed > fast", "'fast' in the condition 'speed > fast' is no number"),
    ],
)
def test_a_mistake_is_shown(text, part):
    with pytest.raises(SettingsError, match=part):
        parse_condition(text)
