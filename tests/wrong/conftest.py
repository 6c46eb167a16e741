"""Makes the homemade nodes importable, and shows at the end what caught which wrong one."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

NODES = Path(__file__).parent / "nodes"  # they import one another as files in one folder do
sys.path[:0] = [str(NODES), str(Path(__file__).parents[1] / "session")]

HEADING = ("wrong node", "in place of", "caught by", "subject", "rule", "cause expected")
CATCHES = pytest.StashKey[list[tuple[str, ...]]]()


@pytest.fixture
def catches(request):
    """Adds a row to the table at the end, once the finding's text has told the cause expected."""
    rows = request.config.stash.setdefault(CATCHES, [])

    def add(node, place, case, subject, rule, text, cause):
        assert cause
        assert cause in text, text
        rows.append((node, place, case.partition("/clocks(")[0], subject, rule, cause))

    return add


def pytest_terminal_summary(terminalreporter, config):
    rows = config.stash.get(CATCHES, [])
    if not rows:
        return
    widths = [max(map(len, column)) for column in zip(HEADING, *rows, strict=True)]
    terminalreporter.section("what caught which wrong node")
    for row in (HEADING, *rows):
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        terminalreporter.write_line("  ".join(cells).rstrip())
