"""The message definition and boards for tests of node code."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import cantools
import pytest
from cantools.database import Database

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def messages() -> Database:
    found = cantools.database.load_file(ROOT / "dbc" / "wren.dbc")
    assert isinstance(found, Database)
    return found


@pytest.fixture(scope="session")
def wren() -> dict[str, Any]:
    return tomllib.loads((ROOT / "scenarios" / "wren" / "vehicle.toml").read_text())
