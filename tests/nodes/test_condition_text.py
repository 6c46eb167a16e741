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
    "lights != pass or hazard in [off, in]",
    "not (lights == off or hazard == on) and speed > 0",
    "(lights == dipped or hazard == on) and ignition == on",
    "not lights in (off, dipped)",
    "Lamp.High and not Lamp.Low",
    "Lamp.High",
    "Lamp.Step == 0.3 or hazard == 'on'",
]
values = st.fixed_dictionaries(
    {
        "lights": st.sampled_from(["off", "position", "dipped"]),
        "ignition": st.sampled_from(["off", "on"]),
        "hazard": st.sampled_from(["off", "on"]),
        "speed": st.sampled_from([-5.0, 0.0, 7.0, 400.5, 500.0, 501.0]),
        "Lamp.High": st.sampled_from([0.0, 1.0]),
        "Lamp.Low": st.sampled_from([0.0, 1.0]),
        "Lamp.Step": st.sampled_from([0.0, 3 * 0.1, 0.4]),
    },
)


@pytest.mark.parametrize("text", TEXTS)
@given(known=values)
def test_node_and_bench_read_a_condition_alike(text, known):
    assert parse_condition(text).holds(known) == bench_condition(text)(known)


def test_names_come_once_and_in_order():
    found = parse_condition("a == x and b.C > 1 or a != y")
    assert found.names == ("a", "b.C")


@st.composite
def conditions(draw) -> str:
    """A condition of a few comparisons, joined and turned round at random."""
    term = st.sampled_from([text for text in TEXTS if " and " not in text and " or " not in text])
    joined = st.recursive(
        term,
        lambda inner: st.one_of(
            inner.map("not ({})".format),
            st.tuples(inner, st.sampled_from(["and", "or"]), inner).map(
                "({0[0]}) {0[1]} ({0[2]})".format
            ),
        ),
        max_leaves=5,
    )
    return draw(joined)


@given(conditions(), values)
def test_node_and_bench_agree_on_what_is_joined_at_random(text, known):
    assert parse_condition(text).holds(known) == bench_condition(text)(known)
    assert parse_condition(text).names == bench_condition(text).names


@pytest.mark.parametrize(
    ("text", "holds"),
    [("a == x or b.C", True), ("a == x and b.C", False), ("not (a == y and b.C)", True)],
)
def test_what_does_not_decide_need_not_be_known(text, holds):
    assert parse_condition(text).holds({"a": "x", "b.C": None}) is holds


@pytest.mark.parametrize(
    "text", ["a == x", "a != x", "a < 1", "a not in [x]", "a in [x]", "not a == x", "not a in [x]"]
)
def test_nothing_holds_for_what_is_not_known(text):
    assert not parse_condition(text).holds({"a": None})


@pytest.mark.parametrize(
    "text, part",
    [
        ("lights = dipped", "cannot read 'lights = dipped'"),
        ("lights", "cannot read 'lights'"),
        ("a == x and", "cannot read 'a == x and'"),
        ("speed > fast", "cannot read 'fast' in the condition 'speed > fast'"),
        ("speed + 1 > 2", r"cannot read 'speed \+ 1'"),
        ("1 < speed < 2", "cannot read '1 < speed < 2'"),
        ("lamp is on", "cannot read 'on'"),
        ("1 == a", "cannot read '1'"),
    ],
)
def test_a_mistake_is_shown(text, part):
    with pytest.raises(SettingsError, match=part):
        parse_condition(text)
