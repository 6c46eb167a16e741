"""The rear node of the demo car as a sketch over the SPI CAN controller: it does the whole job."""

from __future__ import annotations

from demo_cases import narrow
from script_cars import ROOT, wren_with_rear

from linkloss.judge import Outcome

REAR = ROOT / "nodes" / "firmware" / "rear_sketch.ino"
PINS = """
[nodes.rear.pins]
tail_left = 3
tail_right = 4
plate_lamp = 5
brake_lamps = 6
reverse_lamps = 7
indicator_rear_left = 8
indicator_rear_right = 9
fuel_pump = 22
interior_lamp = 23
accessory_socket = 24
brake_pedal = 14
reverse_gear = 15
ignition = { pin = 16, positions = ["on"] }
hazard = 17
oil_pressure = 18
crash = 19
"""


def test_the_sketch_obeys_every_rule_of_its_loads_that_is_put_to_the_test(tmp_path):
    car = wren_with_rear(tmp_path, f'c = ["{REAR.as_posix()}"]', PINS)
    report = narrow(car, ["none", "reset", "bus_off"], ["turning"], "rear")
    assert [finding.case.name for finding in report.findings] == []
    kept = {
        verdict.subject
        for case in report.cases
        for verdict in case.verdicts
        if verdict.outcome is Outcome.KEPT
    }
    assert {"tail_left", "indicator_rear_left"} <= kept
