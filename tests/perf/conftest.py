"""Measurements stand for themselves: beside another worker they would measure that one, too."""

from pathlib import Path

import pytest

HERE = Path(__file__).parent


def pytest_collection_modifyitems(config, items):
    alone = pytest.mark.skip(reason="measured alone: python -m pytest -q -m slow -n 0 tests/perf")
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.slow)
            if hasattr(config, "workerinput"):
                item.add_marker(alone)
