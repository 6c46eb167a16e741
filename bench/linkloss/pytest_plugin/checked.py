"""The check of a vehicle for a test run: made once, also where several processes share the run.

The check is the command ``linkloss check`` in a process of its own. Only a process with a single
thread can fork its cases, and a test runner rarely has just one.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

import linkloss
from linkloss.campaign.order import Order
from linkloss.campaign.run import PROCESS, run
from linkloss.model.loading import load_vehicle
from linkloss.model.problem import BadInput, Problem
from linkloss.pytest_plugin.scenarios import from_here
from linkloss.report.run_story import story

Place = tuple[str, str]
_DONE = pytest.StashKey[dict[tuple[Path, str], "Checked"]]()
_FINISHED = (0, 1, 3)
"""Exit codes of a check that came to its end."""


@dataclass(frozen=True)
class Checked:
    """What a check found, by subject and rule."""

    path: Path
    document: Mapping[str, Any]

    @cached_property
    def broken(self) -> dict[Place, Mapping[str, Any]]:
        """The broken rules with what the check says of them."""
        return {(entry["subject"], entry["rule"]): entry for entry in self.document["findings"]}

    @cached_property
    def kept(self) -> set[Place]:
        """The rules that were put to the test and held."""
        return {
            (entry["subject"], entry["rule"])
            for entry in self.document["rules"]
            if entry["outcome"] == "kept"
        }

    def story(self, place: Place) -> str:
        """A broken rule: the sentence, the situation, and the case that shows it best, run once
        more for its timeline.
        """
        entry = self.broken[place]
        times = f"; shown by {entry['times']} cases" if entry["times"] > 1 else ""
        head = f"{entry['sentence']}\nsituation: {entry['situation']}{times}"
        again = f"Again: {entry['command']}"
        if place[0] == PROCESS:  # it crashed or hung its process: not in this one
            return f"{head}\n{again}"
        try:
            vehicle = load_vehicle(from_here(self.path))
            (scenario,) = Order(self.path, names=(entry["case"],)).cases(vehicle)
        except BadInput:  # the files have changed meanwhile
            return f"{head}\n{again}"
        return f"{head}\n\n{story(run(scenario), only=place)}\n\n{again}"


def checked(config: pytest.Config, path: Path, depth: str) -> Checked:
    """The check of a vehicle file. Raises BadInput where the check could not be made."""
    done = config.stash.setdefault(_DONE, {})
    if (path, depth) not in done:
        done[path, depth] = Checked(path, json.loads(_once(config, path, depth)))
    return done[path, depth]


def _once(config: pytest.Config, path: Path, depth: str) -> str:
    """The check as JSON: from this process, or from the one of the run that came first."""
    with tempfile.TemporaryDirectory(prefix="linkloss-") as own:
        shared = _shared_folder(config)
        name = sha256(f"{path}\n{depth}".encode()).hexdigest()[:16]
        (shared or Path(own)).mkdir(parents=True, exist_ok=True)
        target = (shared or Path(own)) / f"linkloss-{name}.json"
        with _alone(target.with_suffix(".lock")):
            if not target.is_file():
                _check(path, depth, target)
        return target.read_text(encoding="utf-8")


def _shared_folder(config: pytest.Config) -> Path | None:
    """Where the workers of one distributed run meet; None when this process is on its own.

    Such a worker is given a folder of its own inside that of the run, which pytest clears away.
    """
    own = config.option.basetemp
    return Path(own).parent if hasattr(config, "workerinput") and own else None


@contextmanager
def _alone(lock: Path) -> Iterator[None]:
    """One process at a time. Where files cannot be locked, each makes the check itself."""
    try:
        import fcntl  # noqa: PLC0415 - not on every system
    except ImportError:
        yield
        return
    with lock.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def _check(path: Path, depth: str, target: Path) -> None:
    home = str(Path(linkloss.__file__).parents[1])
    search = os.pathsep.join([home, *filter(None, [os.environ.get("PYTHONPATH")])])
    words = [
        "check",
        str(from_here(path)),
        "--depth",
        depth,
        "--json",
        str(target),
        "--no-shrink",
        "--quiet",
    ]
    ran = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, "-m", "linkloss.cli", *words],
        env={**os.environ, "PYTHONPATH": search},
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        check=False,
    )
    if ran.returncode not in _FINISHED or not target.is_file():
        text = ran.stderr.strip() or f"the check ended with exit code {ran.returncode}"
        raise BadInput([Problem(str(path), "", text)])
