"""The C rear node passes; with one well-known mistake in it the check of the demo car says which
load goes wrong and by which rule.
"""

from __future__ import annotations

import pytest
from c_cars import REAR_C, c_car
from demo_cases import narrow
from variants import ROLL_OVER, rows
from wrong_variants import WRONG

from linkloss.campaign.cases import CaseMaker
from linkloss.campaign.run import run_case
from linkloss.faults.catalogue import make_fault
from linkloss.problem import EXIT_BROKEN
from linkloss.scenario import TimedFault


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


@pytest.mark.parametrize(("checked", "broken"), [(True, False), (False, True)])
def test_a_frame_of_another_length_with_its_own_right_checksum_is_no_message(
    tmp_path, checked, broken
):
    """A program that takes the checksum of as many bytes as came has to look at their number."""
    text = REAR_C.read_text(encoding="utf-8")
    look = "frame->length == link->length && "
    assert look in text
    source = tmp_path / "rear.c"
    source.write_text(text if checked else text.replace(look, ""), encoding="utf-8")
    car = c_car(tmp_path, source)
    form = {"message": "LampRequest", "node": "front", "form": "length"}
    timed = TimedFault(make_fault("stranger", form, car), 700_000_000, 1_500_000_000)
    result = run_case(CaseMaker(car).case("night_drive", (timed,)))
    found = {verdict.subject for verdict in result.verdicts if verdict.broken}
    assert ("tail_left" in found) is broken
    assert bool(found) is broken
