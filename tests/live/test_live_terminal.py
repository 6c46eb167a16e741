"""A live session on a terminal: what keys ask for, what is shown, and all of it on a real one."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
from io import StringIO
from pathlib import Path

import pytest
from live_lab import WREN, act, apply, fault, nothing, play
from rich.console import Console

from linkloss.live.console import Menu, Terminal, names
from linkloss.live.driven import LiveSession
from linkloss.live.service import Apply, Clear, Plain, Running, Save, Set, Speed, Step
from linkloss.live.view import View, offers

ROOT = Path(__file__).parents[2]
OFFERS = offers(WREN)
NUMBER = {offer.fault: offer.number for offer in OFFERS}
CUT = fault("cut", between=["gauge", "rear"])


@pytest.fixture(scope="module")
def state():
    story = [
        (100, act(ignition="on", lights="position", engine_speed=800)),
        (800, apply("cut", between=["gauge", "rear"])),
        (1700, nothing),
    ]
    live, _ = play(story)
    return View(live, OFFERS).state()


def choose(menu, state, text):
    """Move down to the row that begins with a text."""
    for _ in menu.rows(state):
        if menu.rows(state)[menu.at].text.startswith(text):
            return menu.rows(state)[menu.at]
        assert menu.press("down", state) is None
    raise AssertionError(f"no row {text}")


def test_keys_have_names():
    assert names("\x1b[A\x1bOBq\r\x1b[5~\x1b é\x00") == [
        "up", "down", "q", "enter", "page up", "escape", "enter", "é",
    ]  # fmt: skip


def test_arrows_turn_a_switch_to_the_next_position_and_stop_at_its_end(state):
    menu = Menu(WREN, OFFERS)
    assert choose(menu, state, "lights").text == "lights  < position >"
    assert menu.press("right", state) == Set(do="set", input="lights", value="dipped")
    assert menu.press("left", state) == Set(do="set", input="lights", value="off")
    menu = Menu(WREN, OFFERS)
    choose(menu, state, "ignition")
    assert menu.press("right", state) == Set(do="set", input="ignition", value="on")
    assert menu.press("enter", state) == Set(do="set", input="ignition", value="off")


def test_arrows_turn_a_sensor_by_a_twentieth_of_its_range(state):
    menu = Menu(WREN, OFFERS)
    assert choose(menu, state, "engine_speed").text == "engine_speed  < 800 rpm >"
    assert menu.press("right", state) == Set(do="set", input="engine_speed", value=1200.0)
    choose(menu, state, "coolant")
    assert menu.press("left", state) == Set(do="set", input="coolant_temperature", value=-40.0)


def test_enter_clears_resets_and_applies(state):
    menu = Menu(WREN, OFFERS)
    choose(menu, state, CUT.describe())
    assert menu.press("enter", state) == Clear(do="clear", fault=NUMBER[CUT])
    choose(menu, state, "rear: running, error-passive")
    reset = NUMBER[fault("reset", node="rear")]
    assert menu.press("enter", state) == Apply(do="apply", fault=reset)
    choose(menu, state, "unplug")
    assert menu.press("left", state) is None
    unplug = NUMBER[fault("unplug", node="rear")]
    assert menu.press("enter", state) == Apply(do="apply", fault=unplug)


def test_the_arrows_choose_among_faults_of_one_kind_and_show_one_that_is_there(state):
    menu = Menu(WREN, OFFERS)
    choose(menu, state, "cut  <")
    for _ in range(3):
        menu.press("right", state)
    row = menu.rows(state)[menu.at]
    assert "4 of 4, is there" in row.text
    assert menu.press("enter", state) == Clear(do="clear", fault=NUMBER[CUT])


@pytest.mark.parametrize(
    ("key", "wish"),
    [
        ("p", Plain(do="pause")),
        ("f", Step(do="step", to="frame")),
        ("+", Speed(do="speed", value=2.0)),
        ("-", Speed(do="speed", value=0.5)),
        ("x", Plain(do="clear_all")),
        ("n", Plain(do="anew")),
        ("s", Save(do="save", name="live")),
        ("?", None),
        ("page up", None),
    ],
)
def test_single_keys_ask_for_what_the_help_says(state, key, wish):
    assert Menu(WREN, OFFERS).press(key, state) == wish


@pytest.mark.parametrize(("width", "height"), [(80, 24), (132, 43), (40, 15)])
def test_a_picture_fits_its_screen_and_says_what_matters(state, width, height, tmp_path):
    running = Running(WREN, lambda: LiveSession(WREN), tmp_path)
    terminal = Terminal(running)
    choose(terminal._menu, state, "lights")
    console = Console(width=width, record=True, file=StringIO(), highlight=False)
    console.print(terminal.picture(state, width, height))
    lines = console.export_text().splitlines()
    assert max(map(len, lines)) <= width
    if height >= 24:
        assert len(lines) <= height
        text = "\n".join(lines)
        assert "notices: rear_lost" in text
        assert "[X] tail_left" in text
        assert "lights  < position >" in text
        assert "A bench result is not an approval" in text
        assert "chocked" in text


class Screen:
    """``linkloss live --terminal`` on a terminal of its own."""

    def __init__(self, folder) -> None:
        self.end, other = pty.openpty()
        fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
        command = [
            sys.executable,
            "-m",
            "linkloss.cli",
            "live",
            "--terminal",
            "--folder",
            str(folder),
        ]
        self.process = subprocess.Popen(
            command, cwd=ROOT, stdin=other, stdout=other, stderr=other, close_fds=True,
            env={**os.environ, "TERM": "xterm"},
        )  # fmt: skip
        os.close(other)
        self.shown = ""

    def press(self, keys):
        os.write(self.end, keys.encode())

    def until(self, text):
        """Read on until a text is shown; what came before is forgotten."""
        while text not in self.shown:
            ready, _, _ = select.select([self.end], [], [], 10)
            assert ready, f"never shown: {text}"
            piece = os.read(self.end, 65536).decode(errors="replace")
            self.shown += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", piece)
        self.shown = self.shown[self.shown.index(text) + len(text) :]

    def close(self):
        self.press("q")
        with contextlib.suppress(OSError):
            while os.read(self.end, 65536):
                pass
        os.close(self.end)
        return self.process.wait(timeout=10)


def test_on_a_real_terminal(tmp_path):
    screen = Screen(tmp_path)
    screen.until("ignition  < off >")
    screen.press("\x1b[B" * 3)
    screen.until("> lights  < off >")
    screen.press("\x1b[C")
    screen.until("[X] tail_left")
    screen.press("s")
    screen.until("Saved as live.toml")
    assert screen.close() == 0
    assert 'lights = "position"' in (tmp_path / "live.toml").read_text(encoding="utf-8")
