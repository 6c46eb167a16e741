"""Makes the homemade nodes importable, and shows at the end what caught which wrong one."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

NODES = Path(__file__).parent / "nodes"  # they import one another as files in one folder do
sys.path[:0] = [str(NODES), str(Path(__file__).parents[1] / "session")]

CATCHES = pytest.StashKey[list[tuple[str, ...]]]()


@pytest.fixture
def catches(request):
    """The rows of the table at the end: node, demo node, kind of fault, subject, rule."""
    return request.config.stash.setdefault(CATCHES, [])


def pytest_terminal_summary(terminalreporter, config):
    rows = config.stash.get(CATCHES, [])
    if not rows:
        return
    heading = ("wrong node", "in place of", "caught by", "load or subject", "rule")
    widths = [max(len(row[index]) for row in (heading, *rows)) for index in range(len(heading))]
    terminalreporter.section("what caught which wrong node")
    for row in (heading, *rows):
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        terminalreporter.write_line("  ".join(cells).rstrip())
