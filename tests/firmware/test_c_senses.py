"""What a program in C senses of its supply and of its outputs."""

from __future__ import annotations

from dataclasses import replace

import pytest
from c_life import LAMP, firmware, printed
from life_car import run
from supply_car import drive, supplied

from linkloss.firmware.answers import OutputPin

MEASURES = """\
void setup(void) { board_pin_mode(LAMP, BOARD_OUTPUT); board_pin_write(LAMP, 1); }
void loop(void) {
    board_delay_ms(300);
    printf("%u %u", board_supply_mv(), board_output_ma(LAMP));
    board_print("\\n");
}
"""


def measured(tmp_path, *faults):
    """(mV, mA) every 300 ms."""
    unit = firmware(tmp_path, MEASURES, outputs=(OutputPin(LAMP, "lamp"),), inputs=())
    vehicle = supplied()
    vehicle = replace(vehicle, programs={**vehicle.programs, "rear": unit})
    ran = drive(*faults, vehicle=vehicle, lasts_ms=800, inputs={"lights": "on"})
    lines = [entry.text for entry in ran.recording.prints if entry.node == "rear"]
    return [tuple(int(word) for word in line.split()) for line in lines]


def test_a_program_measures_its_voltage_and_a_current_as_they_are_now(tmp_path):
    before, after = measured(tmp_path, ("load_open", {"load": "lamp"}, 400, None))
    assert before[0] == pytest.approx(12_400, abs=100)
    assert before[1] == pytest.approx(4_600, abs=150)  # 55 W at 12 V
    assert after[0] > before[0]
    assert after[1] == 0


def test_on_an_ideal_supply_nothing_senses_a_current(tmp_path):
    unit = firmware(tmp_path, MEASURES)
    assert printed(run(unit, lasts_ms=400)) == ["13500 65535"]
