"""What the plug-in costs a test run that has nothing to do with cars."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

PROGRAM = """
import sys, pytest
before = set(sys.modules)
import linkloss.pytest_plugin
print(*sorted(name for name in set(sys.modules) - before))
"""


def test_the_plug_in_loads_nothing_but_itself():
    ran = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    assert ran.stdout.split() == ["linkloss", "linkloss.pytest_plugin"]
