"""The sketch of the rear node passes; with one well-known mistake in it the check of the demo car
says what goes wrong and by which rule.
"""

from __future__ import annotations

import pytest
from demo_cases import narrow
from script_cars import REAR_SKETCH, sketch_car
from variants import ROLL_OVER, params, rows
from wrong_sketches import WRONG

from linkloss.problem import EXIT_BROKEN


@pytest.mark.parametrize("variant", params(WRONG))
def test_the_check_finds_the_mistake(tmp_path, variant):
    report = variant.check(
        sketch_car(tmp_path, variant.written(REAR_SKETCH, tmp_path), variant.tables)
    )
    assert report.exit_code == EXIT_BROKEN
    assert variant.shows(report), sorted(rows(report))


def test_the_same_cases_find_nothing_in_the_sketch_as_it_is(tmp_path):
    vehicle = sketch_car(tmp_path, tables=f"\n{ROLL_OVER}")
    for kind, situation in (("none", "parked"), ("none", "braking"), ("alter", "rain")):
        assert not narrow(vehicle, [kind], [situation]).findings, (kind, situation)
