"""How long it takes from saving a file to the first broken rule on the screen of ``linkloss check
--watch``: the demo car with a rear node in C, as a sketch, in Python and as a script.

    python tests/perf/save_to_broken.py

For each program one mistake after the other is saved, each after the right program ("first"), then
the file with the mistake in it once more ("again": what broke last runs first). It takes minutes,
and wants both cores of a machine for itself.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from statistics import median
from typing import NamedTuple

sys.path.append(str(Path(__file__).parents[1] / "causes"))
import rooms  # noqa: F401 - makes the others importable
from c_cars import REAR_C, rear_in_c
from rear_cars import ROOT, WREN
from script_cars import REAR_SCRIPT, REAR_SKETCH, script_car, sketch_car
from variants import Variant
from wrong_scripts import WRONG as SCRIPTS
from wrong_sketches import WRONG as SKETCHES
from wrong_variants import WRONG as IN_C

from linkloss.clock.wallclock import monotonic_seconds

PYTHON = "from linkloss_nodes.power import PowerNode\n\n\nclass Rear(PowerNode):\n"
IN_PYTHON = {
    "watchdog never started": "    def start_watchdog(self):\n        pass\n",
    "own switches not read": "    def on_input(self, name, value):\n        pass\n",
    "tail lamp dark at boot": "    def start(self):\n        super().start()\n"
    '        self.board.write("tail_left", 0.0)\n',
}
MISTAKES = {"unplug", "bus_off", "alter"}
"""Kinds of faults: of each program in C, sketch and script one mistake that shows under each."""


class Car(NamedTuple):
    """A car whose program is in one file; ``right`` is its text, ``wrong`` others by name."""

    kind: str
    source: Path
    right: str
    wrong: dict[str, str]


def cars(folder: Path) -> Iterator[Car]:
    """A car of each kind, each in a folder of its own."""
    made = [(folder / name) for name in ("c", "sketch", "python", "script")]
    for each in made:
        each.mkdir()
    source = made[0] / "rear.c"
    source.write_text(REAR_C.read_text(encoding="utf-8"), encoding="utf-8")
    (made[0] / "vehicle.toml").write_text(rear_in_c(source), encoding="utf-8")
    yield _of_variants("C", source, IN_C)
    source = made[1] / "rear.ino"
    source.write_text(REAR_SKETCH.read_text(encoding="utf-8"), encoding="utf-8")
    sketch_car(made[1], source)
    yield _of_variants("sketch", source, SKETCHES)
    source = made[2] / "rear.py"
    right = f"{PYTHON}    pass\n"
    source.write_text(right, encoding="utf-8")
    before, after = WREN.read_text(encoding="utf-8").split("[nodes.rear]", 1)
    after = after.replace("linkloss_nodes.power:PowerNode", "rear.py:Rear", 1)
    text = f"{before}[nodes.rear]{after}".replace("../../dbc", (ROOT / "dbc").as_posix())
    (made[2] / "vehicle.toml").write_text(text, encoding="utf-8")
    yield Car("Python", source, right, {name: PYTHON + text for name, text in IN_PYTHON.items()})
    source = made[3] / "rear.py"
    source.write_text(REAR_SCRIPT.read_text(encoding="utf-8"), encoding="utf-8")
    script_car(made[3], source)
    yield _of_variants("script", source, SCRIPTS)


def _of_variants(kind: str, source: Path, variants: Sequence[Variant]) -> Car:
    right = source.read_text(encoding="utf-8")
    wrong: dict[str, str] = {}
    for fault in sorted(MISTAKES):
        fitting = [v for v in variants if v.kind == fault and not v.tables and not v.more]
        for variant in fitting[:1]:
            text = right
            for old, new in variant.changes:
                text = text.replace(old, new)
            wrong[variant.name] = text
    return Car(kind, source, right, wrong)


class Watching:
    """A running ``linkloss check --watch``."""

    def __init__(self, vehicle: Path, cache: Path) -> None:
        environment = {**os.environ, "XDG_CACHE_HOME": str(cache), "PYTHONUNBUFFERED": "1"}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "linkloss.cli", "check", str(vehicle), "--watch"],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=environment,
            cwd=vehicle.parent,
        )

    def until(self, word: str) -> str:
        """The next line with a word; raises RuntimeError if there is none."""
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if word in line:
                return line.strip()
        raise RuntimeError(f"the watcher ended before it said '{word}'")

    def end(self) -> None:
        """End it as Ctrl-C does."""
        self._process.send_signal(2)
        self._process.communicate()


def save(path: Path, text: str) -> float:
    """Save a file as editors do, beside the old one and then in its place; when that was."""
    beside = path.with_name(f".{path.name}.new")
    beside.write_text(text, encoding="utf-8")
    beside.replace(path)
    return monotonic_seconds()


def broken_after(watching: Watching, path: Path, text: str) -> tuple[float, str]:
    """How many seconds after a save a broken rule is shown, and what is shown."""
    saved = save(path, text)
    watching.until(" changed")
    shown = watching.until("broken: ")
    return monotonic_seconds() - saved, shown


def measured(car: Car, cache: Path) -> Iterator[tuple[str, float, float, str]]:
    """(mistake, first, again, what was shown) of a car, in seconds."""
    watching = Watching(car.source.with_name("vehicle.toml"), cache)
    try:
        watching.until("linkloss: checking: ")  # the plan is made
        for name, text in car.wrong.items():
            first, shown = broken_after(watching, car.source, text)
            again, _ = broken_after(watching, car.source, text + "\n")
            save(car.source, car.right)
            watching.until(" changed")
            watching.until("linkloss: checking: ")  # what broke last holds again
            yield name, first, again, shown
    finally:
        watching.end()


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        for car in cars(folder):
            found = []
            for name, first, again, shown in measured(car, folder / f"cache_{car.kind}"):
                found.append((first, again))
                print(f"{car.kind:7} {name:28} first {first:5.2f} s  again {again:5.2f} s", end="")
                print(f"  {shown[:90]}", flush=True)
            first, again = (median(times) for times in zip(*found, strict=True))
            print(f"{car.kind:7} {'median':28} first {first:5.2f} s  again {again:5.2f} s")


if __name__ == "__main__":
    main()
