"""The rear node of the demo car as a script: it does the whole job.

The whole check, which takes minutes, is run by hand:
``linkloss check`` on the file that :func:`script_cars.script_car` writes.
"""

from __future__ import annotations

from demo_cases import narrow
from script_cars import script_car

from linkloss.judge import Outcome


def test_the_script_obeys_every_rule_of_its_loads_that_is_put_to_the_test(tmp_path):
    car = script_car(tmp_path)
    report = narrow(car, ["none", "reset", "bus_off"], ["turning"], "rear")
    assert [finding.case.name for finding in report.findings] == []
    kept = {
        verdict.subject
        for case in report.cases
        for verdict in case.verdicts
        if verdict.outcome is Outcome.KEPT
    }
    assert {"tail_left", "indicator_rear_left"} <= kept
