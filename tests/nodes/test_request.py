"""One request: hysteresis, delays, touches, primes, interlocks, and resets in between."""

from __future__ import annotations

import pytest
from fake_board import FakeBoard

from linkloss_nodes import MS, SettingsError
from linkloss_nodes.request import Request, RequestSettings, read_requests


@pytest.fixture
def board(messages):
    return FakeBoard("dash", {}, messages)


class Bench:
    """Asks a request every millisecond, as a very diligent node would."""

    def __init__(self, board, **settings):
        self.board = board
        self.settings = read_requests({"A.B": settings})["A.B"]
        self.values = {}
        self.reset()

    def reset(self):
        self.request = Request(self.board, "A.B", self.settings)

    def at(self, ms, **values):
        """The value at an instant, after inputs have changed there."""
        while self.board.queue.now_ns < ms * MS:
            self.board.run(1)
            if self.values and self.board.queue.now_ns < ms * MS:
                self.request.evaluate(self.values)
        self.values.update(values)
        return self.request.evaluate(self.values)


def test_it_follows_its_condition(board):
    lights = Bench(board, when="lights == on")
    assert not lights.at(0, lights="off")
    assert lights.at(10, lights="on")
    assert not lights.at(20, lights="off")


def test_hysteresis_keeps_it_until_the_other_limit(board):
    fan = Bench(board, when="t > 95", until="t < 90")
    assert [fan.at(ms, t=t) for ms, t in enumerate((94, 96, 92, 90, 89, 92))] == [
        False, True, True, True, False, False,
    ]  # fmt: skip


def test_an_off_delay_keeps_it_on_for_so_long(board):
    lamp = Bench(board, when="door == open", off_delay_ms=500)
    lamp.at(0, door="shut")
    assert not lamp.at(5)
    assert lamp.at(10, door="open")
    assert lamp.at(1000, door="shut")
    assert lamp.at(1499)
    assert not lamp.at(1500)


def test_no_delay_lasts_longer_than_its_interlock(board):
    lamp = Bench(board, when="door == open", off_delay_ms=500, only_while="key == in")
    lamp.at(0, door="open", key="in")
    lamp.at(100, door="shut")
    assert lamp.at(200)
    assert not lamp.at(300, key="out")


TOUCH = {"when": "stalk == left", "one_touch": {"shorter_than_ms": 500, "lasts_ms": 1800}}


def test_a_touch_lasts_from_the_press(board):
    left = Bench(board, **TOUCH)
    left.at(0, stalk="off")
    left.at(100, stalk="left")
    assert left.at(350, stalk="off")
    assert left.at(1899)
    assert not left.at(1900)


def test_a_longer_press_ends_with_its_release(board):
    left = Bench(board, **TOUCH)
    left.at(0, stalk="off")
    left.at(100, stalk="left")
    assert left.at(599)
    assert not left.at(600, stalk="off")


def test_a_press_after_a_touch_goes_on_as_long_as_it_is_held(board):
    left = Bench(board, **TOUCH)
    left.at(0, stalk="left")
    left.at(100, stalk="off")
    left.at(300, stalk="left")
    assert left.at(3000)
    assert not left.at(3001, stalk="off")


PRIME = {
    "when": "rpm > 100",
    "only_while": "key == on",
    "prime": {"when": "key == on", "lasts_ms": 2000},
}


def test_a_prime_runs_once_for_each_time_the_key_comes_on(board):
    pump = Bench(board, **PRIME)
    assert not pump.at(0, rpm=0, key="off")
    assert pump.at(100, key="on")
    assert pump.at(2099)
    assert not pump.at(2100)
    assert not pump.at(5000)
    pump.at(5100, key="off")
    assert pump.at(5200, key="on")


def test_a_reset_neither_repeats_nor_forgets_a_prime(board):
    pump = Bench(board, **PRIME)
    pump.at(0, rpm=0, key="off")
    pump.at(100, key="on")
    pump.at(600)
    pump.reset()
    assert pump.at(700)
    assert not pump.at(2100)
    pump.reset()
    assert not pump.at(2200)


def test_a_reset_does_not_forget_a_delay_a_touch_or_a_hysteresis(board):
    left = Bench(board, **TOUCH)
    left.at(0, stalk="off")
    left.at(100, stalk="left")
    left.at(200, stalk="off")
    left.reset()
    assert left.at(1899)
    assert not left.at(1900)
    fan = Bench(board, when="t > 95", until="t < 90")
    fan.at(2000, t=97)
    fan.at(2001, t=93)
    fan.reset()
    assert fan.at(2002)


def test_what_ended_during_a_reset_has_no_aftermath(board):
    lamp = Bench(board, when="door == open", off_delay_ms=500)
    lamp.at(0, door="shut")
    lamp.at(10, door="open")
    lamp.reset()
    lamp.values["door"] = "shut"
    assert not lamp.at(100)
    assert lamp.at(200, door="open")
    assert lamp.at(300, door="shut")


def test_a_delay_noted_by_a_clock_that_began_anew_is_forgotten(board):
    board.memory["A.B until_ns"] = 10**15
    lamp = Bench(board, when="door == open", off_delay_ms=500)
    assert not lamp.at(0, door="shut")


def test_what_is_not_known_asks_for_nothing(board):
    starter = Bench(board, when="button == down", only_while="E.Running == 0")
    assert starter.at(0, button="down", **{"E.Running": 0.0})
    assert not starter.at(1, **{"E.Running": None})
    assert not starter.at(2, **{"E.Running": 1.0})


def test_once_per_press_waits_for_the_release(board):
    starter = Bench(board, when="button == down", only_while="E.Running == 0", once_per_press=True)
    assert starter.at(0, button="down", **{"E.Running": 0.0})
    assert not starter.at(1, **{"E.Running": 1.0})
    assert not starter.at(2, **{"E.Running": 0.0})
    assert not starter.at(3, button="up")
    assert starter.at(4, button="down")


def test_once_per_press_also_counts_a_lost_signal(board):
    starter = Bench(board, when="button == down", only_while="E.Running == 0", once_per_press=True)
    assert starter.at(0, button="down", **{"E.Running": 0.0})
    assert not starter.at(1, **{"E.Running": None})
    assert not starter.at(2, **{"E.Running": 0.0})


def test_a_mistake_in_a_nested_setting_names_its_place():
    with pytest.raises(SettingsError, match="did you mean 'lasts_ms'") as found:
        read_requests(
            {"A.B": {"when": "a == b", "one_touch": {"shorter_than_ms": 5, "last_ms": 9}}}
        )
    assert found.value.key == "requests.A.B.one_touch.last_ms"


def test_times_are_not_negative():
    with pytest.raises(SettingsError, match="expected 0 or more"):
        RequestSettings(when="a == b", off_delay_ms=-1)
