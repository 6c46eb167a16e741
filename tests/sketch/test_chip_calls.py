"""The call shapes of chip libraries work over the registers, from a source file of their own."""

from __future__ import annotations

import shutil
from pathlib import Path

import life_car
import pytest
from test_on_chip_can import counter
from test_sketch_calls import WIRING

from linkloss.firmware.build import Sources
from linkloss.firmware.program import Firmware

SEPARATE = """#include "chip.h"
Chip bus(10); byte marks = 0;
void setup() { pinMode(5, OUTPUT); pinMode(2, INPUT);
    while (bus.begin(250000) != Chip::OK) delay(100);
    if (bus.setMode(0) != Chip::OK) abort(); }
void loop() {
    unsigned long id; byte length, data[8];
    if (!digitalRead(2) && bus.checkReceive() == 3) {
        bus.readMsgBuf(&id, &length, data);
        if (id == 256 && length == 1) { digitalWrite(5, data[0] & 1);
            bus.sendMsgBuf(257, 0, 1, &marks); marks++; } } }
"""
STRUCT = """#include "chip.h"
Chip bus(10); struct can_frame in, out; byte marks = 0;
void setup() { pinMode(5, OUTPUT); bus.begin(250000); bus.setMode(0); }
void loop() {
    if (bus.readMessage(&in) == Chip::OK && in.can_id == 256) {
        digitalWrite(5, in.data[0] & 1);
        out.can_id = 257; out.can_dlc = 1; out.data[0] = marks++; bus.sendMessage(&out); } }
"""
EXTENDED = """#include "chip.h"
Chip bus(10); struct can_frame out = {0x98765432, 2, {1, 2}};
void setup() { bus.begin(250000); bus.setMode(0); bus.sendMessage(&out); }
void loop() { delay(10); }
"""


def unit(folder: Path, text: str) -> Firmware:
    (folder / "sketch.ino").write_text(text, encoding="utf-8")
    shutil.copytree(Path(__file__).parent / "chip", folder / "chip")
    files = ("sketch.ino", "chip/chip.cpp")
    rate = ("BOARD_BIT_RATE=250000",)
    made = Firmware(Sources(folder, files, rate, includes=("chip",)), WIRING)
    assert made.path.is_file()
    return made


@pytest.mark.parametrize("text", [SEPARATE, STRUCT], ids=["separate", "struct"])
def test_a_lamp_follows_and_each_message_is_answered(tmp_path, text):
    ran = life_car.run(unit(tmp_path, text), other=counter(), lasts_ms=200)
    changes = [level for at_ms, level in ran.load("lamp") if at_ms > 45]
    assert len(changes) >= 7
    marks = [data[0] for _, data in ran.answers()]
    assert marks == list(range(len(marks)))
    assert abs(len(marks) - len(ran.beats())) <= 1


def test_an_identifier_of_29_bits_goes_out_whole(tmp_path):
    ran = life_car.run(unit(tmp_path, EXTENDED), other=counter(), lasts_ms=60)
    (sent,) = [record.frame for record in ran.recording.frames if record.frame.extended]
    assert (sent.identifier, sent.data) == (0x18765432, b"\x01\x02")
