"""Test runs inside a test run: a folder with the tiny car, and pytest with the plug-in."""

from __future__ import annotations

import shutil
from importlib.metadata import entry_points
from importlib.util import find_spec
from pathlib import Path

import pytest

TINY = Path(__file__).parents[1] / "report" / "tiny"
INSTALLED = any(entry.name == "linkloss" for entry in entry_points(group="pytest11"))
PLUGINS = "-p no:cacheprovider -p no:benchmark -p no:hypothesispytest" + (
    "" if INSTALLED else " -p linkloss.pytest_plugin"
)


@pytest.fixture
def car(pytester: pytest.Pytester, monkeypatch) -> pytest.Pytester:
    """A folder with the tiny car in which pytest runs with the plug-in."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("XDG_CACHE_HOME", str(pytester.path / "caches"))
    monkeypatch.delenv("PYTEST_XDIST_WORKER", raising=False)
    shutil.copytree(
        TINY, pytester.path, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__")
    )
    settings = f"[pytest]\naddopts = {PLUGINS} --strict-markers\n"
    if find_spec("pytest_asyncio"):
        settings += "asyncio_default_fixture_loop_scope = function\n"
    write(pytester, "pytest.ini", settings)
    return pytester


def write(pytester: pytest.Pytester, name: str, text: str) -> Path:
    """A file of the inner test run."""
    path = pytester.path / name
    path.write_text(text, encoding="utf-8")
    return path


def edited(pytester: pytest.Pytester, name: str, old: str, new: str, to: str = "") -> Path:
    """A file with something else in it, under its own name or another one."""
    text = (pytester.path / name).read_text(encoding="utf-8")
    assert old in text
    return write(pytester, to or name, text.replace(old, new))
