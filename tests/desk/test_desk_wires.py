"""``[io.NODE]``: what it may say, how its mistakes are told, and what to solder for it."""

from __future__ import annotations

import re
import sys
from xml.etree import ElementTree as ET

import pytest
from desk_car import IO, desk_text
from sketch_lab import SKETCH

from linkloss.cli import main
from linkloss.problem import BadInput
from linkloss.report.desk_drawing import wires_drawing
from linkloss.sizing.desk_wires import (
    BOARD_V,
    CAUTIONS,
    HIGH_SHARE,
    HIGHEST,
    LOWER_OHM,
    desk_wires,
    thresholds,
    upper_ohm,
)
from linkloss.vehicle.desk_wiring import BOARDS, FeelTable
from linkloss.vehicle.loading import load_vehicle

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="a program in C needs Linux")


def car(folder, io=IO):
    path = folder / "vehicle.toml"
    path.write_text(desk_text(io=io), encoding="utf-8")
    return load_vehicle(path, programs=False)


@pytest.mark.parametrize(
    ("right", "wrong", "said"),
    [
        ('tail_left = "in1"', 'tail_left = "in7"', "unknown line of a board of 20 pins 'in7'"),
        ('tail_left = "in1"', 'tail_left = "in2"', "'in2' is that of tail_left already"),
        ('tail_left = "in1"', 'tail_lef = "in1"', "did you mean 'tail_left'?"),
        ('tail_left = "in1"', 'low_beam_left = "in1"', "unknown load of node 'rear'"),
        ('tail_left = "in1"', 'tail_left = "out1"', "unknown line of a board of 20 pins 'out1'"),
        ("on_from = 6 }", "volts_per_amp = 0.1 }", "expected 'on_from', in amperes"),
        ('brake_lamps = "in2"', 'brake_lamps = { line = "in2", on_from = 6 }', "high and low only"),
        ('positions = ["pressed"]', 'positions = ["presed"]', "did you mean 'pressed'?"),
        ('positions = ["pressed"]', 'positions = ["released"]', "is where 'brake_pedal' rests"),
        ("hazard = {", "lights = {", "unknown switch wired to node 'rear' 'lights'"),
        ('reset = "relay3"', 'reset = "relay2"', "is that of plug already"),
        ('reset = "relay3"', 'board = "30 pins"', "20 pins"),
        ("[io.rear]", "[io.raer]", "did you mean 'rear'?"),
    ],
)
def test_a_mistake_is_told_where_it_is(tmp_path, right, wrong, said):
    with pytest.raises(BadInput) as caught:
        car(tmp_path, IO.replace(right, wrong, 1))
    told = [str(problem) for problem in caught.value.problems]
    assert any(said in text and "vehicle.toml" in text for text in told), told


@pytest.mark.parametrize("volts", [12.0, 24.0])
def test_a_divider_keeps_the_highest_voltage_off_the_board_and_the_nominal_one_sure(volts):
    share = LOWER_OHM / (upper_ohm(volts) + LOWER_OHM)
    assert volts * HIGHEST * share <= BOARD_V
    assert volts * share >= BOARD_V * HIGH_SHARE
    assert volts * HIGHEST / upper_ohm(volts) < 0.001, "less than 1 mA, were the lower one missing"


def test_thresholds_are_readings_of_the_converter():
    assert thresholds(FeelTable(line="an1", on_from=6), 12.0) == (
        346,
        384,
    )  # 6 V / 3.2 of 5 V, and a tenth less
    sense = FeelTable(line="an1", volts_per_amp=0.5, on_from=2)
    assert thresholds(sense, 24.0) == (184, 205)


def test_the_boards_have_the_lines_of_the_sketch():
    text = (SKETCH / "pins.h").read_text(encoding="utf-8")
    found = re.findall(r"= (\d+), ANALOG_LINES = (\d+), DRIVES = (\d+), RELAYS = (\d+)", text)
    assert [tuple(map(int, each)) for each in found] == [BOARDS["70 pins"], BOARDS["20 pins"]]


def test_the_plan_has_the_wires_behind_the_cautions_and_draws_them(tmp_path, capsys):
    vehicle = car(tmp_path)
    drawing = tmp_path / "rear.svg"
    main(["plan", str(vehicle.path), "--drawing", str(drawing)])
    told = " ".join(capsys.readouterr().out.split())
    assert told.index("current is limited") < told.index("wires to the I/O board")
    assert all(text in told for text in CAUTIONS)
    assert "22 k\u03a9 in the lead, 10 k\u03a9 from" in told
    assert "Not felt: tail_right, plate_lamp" in told
    assert "Not driven, at rest unless you move it: oil_pressure, crash" in told
    root = ET.fromstring(drawing.read_text(encoding="utf-8"))
    words = [element.text for element in root.iter() if element.text]
    ends = {wire.board_end for wire in desk_wires(vehicle, "rear").wires}
    assert ends <= set(words)
    assert len(ends) == 8 + 4 + 3


def test_a_car_of_24_v_has_other_resistors(tmp_path):
    vehicle = car(tmp_path, IO.replace("[io.rear]", '[io.rear]\nvolts = "24 V"', 1))
    assert "56 k\u03a9 in the lead" in wires_drawing(desk_wires(vehicle, "rear"))


def test_a_drawing_without_a_table_is_refused(capsys):
    assert main(["plan", "scenarios/wren/vehicle.toml", "--drawing", "x.svg"]) == 2
    assert "has no table '[io.NODE]'" in capsys.readouterr().err
