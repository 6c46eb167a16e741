"""The flash cycle: its rate, its step, and how it gets back into step."""

from __future__ import annotations

from itertools import pairwise

import pytest
from fake_board import FakeBoard
from hypothesis import given
from hypothesis import strategies as st

from linkloss_nodes import MS, SettingsError
from linkloss_nodes.flasher import Flasher, FlashSettings

CYCLE = FlashSettings(cycle_ms=660, lit_ms=330)


class Lamp:
    """One lamp on a flasher of its own."""

    def __init__(self, board):
        self.board = board
        self.flasher = Flasher(board, CYCLE)

    def start(self):
        pass

    def show(self, lit):
        self.board.write("lamp", float(lit))


def lamp(messages):
    board = FakeBoard("front", {}, messages)
    return board, board.boot(Lamp)


def test_a_flash_begins_lit_and_keeps_its_rate(messages):
    board, found = lamp(messages)
    board.run(100)
    found.flasher.join(found.show)
    board.run(2000)
    assert board.pulses("lamp") == [(100, 330), (760, 330), (1420, 330)]


def test_it_begins_where_the_sender_is(messages):
    board, found = lamp(messages)
    board.run(100)
    found.flasher.heard(400 * MS)
    found.flasher.join(found.show)
    board.run(700)
    assert board.pulses("lamp") == [(360, 330)]


def test_lamps_that_join_later_take_the_running_step(messages):
    board, found = lamp(messages)
    found.flasher.join(found.show)
    board.run(400)
    other = []
    found.flasher.join(other.append)
    board.run(300)
    assert other == [False, True]


def test_the_last_one_to_leave_stops_the_clock(messages):
    board, found = lamp(messages)
    found.flasher.join(found.show)
    board.run(100)
    found.flasher.leave(found.show)
    board.run(1000)
    assert board.edges == [(0, "lamp", 1.0)]
    found.show(lit=False)
    found.flasher.join(found.show)
    board.run(400)
    assert board.pulses("lamp")[1] == (1100, 330)


@given(late_ms=st.integers(0, 659))
def test_it_gets_into_step_within_the_limits_of_a_flash(messages, late_ms):
    board, found = lamp(messages)
    found.flasher.join(found.show)
    for _ in range(60):
        found.flasher.heard((board.queue.now_ns + late_ms * MS) % (660 * MS))
        board.run(50)
    pulses = board.pulses("lamp")
    cycles = [after - before for (before, _), (after, _) in pairwise(pulses)]
    assert all(500 <= cycle <= 1000 for cycle in cycles)
    assert all(0.3 <= 330 / cycle <= 0.75 for cycle in cycles)
    away = (pulses[-1][0] + late_ms) % 660
    assert min(away, 660 - away) <= 30
    in_step = [min((at + late_ms) % 660, 660 - (at + late_ms) % 660) <= 30 for at, _ in pulses]
    assert in_step.index(True) <= 2


def test_without_the_sender_it_goes_on_by_itself(messages):
    board, found = lamp(messages)
    found.flasher.heard(0)
    found.flasher.join(found.show)
    board.run(1000)
    found.flasher.heard(None)
    board.run(3000)
    assert [at for at, _ in board.pulses("lamp")] == [0, 660, 1320, 1980, 2640, 3300]


def test_a_lit_part_must_leave_a_dark_one():
    with pytest.raises(SettingsError, match="expected less than 'cycle_ms'"):
        FlashSettings(cycle_ms=500, lit_ms=500)
