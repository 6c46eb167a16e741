"""The car from above."""

from __future__ import annotations

from itertools import pairwise

import pytest
from demo_cases import wren
from hypothesis import given
from hypothesis import strategies as st

from linkloss.report.car_drawing import WIDTH, draw_car, lines


@pytest.fixture(scope="module")
def drawing():
    return draw_car(wren())


def test_the_nodes_stand_along_the_cable_from_front_to_rear_and_never_touch(drawing):
    assert tuple(node.name for node in drawing.nodes) == wren().along
    for above, below in pairwise(drawing.nodes):
        assert above.y + above.height < below.y
    assert drawing.nodes[-1].y + drawing.nodes[-1].height < drawing.height


def test_a_piece_of_cable_fills_the_gap_between_two_neighbours(drawing):
    for gap, (above, below) in zip(drawing.gaps, pairwise(drawing.nodes), strict=True):
        assert gap.between == (above.name, below.name)
        assert gap.y == above.y + above.height
        assert gap.y + gap.height == below.y
        first, second = gap.strands
        assert first != second
        assert first.startswith(f"M{WIDTH // 2} {gap.y}")
        assert first.endswith(f"{WIDTH // 2} {gap.y + gap.height}")


def test_every_load_is_drawn_once_at_its_node_and_at_its_side(drawing):
    drawn = {load.name: (node, load) for node in drawing.nodes for load in node.loads}
    assert set(drawn) == set(wren().loads)
    for name, (node, load) in drawn.items():
        assert wren().loads[name].node == node.name
        assert node.y <= load.y <= node.y + node.height
        assert load.left == (load.x < WIDTH // 2)
    for name in ("low_beam_left", "tail_left", "indicator_rear_left"):
        assert drawn[name][1].left
    for name in ("low_beam_right", "tail_right", "indicator_rear_right"):
        assert not drawn[name][1].left


def test_loads_of_one_side_stand_apart(drawing):
    for node in drawing.nodes:
        for left in (True, False):
            heights = [load.y for load in node.loads if load.left == left]
            assert all(lower - upper >= 26 for upper, lower in pairwise(heights))


def test_a_load_is_drawn_as_what_it_is(drawing):
    symbols = {load.name: load.symbol for node in drawing.nodes for load in node.loads}
    assert symbols["tail_left"] == symbols["overheat_lamp"] == "lamp"
    assert symbols["fuel_pump"] == symbols["wiper"] == symbols["cooling_fan"] == "motor"
    assert symbols["starter"] == symbols["horn"] == "other"


@given(st.from_regex(r"[a-z]{1,12}(_[a-z]{1,12}){0,4}", fullmatch=True))
def test_a_name_in_two_lines_is_still_the_name(name):
    assert "".join(lines(name)) == name
    assert len(lines(name)) <= 2
