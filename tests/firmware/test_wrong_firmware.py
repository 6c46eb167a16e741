"""The C rear node passes; with one well-known mistake in it the check of the demo car says which
load goes wrong and by which rule.
"""

from __future__ import annotations

import pytest
from c_cars import REAR_C, c_car
from demo_cases import narrow
from wrong_variants import ROLL_OVER, WRONG

from linkloss.problem import EXIT_BROKEN


def changed(folder, variant):
    """The source with the mistake in it."""
    text = REAR_C.read_text(encoding="utf-8")
    for old, new in variant.changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = folder / f"{variant.name}.c"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("variant", WRONG, ids=lambda variant: variant.name)
def test_the_check_finds_the_mistake(tmp_path, variant):
    vehicle = c_car(tmp_path, changed(tmp_path, variant), variant.more, variant.tables)

    def found(report):
        return {(finding.verdict.subject, finding.verdict.rule) for finding in report.findings}

    wanted = (variant.subject, variant.rule)
    report = narrow(
        vehicle, [variant.kind], [variant.situation], until=lambda so_far: wanted in found(so_far)
    )
    assert report.exit_code == EXIT_BROKEN
    assert wanted in found(report), sorted(found(report))


def test_the_same_cases_find_nothing_in_the_node_as_it_is(tmp_path):
    vehicle = c_car(tmp_path, tables=ROLL_OVER)
    for kind, situation in (("none", "braking"), ("none", "turning"), ("alter", "rain")):
        assert not narrow(vehicle, [kind], [situation]).findings, (kind, situation)
