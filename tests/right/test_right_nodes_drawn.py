"""Right nodes that choose freely among all that the declared rules allow: none is called broken.

``python tests/right/right_run.py FIRST CARS`` tries as many as one likes.
"""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from right_cars import drawn_cases
from right_run import told


@settings(
    max_examples=12, deadline=None, derandomize=True, database=None,
    suppress_health_check=list(HealthCheck),
)  # fmt: skip
@given(st.integers(min_value=0, max_value=1 << 20))
def test_a_right_node_is_never_called_broken(seed):
    for case in drawn_cases(seed, 12):
        broken, kept = told(case)
        assert broken == [], case.name
        assert kept
