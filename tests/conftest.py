"""What holds for all tests: the same examples in every run, unless one asks for others.

``LINKLOSS_EXAMPLES=random`` lets Hypothesis draw new ones each time; what it finds then belongs
into a test of its own.
"""

import os
import sys
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).parents[1]

settings.register_profile("same", derandomize=True, deadline=None)
settings.register_profile("random", deadline=None)
settings.load_profile("random" if os.environ.get("LINKLOSS_EXAMPLES") == "random" else "same")

collect_ignore_glob = ["*.toml"]
"""The scenarios below this folder are material of tests, and no tests of their own."""


@pytest.fixture(scope="session", autouse=True)
def nothing_imports_a_folder_of_the_checkout():
    """``bench`` and ``nodes`` are folders; the packages are ``linkloss`` and ``linkloss_nodes``."""
    yield
    for name in ("bench", "nodes"):  # a car may have a file of that name
        places = getattr(sys.modules.get(name), "__path__", ())
        assert str(ROOT / name) not in places
