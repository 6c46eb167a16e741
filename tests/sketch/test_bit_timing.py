"""A controller that samples at the wrong place of a bit, at the right bit rate, is a finding."""

from __future__ import annotations

import pytest
from script_cars import REAR_SCRIPT, REAR_SKETCH, script_car, sketch_car

from linkloss.campaign.check import check
from linkloss.problem import BadInput
from linkloss.vehicle.loading import load_vehicle

OPEN = 'interface="socketcan"'
REGISTERS = "{0x03, 0xAC, 0x41}"


def with_registers(folder, registers):
    text = REAR_SKETCH.read_text(encoding="utf-8")
    assert text.count(REGISTERS) == 1
    path = folder / "rear.ino"
    path.write_text(text.replace(REGISTERS, registers), encoding="utf-8")
    return sketch_car(folder, path)


def with_timing(folder, timing):
    text = REAR_SCRIPT.read_text(encoding="utf-8")
    assert text.count(OPEN) == 1
    path = folder / "rear.py"
    path.write_text(text.replace(OPEN, f"{OPEN}, timing={timing}"), encoding="utf-8")
    return script_car(folder, path)


def crashes(car):
    report = check(car, case="parked/none", jobs=1)
    return [
        finding.verdict.text
        for finding in report.findings
        if (finding.verdict.subject, finding.verdict.rule) == ("rear", "program")
    ]


# CNF3, CNF2, CNF1 at 16 MHz, by the fields of the data sheet: 4 us for a bit, so 250 kbit/s.
@pytest.mark.parametrize(
    ("registers", "text"),
    [
        (
            "{0x04, 0x80, 0x43}",
            "samples each bit at 37.5 % of it, the bus allows 50.0 % to 90.0 %",
        ),
        (
            "{0x00, 0xB6, 0x41}",
            "samples each bit at 93.7 % of it, the bus allows 50.0 % to 90.0 %",
        ),
        ("{0x01, 0xAE, 0xC1}", "jumps by up to 4 quanta, more than the 2 behind its sample point"),
    ],
)
def test_registers_that_sample_wrongly_are_a_finding(tmp_path, registers, text):
    (found,) = crashes(with_registers(tmp_path, registers))
    assert text in found
    assert "the bit timing registers CNF1 to CNF3" in found


@pytest.mark.parametrize("registers", [REGISTERS, "{0x01, 0xAE, 0x41}", "{0x05, 0xB1, 0x41}"])
def test_registers_in_use_are_none(tmp_path, registers):
    assert crashes(with_registers(tmp_path, registers)) == []


@pytest.mark.parametrize(
    ("timing", "wanted"),
    [
        ("can.BitTiming(8000000, 2, 14, 1, 1)", "samples its bits at 93.8 %; the bus allows"),
        ("can.BitTiming(8000000, 2, 13, 2, 3)", "sjw"),
        ("can.BitTiming(8000000, 1, 13, 2, 1)", "opens its bus with 500000 bit/s"),
        ("can.BitTiming(8000000, 2, 13, 2, 1)", None),
    ],
)
def test_a_script_with_a_bit_timing_is_held_against_the_bus(tmp_path, timing, wanted):
    found = crashes(with_timing(tmp_path, timing))
    assert found == [] if wanted is None else wanted in found[0]


def test_the_vehicle_narrows_down_where_a_bit_may_be_sampled(tmp_path):
    def changed(points):
        car = tmp_path / "vehicle.toml"
        text = car.read_text(encoding="utf-8")
        car.write_text(
            text.replace("[bus]\n", f"[bus]\nsample_point = {points}\n"), encoding="utf-8"
        )
        return load_vehicle(car)

    assert crashes(with_registers(tmp_path, "{0x05, 0xB1, 0x41}")) == []
    (found,) = crashes(changed('["75 %", "90 %"]'))
    assert "samples each bit at 62.5 % of it, the bus allows 75.0 % to 90.0 %" in found
    with_registers(tmp_path, REGISTERS)
    with pytest.raises(BadInput, match=r"sample_point.*expected the least first"):
        changed('["90 %", "75 %"]')
