"""The same results from a Dask cluster, whatever happens to its workers."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
TINY = ROOT / "tests" / "report" / "tiny" / "vehicle.toml"
WREN = ROOT / "scenarios" / "wren" / "vehicle.toml"
needs_dask = pytest.mark.skipif(
    importlib.util.find_spec("distributed") is None, reason="the extra 'cluster' is not installed"
)


def on_a_cluster(vehicle, workers, *situations):
    """How many workers were killed, how many cases ran, and whether the results are the same."""
    done = subprocess.run(
        [sys.executable, HERE / "cluster_program.py", vehicle, str(workers), *situations],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    killed, cases, equal = done.stdout.split()[-3:]
    return int(killed), int(cases), equal == "True"


@needs_dask
def test_a_cluster_gives_the_same_results():
    killed, cases, equal = on_a_cluster(TINY, 1, "night")
    assert (killed, equal) == (0, True)
    assert cases > 2


@pytest.mark.slow
@needs_dask
def test_a_killed_worker_loses_no_case_and_none_counts_twice():
    killed, cases, equal = on_a_cluster(WREN, 2, "parked", "braking", "rain")
    assert (killed, equal) == (1, True)
    assert cases > 24, "more cases than one piece holds"


@needs_dask
def test_a_scheduler_that_does_not_answer_is_bad_input():
    """In a process of its own: Dask leaves threads behind, and one with threads forks no more."""
    nobody = "dask://127.0.0.1:9"
    done = subprocess.run(
        [sys.executable, "-m", "linkloss.cli", "check", TINY, "--workers", nobody],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 2
    assert "--workers: no Dask scheduler answers at 'tcp://127.0.0.1:9'" in done.stderr
    assert "Traceback" not in done.stderr
