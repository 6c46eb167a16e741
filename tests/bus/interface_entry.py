"""What pyproject.toml names for python-can."""

from __future__ import annotations

import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]


def entry_point() -> str:
    """``module:class``."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return project["entry-points"]["can.interface"]["linkloss"]
