"""One scenario and one seed give one recording: in any process, under any hash seed.

The whole way is walked: the command line in processes of their own, and the bytes of what they
write.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import can
import pytest

ROOT = Path(__file__).parents[2]
WREN = ROOT / "scenarios" / "wren" / "vehicle.toml"
CHANCE = """title = "Chance everywhere"
vehicle = "{vehicle}"
inputs = {{ ignition = "on", engine_speed = 900, oil_pressure = "present" }}
lasts = "3 s"
seed = {seed}

[[steps]]
at = "400 ms"
fault = "bounce"
input = "lights"

[[steps]]
at = "500 ms"
set = {{ lights = "dipped", indicator = "left" }}

[[steps]]
at = "700 ms"
fault = "drop"
message = "LampRequest"
receiver = "rear"
share = 0.5
lasts = "1 s"

[[steps]]
at = "900 ms"
fault = "corrupt"
message = "LampRequest"
share = 0.4
lasts = "1 s"

[[steps]]
at = "2200 ms"
set = {{ lights = "off" }}
"""


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    return Runs(tmp_path_factory.mktemp("runs"))


class Runs:
    """Runs of the command line, each in a process of its own; one of a kind is run once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._done: dict[tuple[int, str], Path] = {}

    def scenario(self, seed: int) -> Path:
        path = self.folder / f"chance_{seed}.toml"
        path.write_text(CHANCE.format(vehicle=WREN.as_posix(), seed=seed))
        return path

    def folder_of(self, seed: int, hash_seed: str) -> Path:
        """The folder with everything that one run wrote."""
        if (seed, hash_seed) not in self._done:
            folder = self.folder / f"{seed}_{hash_seed}"
            folder.mkdir()
            self._run(self.scenario(seed), folder, hash_seed)
            self._done[seed, hash_seed] = folder
        return self._done[seed, hash_seed]

    def _run(self, scenario: Path, folder: Path, hash_seed: str) -> None:
        logs = [f"run.{ending}" for ending in ("log", "asc", "blf", "csv")]
        ran = subprocess.run(
            [
                sys.executable, "-m", "linkloss.cli", "run", str(scenario), "--quiet",
                "--json", str(folder / "run.json"), "--log", *(str(folder / log) for log in logs),
            ],
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
            capture_output=True,
            text=True,
            check=False,
        )  # fmt: skip
        assert ran.returncode in (0, 1, 3), ran.stderr
        (folder / "screen.txt").write_text(ran.stdout)


@pytest.mark.parametrize("name", ["run.json", "run.log", "screen.txt"])
@pytest.mark.parametrize("hash_seed", ["1", "random"])
def test_another_process_writes_the_same_bytes(runs, name, hash_seed):
    first = (runs.folder_of(7, "0") / name).read_bytes()
    assert first
    assert (runs.folder_of(7, hash_seed) / name).read_bytes() == first


def messages(path: Path) -> list[tuple]:
    with can.LogReader(path) as reader:
        return [
            (
                round(message.timestamp, 6),
                message.arbitration_id,
                message.is_extended_id,
                message.is_remote_frame,
                message.is_error_frame,
                message.dlc,
                bytes(message.data),
            )
            for message in reader
        ]


@pytest.mark.parametrize("ending", ["asc", "blf", "csv"])
def test_another_process_writes_logs_of_equal_content(runs, ending):
    first, second = (
        messages(runs.folder_of(7, hash_seed) / f"run.{ending}") for hash_seed in ("0", "random")
    )
    assert len(first) > 200
    assert first == second


@pytest.mark.parametrize("name", ["run.json", "run.log"])
def test_another_seed_writes_another_file(runs, name):
    first = (runs.folder_of(7, "0") / name).read_bytes()
    assert (runs.folder_of(8, "0") / name).read_bytes() != first


def test_chance_was_at_work(runs):
    document = json.loads((runs.folder_of(7, "0") / "run.json").read_text())
    text = json.dumps(document)
    for kind in ("bounce", "drop", "corrupt"):
        assert kind in text
    assert document["seed"] == 7
