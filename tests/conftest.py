"""What holds for all tests: the same examples in every run, unless one asks for others.

``LINKLOSS_EXAMPLES=random`` lets Hypothesis draw new ones each time; what it finds then belongs
into a test of its own.
"""

import fcntl
import gc
import os
import sys
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).parents[1]

settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("random", deadline=None)
settings.load_profile("random" if os.environ.get("LINKLOSS_EXAMPLES") == "random" else "same")

gc.set_threshold(100_000, 20, 20)
"""As where a check runs its cases: a session makes many objects and few cycles."""

collect_ignore_glob = ["*.toml"]
"""The scenarios below this folder are material of tests, and no tests of their own."""


def pytest_collection_finish():
    """The tests stay: no collection of garbage need look at them."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def nothing_imports_a_folder_of_the_checkout():
    """``bench`` and ``nodes`` are folders; the packages are ``linkloss`` and ``linkloss_nodes``."""
    yield
    for name in ("bench", "nodes"):  # a car may have a file of that name
        places = getattr(sys.modules.get(name), "__path__", ())
        assert str(ROOT / name) not in places


@pytest.fixture(scope="session")
def made_once(tmp_path_factory, worker_id):
    """Makes a folder by its name, once for all workers of a run: ``made_once(name, make)``."""
    base = tmp_path_factory.getbasetemp()
    base = base if worker_id == "master" else base.parent

    def made(name, make):
        folder = base / name
        with (base / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not (folder / "made").exists():
                folder.mkdir()
                make(folder)
                (folder / "made").touch()
        return folder

    return made
