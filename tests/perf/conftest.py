"""Measurements stand for themselves: beside another worker they would measure that one, too."""

from pathlib import Path

import pytest

HERE = Path(__file__).parent


def pytest_collection_modifyitems(config, items):
    if not hasattr(config, "workerinput"):
        return
    alone = pytest.mark.skip(reason="measured alone: python -m pytest -q tests/perf")
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(alone)
