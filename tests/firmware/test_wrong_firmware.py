"""The C rear node passes; with one well-known mistake in it the check of the demo car says which
load goes wrong and by which rule.
"""

from __future__ import annotations

import pytest
from c_cars import REAR_C, c_car
from demo_cases import narrow
from variants import ROLL_OVER, rows
from wrong_variants import WRONG

from linkloss.problem import EXIT_BROKEN


@pytest.mark.parametrize("variant", WRONG, ids=lambda variant: variant.name)
def test_the_check_finds_the_mistake(tmp_path, variant):
    source = variant.written(REAR_C, tmp_path)
    report = variant.check(c_car(tmp_path, source, variant.more, variant.tables))
    assert report.exit_code == EXIT_BROKEN
    assert variant.shows(report), sorted(rows(report))


def test_the_same_cases_find_nothing_in_the_node_as_it_is(tmp_path):
    vehicle = c_car(tmp_path, tables=ROLL_OVER)
    for kind, situation in (("none", "braking"), ("none", "turning"), ("alter", "rain")):
        assert not narrow(vehicle, [kind], [situation]).findings, (kind, situation)
