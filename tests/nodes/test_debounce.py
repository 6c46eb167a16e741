"""Debouncing: an input counts when it has been the same for long enough, no sooner."""

from __future__ import annotations

import pytest
from fake_board import FakeBoard

from linkloss_nodes.debounce import Debouncer


class Panel:
    """A node that does nothing but debounce."""

    def __init__(self, board: FakeBoard, debounce_ms: float) -> None:
        self.board = board
        self.seen: list[tuple[float, str]] = []
        self.ready_at: float | None = None
        self.inputs = Debouncer(board, board.inputs, debounce_ms, self.changed, self.ready)

    def start(self) -> None:
        self.inputs.start()

    def on_input(self, name, value):
        self.inputs.on_input(name, value)

    def changed(self, name, value):
        self.seen.append((self.board.queue.now_ns / 1e6, value))

    def ready(self):
        self.ready_at = self.board.queue.now_ns / 1e6


@pytest.fixture
def board(messages):
    return FakeBoard("dash", {}, messages, inputs={"lights": "off"})


def panel(board, debounce_ms=20):
    return board.boot(lambda b: Panel(b, debounce_ms))


def test_a_change_counts_after_the_debounce_time(board):
    found = panel(board)
    board.run(100)
    board.set(lights="on")
    board.run(19.9)
    assert found.seen == []
    board.run(0.2)
    assert found.seen == [(120, "on")]


def test_bouncing_counts_from_the_last_edge(board):
    found = panel(board)
    board.run(100)
    for value in ("on", "off", "on"):
        board.set(lights=value)
        board.run(5)
    board.run(100)
    assert found.seen == [(130, "on")]


def test_a_short_spike_is_not_seen(board):
    found = panel(board)
    board.run(100)
    board.set(lights="on")
    board.run(10)
    board.set(lights="off")
    board.run(100)
    assert found.seen == []


def test_two_changes_both_count(board):
    found = panel(board)
    board.run(100)
    board.set(lights="on")
    board.run(50)
    board.set(lights="off")
    board.run(50)
    assert found.seen == [(120, "on"), (170, "off")]


def test_it_is_ready_when_the_inputs_have_settled(board):
    found = panel(board)
    board.run(10)
    board.set(lights="on")
    board.run(100)
    assert found.ready_at == 30
    assert found.inputs.values == {"lights": "on"}
    assert found.seen == []


def test_an_input_that_bounces_for_ever_does_not_keep_the_node_silent(board):
    found = panel(board)
    for _ in range(60):
        board.set(lights="on")
        board.run(5)
        board.set(lights="off")
        board.run(5)
    assert found.ready_at is not None
    assert 200 <= found.ready_at <= 240


def test_without_a_debounce_time_everything_counts_at_once(board):
    found = panel(board, 0)
    assert found.ready_at == 0
    board.run(7)
    board.set(lights="on")
    assert found.seen == [(7, "on")]
