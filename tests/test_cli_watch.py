"""``linkloss check --watch``: the check runs again when a file of the car is saved."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from linkloss.campaign.depth import adopt, planned
from linkloss.campaign.turns import LONG_NS, turns
from linkloss.cli import main
from linkloss.vehicle.loading import load_vehicle
from linkloss.vehicle.programs import files_behind, named_files, own_files

TINY = Path(__file__).parent / "report" / "tiny"
LIT, DARK = "message.data[0] & 1", "message.data[0] & 4"
"""How the rear takes the request of the tail lamp, and how it misses it."""
WAITING = "linkloss: waiting for the next save"


MAIN = """
import signal, sys
from linkloss.cli import main

signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background job ignores it
sys.exit(main())
"""


class Watching:
    """A running watcher, and what it shows."""

    def __init__(self, folder, *words):
        self.folder = folder
        self.process = subprocess.Popen(
            [sys.executable, "-c", MAIN, "check", "vehicle.toml", "--watch", *words],
            cwd=folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1", "COLUMNS": "200"},
        )

    def until(self, word):
        """All that it shows up to a line with this word."""
        seen = []
        for line in self.process.stdout:
            seen.append(line)
            if word in line:
                return "".join(seen)
        raise AssertionError(f"ended before it said '{word}': {''.join(seen)}")

    def save(self, name, text):
        """As many editors do: a file beside it takes its place."""
        beside = self.folder / f".{name}.swp"
        beside.write_text(text)
        beside.replace(self.folder / name)

    def interrupt(self):
        """As Ctrl-C; what it still shows."""
        self.process.send_signal(signal.SIGINT)
        return self.process.communicate(timeout=60)[0]


@pytest.fixture
def car(tmp_path, monkeypatch):
    folder = tmp_path / "car"
    shutil.copytree(TINY, folder, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return folder


@pytest.fixture
def watching(car):
    """The tiny car, watched in a few cases."""
    if find_spec("watchfiles") is None:
        pytest.skip("needs watchfiles (extra 'watch')")
    watcher = Watching(car, "--only", "none", "slow_boot", "--jobs", "2")
    yield watcher
    if watcher.process.poll() is None:
        watcher.interrupt()


def test_each_save_is_checked_and_nothing_but_ctrl_c_ends_the_watcher(car, watching):
    """One life of a watcher: it takes two seconds to begin."""
    nodes, vehicle = (car / name for name in ("tiny_nodes.py", "vehicle.toml"))
    right, table = nodes.read_text(), vehicle.read_text()
    assert LIT in right
    assert "broken" not in watching.until(WAITING).replace("0 broken", "").replace("was broken", "")

    watching.save("tiny_nodes.py", right.replace(LIT, DARK))
    shown = watching.until("broken: ")
    assert "tiny_nodes.py changed" in shown
    assert "broken: tail_lamp was dark instead of on" in shown
    shown = watching.until(WAITING)
    assert "Why: " in shown
    assert "--case" in shown

    watching.save("tiny_nodes.py", right.replace("class Rear", "clas Rear"))
    shown = watching.until(WAITING)
    assert "tiny_nodes.py' failed at line" in shown
    assert "Traceback" not in shown
    watching.save("vehicle.toml", table.replace('on_stale = "off"', 'on_stale = "of"'))
    assert "got 'of'" in watching.until(WAITING)
    watching.save("tiny_nodes.py", right)  # the vehicle file is still wrong
    assert "got 'of'" in watching.until(WAITING)

    watching.save("vehicle.toml", table)
    watching.until("vehicle.toml changed")
    assert "No rule was broken" in watching.until(WAITING)

    hung = right.replace(
        "class Rear(Node):\n    def start(self):\n",
        "class Rear(Node):\n    def start(self):\n        while True:\n            pass\n",
    )
    watching.save("tiny_nodes.py", hung)
    watching.until("tiny_nodes.py changed")
    watching.save("tiny_nodes.py", right)  # ends the run that hangs
    watching.until("tiny_nodes.py changed")
    assert "No rule was broken" in watching.until(WAITING)

    assert "linkloss: no longer watching" in watching.interrupt()
    assert watching.process.returncode == 130
    assert sorted(path.name for path in car.iterdir()) == sorted(
        {path.name for path in TINY.iterdir()} - {"__pycache__"}
    )


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--json", "c.json"], "got '--json' beside it"),
        (["--last"], "got '--last' beside it"),
        (["--depth", "hunt"], "got '--depth hunt'"),
    ],
)
def test_what_does_not_go_with_watching_is_refused(car, capsys, more, told):
    assert main(["check", str(car / "vehicle.toml"), "--watch", *more]) == 2
    assert told in capsys.readouterr().err


def test_what_broke_last_runs_first_then_what_is_near_the_change():
    vehicle = load_vehicle(TINY / "vehicle.toml")
    cases = planned(vehicle, "quick").cases
    usual = turns(cases)
    assert sorted(usual) == list(range(len(cases)))
    assert not cases[usual[0]].faults
    long = [n for n in usual if cases[n].lasts_ns >= LONG_NS]
    assert long
    assert usual.index(long[0]) > len(usual) // 8

    again = [cases[usual[-1]].name, cases[usual[9]].name]
    first = turns(cases, again)
    assert [cases[n].name for n in first[:2]] == again
    assert [n for n in usual if cases[n].name not in again] == first[2:]

    near = turns(cases, near=["dash"])
    at_dash = [n for n in near if cases[n].faults and "dash" in cases[n].faults[0].fault.nodes()]
    others = [n for n in near if cases[n].kinds == "hang" and n not in at_dash]
    assert at_dash
    assert others
    assert max(map(near.index, at_dash)) < min(map(near.index, others))


def test_a_plan_goes_from_one_car_to_the_next():
    one, two = load_vehicle(TINY / "vehicle.toml"), load_vehicle(TINY / "vehicle.toml")
    found = planned(one, "quick", 5)
    adopt(two, "quick", 5, found)
    taken = planned(two, "quick", 5)
    assert [case.name for case in taken.cases] == [case.name for case in found.cases]
    assert {case.vehicle for case in taken.cases} == {two}
    assert taken.space == found.space


def test_a_node_in_python_is_behind_its_file_and_those_beside_it():
    vehicle = load_vehicle(TINY / "vehicle.toml")
    file = (TINY / "tiny_nodes.py").resolve()
    assert own_files(vehicle.programs["rear"]) == [file]
    assert file in files_behind(vehicle.programs["rear"])
    assert named_files(vehicle.nodes["rear"], vehicle.path.parent) == [file]
