"""A node wired to a board: its loads and inputs in place of lines, on virtual time."""

from __future__ import annotations

from dataclasses import replace

import pytest
from felt_lab import roomy_wren
from sketch_lab import DIGITAL, DRIVES, RELAYS, Line

from linkloss.desk.wired_node import WiredNode
from linkloss.problem import BadInput


class VirtualLink:
    """The serial line of a board on virtual time."""

    path, lost = "/dev/board", ""

    def __init__(self, line: Line) -> None:
        self.line = line

    def with_board(self, work):
        return work(self.line.host)

    def wait(self, holds, longest_s):
        until_ns = self.line.now_ns + round(longest_s * 1e9)
        while not holds(self.line.host) and self.line.now_ns < until_ns:
            self.line.step()
        return holds(self.line.host)


@pytest.fixture
def wired():
    line = Line()
    line.settle()
    return WiredNode(roomy_wren(), "rear", VirtualLink(line))


def test_the_levels_are_those_of_now_and_not_those_that_were_told_last(wired):
    line = wired.link.line
    assert wired.levels()["tail_left"] == 0.0
    line.board.input(DIGITAL[0], 1)  # the edge is not told yet
    line.board.input(DIGITAL[1], 1)
    assert line.host.levels[0] == 0
    found = wired.levels()
    assert (found["tail_left"], found["brake_lamps"], found["reverse_lamps"]) == (1.0, 1.0, 0.0)


def test_an_input_is_made_by_its_line_and_a_relay_pulled(wired):
    board = wired.link.line.board
    orders = [wired.drive("brake_pedal", "pressed"), wired.pull("reset", away=True)]
    wired.carry_out(orders)
    assert [board.output(pin) for pin in (*DRIVES, *RELAYS)] == [1, 0, 0, 0, 0, 0, 1]
    wired.carry_out([wired.drive("brake_pedal", "released"), wired.pull("reset", away=False)])
    assert not any(board.output(pin) for pin in (*DRIVES, *RELAYS))
    assert wired.drive("ignition", "accessory").fields == ("03", "0")
    assert wired.drive("crash", "yes") is None


def test_a_load_whose_minus_is_switched_is_on_while_its_line_is_low():
    vehicle = roomy_wren()
    table = vehicle.io["rear"]
    feel = table.feels["tail_left"].model_copy(update={"inverted": True})
    io = {"rear": table.model_copy(update={"feels": {**table.feels, "tail_left": feel}})}
    line = Line()
    line.settle()
    turned = replace(vehicle, file=vehicle.file.model_copy(update={"io": io}))
    assert WiredNode(turned, "rear", VirtualLink(line)).levels()["tail_left"] == 1.0


def test_another_board_than_the_file_says_and_one_that_is_silent_are_told():
    vehicle = roomy_wren()
    large = Line(options=("-DIO_BOARD_LARGE",))
    large.settle()
    with pytest.raises(BadInput, match="a board of 20 pins has 6 digital"):
        WiredNode(vehicle, "rear", VirtualLink(large))
    line = Line()
    line.settle()
    wired = WiredNode(vehicle, "rear", VirtualLink(line))
    line.cut = True
    with pytest.raises(BadInput, match="does not answer"):
        wired.carry_out([wired.pull("supply", away=True)])
    with pytest.raises(BadInput, match="does not answer"):
        wired.levels()
