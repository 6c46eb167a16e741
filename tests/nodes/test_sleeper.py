"""A node that sleeps: once its inputs have asked for nothing for a while, and all is sent."""

from __future__ import annotations

import pytest
from fake_board import FakeBoard, Speaker

from linkloss_nodes import SettingsError
from linkloss_nodes.gauge import GaugeNode
from linkloss_nodes.power import PowerNode

WHEN = "key == off and brake == released"


class Asleep(BaseException):
    """The board was put to sleep."""


class SleepyBoard(FakeBoard):
    """A board that notes its sleep: what wakes it, and what was lit."""

    naps: list[tuple[float, tuple[str, ...]]]

    def sleep(self, inputs=None, frames=False) -> None:
        assert frames is False
        self.naps.append((self.queue.now_ns / 1e6, tuple(inputs)))
        self.program = None  # its timers die with it
        raise Asleep

    def run(self, ms: float) -> None:
        try:
            super().run(ms)
        except Asleep:
            super().run(0)


@pytest.fixture
def make(messages):
    def build(after_ms=1000, sleep=WHEN, **inputs):
        settings = {
            "status": "FrontStatus",
            "outputs": {"lamp": {"request": "LampRequest.Position", "stale_after_ms": 250}},
            "sleep": sleep and {"when": sleep, "after_ms": after_ms},
        }
        known = {"key": "off", "brake": "released", **inputs}
        board = SleepyBoard("front", settings, messages, inputs=known)
        board.naps = []
        board.boot(PowerNode)
        return board

    return build


def test_it_sleeps_once_its_condition_has_held_for_long_enough(make):
    board = make()
    board.run(999)
    assert board.naps == []
    board.run(2)
    assert board.naps == [(1000, ("key", "brake"))]


def test_an_input_that_moves_begins_the_time_anew(make):
    board = make(key="on")
    board.run(3000)
    board.set(key="off")
    board.run(600)
    board.set(brake="pressed")
    board.set(brake="released")
    board.run(900)
    assert board.naps == []
    board.run(200)
    assert [at_ms for at_ms, _ in board.naps] == [4600]


def test_what_is_lit_is_put_out_before(make):
    board = make()
    Speaker(board, "LampRequest").say(Position=1)
    assert board.level["lamp"] == 1
    Speaker(board, "LampRequest").say(Position=1)
    board.run(1100)
    assert board.naps
    assert board.level["lamp"] == 0


def test_it_does_not_sleep_on_what_it_has_just_handed_over(make):
    """A heartbeat goes out at 1000 ms: sleep is due at 1003 ms, and waits until 1010 ms."""
    board = make(after_ms=1003)
    board.run(1009)
    assert board.naps == []
    assert len(board.bus.sent) == 11
    board.run(2)
    assert [at_ms for at_ms, _ in board.naps] == [1010]


@pytest.mark.parametrize("state", ["off", "full"])
def test_a_bus_that_takes_nothing_keeps_it_no_longer_awake(make, state):
    board = make()
    setattr(board.bus, state, True)
    board.run(1200)
    assert len(board.naps) == 1


def test_without_the_setting_it_never_sleeps(make):
    board = make(sleep=None)
    board.run(60_000)
    assert board.naps == []


@pytest.mark.parametrize("node", [PowerNode, GaugeNode])
@pytest.mark.parametrize(
    ("sleep", "key", "expected"),
    [
        ({"when": "key is off"}, "sleep.when", "key is off"),
        ({"wenn": "key == off"}, "sleep.wenn", "did you mean 'when'"),
        ({"when": "key == off", "after_ms": -1}, "sleep.after_ms", "at least 0"),
    ],
)
def test_a_mistake_in_the_setting_is_told(node, sleep, key, expected):
    outputs = {"outputs": {}} if node is PowerNode else {}
    with pytest.raises(SettingsError, match=expected) as told:
        node.check_settings({"status": "GaugeStatus", "sleep": sleep, **outputs})
    assert told.value.key == key
