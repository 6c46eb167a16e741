"""A position may be a word of Python's own; what cannot work is refused where it is written."""

from __future__ import annotations

from keyword import kwlist

import pytest

from linkloss.campaign.cases import CaseMaker
from linkloss.campaign.selection import case_named
from linkloss.scenario import TimedAction
from linkloss.vehicle.expression import parse_condition
from linkloss_nodes.condition import parse_condition as parse_in_a_node

LOWER = [word for word in kwlist if word.islower()]
ODD = [
    "half-open",
    "1",
    "1st",
    "half open",
    "50 %",
    "a=b",
    "0.5",
    "+",
    "gr\u00fcn",
    "it's",
    'so "so"',
]
WAYS = [
    "x == {}",
    "not x == {}",
    "x != {} and y == on",
    "x in [{}]",
    "x in ({}, b)",
    "x not in [a, {}]",
]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("word", LOWER)
def test_a_reserved_word_is_a_position_where_one_is_due(word, way):
    text = way.format(word)
    assert word in parse_condition(text).positions["x"]
    values = {"x": word, "y": "on"}
    assert parse_condition(text)(values) == parse_in_a_node(text).holds(values)


@pytest.mark.parametrize("word", [*LOWER, *ODD])
def test_a_car_with_such_a_position_runs_and_its_cases_have_names(car, word):
    quoted = word.replace('"', '\\"')
    car.change('"off", "position", "dipped"]', f'"off", "position", "{quoted}"]')
    mark = '"' if "'" in word else "'"
    escaped = f"{mark}{word}{mark}".replace('"', '\\"')
    car.change('"lights in [position, dipped]"', f'"lights in [position, {escaped}]"')
    car.change('lights = "dipped"', f'lights = "{quoted}"')
    vehicle = car.load()
    action = TimedAction(700_000_000, {"lights": word})
    case = CaseMaker(vehicle).case("night", (), more=(action,))
    assert case_named(vehicle, case.name) == case


REFUSED = [
    (
        "True",
        "'True' has a meaning of its own in conditions; expected another word, such as 'true'",
    ),
    (
        "None",
        "'None' has a meaning of its own in conditions; expected another word, such as 'none'",
    ),
    (
        "N/A",
        "'N/A' cannot stand in the name of a case; expected a position without any of @ ( ) , /",
    ),
    ("on (left)", "such as 'on_left'"),
    ("a,b", "such as 'a_b'"),
    (" on", "such as 'on'"),
    ("", "'' cannot stand in the name of a case"),
]


@pytest.mark.parametrize("word, told", REFUSED)
def test_what_cannot_work_is_refused_where_it_is_written(car, word, told):
    (problem,) = car.change('"position", "dipped"]', f'"position", "dipped", "{word}"]').problems()
    assert problem.startswith("22: inputs.lights.positions[4]: ")
    assert told in problem


def test_an_input_that_no_condition_can_name_is_refused(car):
    car.change("[inputs.brake]", "[inputs.in]").change("brake == pressed", "speed > 1")
    assert any(
        problem.endswith(
            "'in' has a meaning of its own in conditions; expected another name, such as 'in_'"
        )
        for problem in car.problems()
    )


@pytest.mark.parametrize("word", ["half-open", "True"])
def test_a_position_that_is_no_plain_word_is_told_to_stand_in_quotation_marks(word):
    with pytest.raises(
        ValueError, match="a position that is no plain word stands in quotation marks"
    ):
        parse_condition(f"lights == {word}")
