"""The picture of an instant, and how a run is played."""

from __future__ import annotations

from io import StringIO

import pytest
from report_values import MS, run_result
from rich.console import Console

from linkloss import load_scenario, run
from linkloss.report.picture import Pictures, play
from linkloss.report.screen import make_console
from linkloss.shipped import demo_vehicle


@pytest.fixture(scope="module")
def pulled():
    return run(load_scenario(demo_vehicle().parent / "tail_cable_pulled.toml"))


def drawn(result, at_ns: int, width: int = 80, height: int = 40) -> str:
    out = StringIO()
    make_console(out, width).print(Pictures(result, width, height).at(at_ns))
    return out.getvalue()


def test_a_picture_shows_what_is_true_at_its_instant(pulled):
    shown = drawn(pulled, 2_500 * MS)
    assert "2.5000 s of 5.5 s" in shown
    assert "fault   the cable between gauge and rear was cut" in shown
    assert "brake_pedal pressed" in shown
    assert "[X] brake_lamps" in shown
    assert "[X] link_lamp" in shown
    assert "[ ] horn" in shown
    assert "rear: running, error-passive" in shown
    assert "1.9612 s  notice rear_lost: given" in shown
    assert "no acknowledgement" in shown


def test_a_moment_later_the_picture_is_another_one(pulled):
    shown = drawn(pulled, 3_000 * MS)
    assert "brake_pedal released" in shown
    assert "[ ] brake_lamps" in shown
    assert "no fault" in drawn(pulled, 3_600 * MS)


def test_nothing_of_the_future_is_shown(pulled):
    shown = drawn(pulled, 1_499 * MS, height=200)
    assert "was cut" not in shown
    instants = [float(line.split(" s  ")[0]) for line in shown.splitlines() if " s  " in line]
    assert len(instants) > 50
    assert max(instants) <= 1.499


@pytest.mark.parametrize(("width", "height"), [(80, 24), (80, 40), (160, 50), (30, 10)])
def test_a_picture_keeps_within_its_screen(pulled, width, height):
    lines = drawn(pulled, 2_500 * MS, width, height).splitlines()
    assert max(map(len, lines)) <= width
    if height >= 24:
        assert len(lines) <= height


def test_the_first_picture_is_that_of_power_up(pulled):
    assert "rear: reset, error-active" in drawn(pulled, 0)


class Watch:
    """Real time that passes only while somebody waits, and a little with every look."""

    def __init__(self, *, patience: int = 10**9) -> None:
        self.now = 100.0
        self.waits: list[float] = []
        self.patience = patience

    def now_s(self) -> float:
        self.now += 0.001
        return self.now

    def wait_s(self, seconds: float) -> None:
        self.waits.append(seconds)
        self.now += seconds
        if len(self.waits) >= self.patience:
            raise KeyboardInterrupt


@pytest.mark.parametrize(("speed", "takes_s"), [(1.0, 2.0), (4.0, 0.5), (0.5, 4.0)])
def test_a_run_is_played_at_the_speed_that_was_asked_for(speed, takes_s):
    result, watch = run_result(), Watch()
    result.recording.end_ns = 2_000 * MS
    console = make_console(StringIO(), 80)
    assert play(console, result, speed, now_s=watch.now_s, wait_s=watch.wait_s)
    assert watch.now - 100.0 == pytest.approx(takes_s, abs=0.1)
    assert max(watch.waits) <= 0.051


def test_whoever_watches_may_stop(pulled):
    watch = Watch(patience=3)
    assert not play(make_console(StringIO()), pulled, 1.0, now_s=watch.now_s, wait_s=watch.wait_s)
    assert len(watch.waits) == 3


def test_the_terminal_shows_the_last_picture(pulled):
    out, watch = StringIO(), Watch()
    console = Console(file=out, width=80, height=24, force_terminal=True, color_system=None)
    play(console, pulled, 100.0, now_s=watch.now_s, wait_s=watch.wait_s)
    assert "5.5000 s of 5.5 s" in out.getvalue()
