"""Sending: periods, changes, full mailboxes, bus-off."""

from __future__ import annotations

from itertools import pairwise

import pytest
from fake_board import FakeBoard

from linkloss_nodes.protect import Protection
from linkloss_nodes.transmit import Sender


class Talker:
    """A node that does nothing but send."""

    def __init__(self, board: FakeBoard) -> None:
        self.times: list[float] = []
        self.sender = Sender(board)
        self.lamps = self.sender.message("LampRequest")
        board.bus.to.append(lambda message: self.times.append(board.queue.now_ns / 1e6))

    def start(self) -> None:
        self.sender.start()


@pytest.fixture
def board(messages):
    return FakeBoard("dash", {}, messages)


def test_a_message_is_sent_at_once_and_every_period(board):
    talker = board.boot(Talker)
    board.run(160)
    assert talker.times == [0, 50, 100, 150]


def test_a_change_is_sent_at_once_and_the_period_counts_from_it(board):
    talker = board.boot(Talker)
    board.run(70)
    talker.lamps.set("Position", 1)
    board.run(60)
    assert talker.times == [0, 50, 70, 120]


def test_changes_keep_the_least_gap(board):
    talker = board.boot(Talker)
    board.run(51)
    talker.lamps.set("Position", 1)
    board.run(5)
    talker.lamps.set("DippedBeam", 1)
    board.run(40)
    assert talker.times == [0, 50, 60]
    assert board.bus.sent[-1].data[1] & 0x10


def test_a_change_that_is_taken_back_before_it_is_sent_brings_no_message(board):
    talker = board.boot(Talker)
    board.run(51)
    talker.lamps.set("Position", 1)
    board.run(5)
    talker.lamps.set("Position", 0)
    board.run(60)
    assert talker.times == [0, 50, 100]
    talker.lamps.set("Position", 1)
    talker.lamps.set("DippedBeam", 1)
    talker.lamps.set("Position", 0)
    board.run(5)
    assert talker.times == [0, 50, 100, 116]


def test_what_does_not_change_is_not_sent_again(board):
    talker = board.boot(Talker)
    board.run(20)
    talker.lamps.set("Position", 0)
    board.run(20)
    assert talker.times == [0]


def test_a_change_that_is_not_urgent_waits_for_the_period(board):
    talker = board.boot(Talker)
    board.run(20)
    talker.lamps.set("FlashTime", 100, urgent=False)
    board.run(40)
    assert talker.times == [0, 50]
    assert board.bus.sent[-1].data[3] == 20


def test_each_message_counts_on_and_is_sealed(board):
    board.boot(Talker)
    board.run(1000)
    protection = Protection(board.messages.get_message_by_name("LampRequest"))
    counts = [message.data[1] & 0x0F for message in board.bus.sent]
    assert counts == [index % 16 for index in range(21)]
    assert all(protection.intact(bytes(message.data)) for message in board.bus.sent)


def test_a_full_controller_is_tried_again_with_the_newest_state(board):
    talker = board.boot(Talker)
    board.run(49)
    board.bus.full = True
    board.run(4)
    talker.lamps.set("Position", 1)
    board.bus.full = False
    board.run(10)
    assert talker.times == [0, 53]
    assert board.bus.flushed == 0
    assert board.bus.sent[-1].data[1] & 0x10


def test_old_messages_are_withdrawn_from_a_controller_that_stays_full(board):
    talker = board.boot(Talker)
    board.run(49)
    board.bus.full = True
    board.run(30)
    assert board.bus.flushed == 1
    assert talker.times == [0, 60]


def test_bus_off_is_left_after_a_pause_that_grows(board):
    talker = board.boot(Talker)
    board.run(20)
    board.bus.off = True
    board.run(1000)
    waits = [after - before for before, after in pairwise(board.recoveries)]
    assert len(board.recoveries) >= 6
    assert all(25 <= wait <= 40 for wait in waits[:3])
    assert all(200 <= wait <= 215 for wait in waits[3:])
    board.bus.off = False
    board.run(20)
    assert talker.times[-1] > 1000
    assert talker.sender.came_back


def test_after_a_calm_second_the_pause_is_short_again(board):
    board.boot(Talker)
    board.bus.off = True
    board.run(1000)
    board.bus.off = False
    board.run(1500)
    board.bus.off = True
    board.recoveries.clear()
    board.run(100)
    assert len(board.recoveries) >= 2
