"""How often the first cause names mechanism and node, against labels written from the mistakes."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

MEASURE = Path(__file__).parent / "measure.py"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "share"),
    [((), 0.95), (("--further",), 0.90), (("--unseen",), 0.90)],
    ids=["known", "further", "unseen"],
)
def test_the_first_cause_is_the_right_one(words, share):
    done = subprocess.run(
        [sys.executable, MEASURE, *words], capture_output=True, text=True, check=True
    )
    right, number = map(
        int, re.findall(r"^all: (\d+) of (\d+) right", done.stdout, re.MULTILINE)[0]
    )
    assert number >= 40
    assert right / number >= share, done.stdout
