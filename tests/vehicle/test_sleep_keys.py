"""What a node may say of its sleep, and how mistakes are told."""

from __future__ import annotations

import re

import pytest

MS = 1_000_000
STATUS = 'status = "RearStatus"'
SLEEP = 'sleeps_when = "brake == released"\nasleep_within = "2 s"'


def rear(car, text):
    """The car with more keys in the table of its rear node."""
    return car.change(STATUS, f"{STATUS}\n{text}")


def test_a_node_sleeps_by_its_own_inputs_and_wakes_by_them_unless_more_is_said(car):
    node = rear(car, SLEEP).load().nodes["rear"]
    assert (node.sleeps_when.text, node.asleep_within) == ("brake == released", 2000 * MS)
    assert node.wakers == ("brake",)


def test_messages_and_any_frame_may_wake_it(car):
    wakers = ("brake", "LampRequest", "any frame")
    listed = ", ".join(f'"{name}"' for name in wakers)
    assert rear(car, f"{SLEEP}\nwakes_by = [{listed}]").load().nodes["rear"].wakers == wakers


def test_a_node_of_which_nothing_is_said_does_not_sleep(car):
    node = car.load().nodes["rear"]
    assert (node.sleeps_when, node.asleep_within, node.wakers) == (None, None, ())


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (SLEEP.splitlines()[0], "expected both 'sleeps_when' and 'asleep_within', or neither"),
        (SLEEP.splitlines()[1], "expected both 'sleeps_when' and 'asleep_within', or neither"),
        ('wakes_by = ["brake"]', "belongs to a node that sleeps; expected 'sleeps_when'"),
        (
            SLEEP.replace("brake == released", "lights == off"),
            "sleeps_when: input 'lights' is wired to dash, not to node 'rear'",
        ),
        (
            SLEEP.replace("brake == released", "RearStatus.Alive == 0"),
            "sleeps_when: 'RearStatus.Alive' is a signal; expected inputs alone",
        ),
        (
            SLEEP.replace("brake == released", "tail is off"),
            "sleeps_when: 'tail is' .* asks for the state of a load, as only a 'never' may",
        ),
        (
            f'{SLEEP}\nwakes_by = ["brakes"]',
            "wakes_by: unknown waker of node 'rear' 'brakes'.*did you mean 'brake'",
        ),
        (f'{SLEEP}\nwakes_by = ["lights"]', "wakes_by: unknown waker of node 'rear' 'lights'"),
        (
            f'{SLEEP}\nwakes_by = ["RearStatus"]',
            "unknown waker of node 'rear' 'RearStatus'",
        ),
    ],
)
def test_a_mistake_is_told_with_its_place(car, text, expected):
    found = rear(car, text).problems()
    assert len(found) == 1, found
    assert "nodes.rear" in found[0]
    assert re.search(expected, found[0]), found[0]


def test_a_program_in_c_cannot_ask_for_sleep(car):
    car.write("rear.c", "void setup(void) {}\nvoid loop(void) {}\n")
    car.change('python = "programs.py:Rear"', f'c = ["rear.c"]\n{SLEEP}')
    assert "only a program in Python can put its board to sleep" in car.problems()[0]


def test_what_it_draws_asleep_has_to_be_said_where_its_supply_is(car):
    car.change("[inputs.lights]", "[supply]\n\n[nodes.rear.supply]\n\n[inputs.lights]")
    found = rear(car, SLEEP).problems()
    assert len(found) == 1, found
    assert "nodes.rear.supply: the node sleeps; expected 'sleeping'" in found[0]
