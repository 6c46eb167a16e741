"""How long a person waits for ``linkloss --help``; recorded, not asserted.

The floor is the interpreter (``pass``) and the argument parser with its library for screens.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from linkloss.clock.wallclock import monotonic_seconds

ROOT = Path(__file__).parents[2]
ROUNDS = 5
PROGRAMS = {
    "pass": ["-c", "pass"],
    "rich": ["-c", "import rich"],
    "cyclopts": ["-c", "import cyclopts"],
}
HELP = ["-m", "linkloss.cli", "--help"]


def start(arguments: list[str]) -> None:
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True, cwd=ROOT)


def best_seconds(arguments: list[str]) -> float:
    found = []
    for _ in range(ROUNDS):
        begun = monotonic_seconds()
        start(arguments)
        found.append(monotonic_seconds() - begun)
    return min(found)


@pytest.mark.benchmark(group="start-up")
def test_help_against_the_interpreter_and_its_libraries(benchmark):
    benchmark.pedantic(start, args=(HELP,), rounds=ROUNDS, warmup_rounds=1)
    helped = best_seconds(HELP)
    for name, arguments in PROGRAMS.items():
        benchmark.extra_info[f"help / {name}"] = round(helped / best_seconds(arguments), 2)
    assert set(benchmark.extra_info) == {f"help / {name}" for name in PROGRAMS}
