"""Sketches compile as they are, and the chip's registers do what its data sheet says."""

from __future__ import annotations

import life_car
import pytest
from test_script_time import beater, crash, prints

from linkloss.firmware.answers import InputPin, OutputPin, Wiring
from linkloss.firmware.build import BuildError, Sources
from linkloss.firmware.program import Firmware
from linkloss.firmware.sketch import as_cpp

WIRING = Wiring(outputs=(OutputPin(5, "lamp"),), inputs=(InputPin(7, "switch", frozenset({"on"})),))
CHIP = """
#include <SPI.h>
byte ask(byte a, byte b = 0, byte c = 0, byte d = 0) {
    digitalWrite(10, LOW); SPI.transfer(a); byte r = SPI.transfer(b); if (a != 0xA0 && a != 0xB0)
    r = SPI.transfer(c); if (a == 5) SPI.transfer(d); digitalWrite(10, HIGH); return r; }
byte get(byte at) { return ask(3, at); }
void put(byte at, byte value) { ask(2, at, value); }
void begin() {
    pinMode(10, OUTPUT); digitalWrite(10, HIGH); SPI.begin();
    digitalWrite(10, LOW); SPI.transfer(0xC0); digitalWrite(10, HIGH); }
void timing() { put(0x2A, 0x41); put(0x29, 0xB1); put(0x28, 0x05); }
"""


def sketch(folder, text: str, **rest) -> Firmware:
    path = folder / "sketch.ino"
    path.write_text(text, encoding="utf-8")
    rate = ("BOARD_BIT_RATE=250000",)
    made = Firmware(Sources(folder, (path.name,), rate, **rest), WIRING)
    assert made.path.is_file()
    return made


def told(ran) -> list[str]:
    return [entry[1] for entry in prints(ran)]


def test_a_sketch_uses_functions_above_their_definition_and_the_usual_calls(tmp_path):
    text = """
    #include <EEPROM.h>
volatile int edges = 0;
void setup() {
    Serial.begin(115200); pinMode(5, OUTPUT); pinMode(7, INPUT);
    attachInterrupt(digitalPinToInterrupt(7), onEdge, CHANGE);
    EEPROM.write(3, EEPROM.read(3) + 1);
    Serial.print(F("boot ")); Serial.println(EEPROM.read(3));
}
void loop() { digitalWrite(5, digitalRead(7)); delay(10);
    if (millis() >= 100) { report(String("edges ") + edges); while (true) delay(1000); } }
void onEdge() { edges++; }
void report(const String &text) { Serial.println(text); Serial.println(255, HEX);
    Serial.println(1.5, 1); }
"""
    ran = life_car.run(sketch(tmp_path, text), switch=((50, "on"), (90, "off")), lasts_ms=150)
    assert told(ran) == ["boot 0", "edges 2", "FF", "1.5"]
    assert [level for _, level in ran.load("lamp")] == [0.0, 1.0, 0.0]


def test_prototypes_keep_the_lines_of_a_sketch(tmp_path):
    text = "\nvoid setup() { later(); }\nvoid loop() {}\nvoid later() { missing(); }\n"
    with pytest.raises(BuildError, match=r"sketch\.ino:4:.*missing"):
        sketch(tmp_path, text)


def test_a_crash_inside_a_call_is_told_with_the_line_of_the_sketch(tmp_path):
    text = """int *missing = nullptr;
void setup() { delay(1); Serial.println(*missing); }
void loop() {}
"""
    found = crash(life_car.run(sketch(tmp_path, text), lasts_ms=50))
    assert found.where.endswith("sketch.ino:2")
    assert found.text == "segmentation fault at address 0x0"


def test_templates_members_and_words_in_comments_get_no_prototype():
    text = (
        "// void no() {\nstruct A { void f(); };\nvoid A::f() {\n}\n"
        "template <class T>\nT twice(T x) {\n  return x;\n}\nvoid g(A &a) {\n}\nvoid h() {\n}\n"
    )
    made = as_cpp(text, "x.ino")
    assert "void g(A &a); void h();" in made
    assert made.count("no()") == made.count("A::f()") == made.count("twice(T x)") == 1


def test_after_its_reset_the_chip_is_in_configuration_mode_with_the_registers_of_its_sheet(
    tmp_path,
):
    text = (
        CHIP
        + """
void setup() { begin(); Serial.println(get(0x0E), HEX); Serial.println(get(0x0F), HEX);
    put(0x20, 0x5A); Serial.println(get(0x20), HEX); timing(); put(0x0F, 0);
    Serial.println(get(0x0E), HEX); put(0x20, 0x11); Serial.println(get(0x20), HEX);
    ask(5, 0x2B, 0x0F, 0xF3); Serial.println(get(0x2B), HEX); }
void loop() { delay(1000); }
"""
    )
    ran = life_car.run(sketch(tmp_path, text), lasts_ms=80)
    assert told(ran) == ["80", "87", "5A", "0", "5A", "3"]


def test_frames_fill_two_buffers_and_a_third_overflows(tmp_path):
    text = (
        CHIP
        + """
void setup() { begin(); timing(); put(0x60, 0x64); put(0x70, 0x60); put(0x2B, 3); put(0x0F, 0);
    pinMode(2, INPUT_PULLUP); Serial.println(digitalRead(2)); delay(70);
    Serial.println(digitalRead(2)); Serial.println(ask(0xA0), HEX); Serial.println(get(0x2D), HEX);
    digitalWrite(10, LOW); SPI.transfer(0x90); byte high = SPI.transfer(0);
    byte low = SPI.transfer(0); digitalWrite(10, HIGH);
    Serial.println((high << 3) | (low >> 5)); Serial.println(ask(0xA0), HEX); }
void loop() { delay(1000); }
"""
    )
    ran = life_car.run(sketch(tmp_path, text), other=beater(), lasts_ms=105)
    assert told(ran) == ["1", "0", "3", "80", "256", "2"]


@pytest.mark.parametrize(("wanted", "seen"), [(0x100, "1"), (0x101, "0")])
def test_filter_and_mask_decide_what_is_received(tmp_path, wanted, seen):
    text = (
        CHIP
        + f"""
void setup() {{ begin(); timing();
    for (byte at = 0; at < 0x1C; at += 4) if (at != 0x0C) {{ put(at, {wanted >> 3});
        put(at + 1, {wanted << 5 & 0xFF}); }}
    for (byte at = 0x20; at < 0x28; at += 4) {{ put(at, 0xFF); put(at + 1, 0xE0); }}
    put(0x0F, 0); delay(25); Serial.println(ask(0xA0) & 1); }}
void loop() {{ delay(1000); }}
"""
    )
    ran = life_car.run(sketch(tmp_path, text), other=beater(), lasts_ms=60)
    assert told(ran) == [seen]


def test_of_three_requested_buffers_the_highest_priority_goes_first(tmp_path):
    text = (
        CHIP
        + """
void load(byte buffer, byte mark, byte priority) {
    digitalWrite(10, LOW); SPI.transfer(0x40 + 2 * buffer); SPI.transfer(257 >> 3);
    SPI.transfer((byte)(257 << 5)); SPI.transfer(0); SPI.transfer(0); SPI.transfer(1);
    SPI.transfer(mark); digitalWrite(10, HIGH); put(0x30 + 0x10 * buffer, priority); }
void setup() { begin(); timing(); put(0x0F, 0); load(0, 10, 3); load(1, 11, 0); load(2, 12, 0);
    digitalWrite(10, LOW); SPI.transfer(0x87); digitalWrite(10, HIGH); delay(5);
    Serial.println(get(0x2C), HEX); Serial.println(ask(0xA0), HEX); }
void loop() { delay(1000); }
"""
    )
    ran = life_car.run(sketch(tmp_path, text), lasts_ms=60)
    assert [data for _, data in ran.answers()] == [b"\n", b"\x0c", b"\x0b"]
    assert told(ran) == ["1C", "A8"]


def test_a_bit_timing_that_does_not_fit_the_bus_is_a_finding(tmp_path):
    text = (
        CHIP
        + "void setup() { begin(); timing(); put(0x2A, 0x40); put(0x0F, 0); }\nvoid loop() {}\n"
    )
    ran = life_car.run(sketch(tmp_path, text), lasts_ms=60)
    assert "gives 500000 bit/s at 16000000 Hz, the bus has 250000 bit/s" in crash(ran).text


def started(folder, body: str):
    text = (
        f'{CHIP}void setup() {{ {body} Serial.println("set up"); }}\nvoid loop() {{ delay(9); }}\n'
    )
    return life_car.run(sketch(folder, text), lasts_ms=50)


@pytest.mark.parametrize("body", ["begin(); timing();", "SPI.begin(); SPI.end(); begin();"])
def test_a_port_that_has_begun_moves_bytes(tmp_path, body):
    assert told(started(tmp_path, body)) == ["set up"]


@pytest.mark.parametrize(
    "body", ["pinMode(10, OUTPUT); timing();", "begin(); SPI.end(); timing();"]
)
def test_a_port_that_is_off_moves_no_byte(tmp_path, body):
    ran = started(tmp_path, body)
    assert "expected SPI.begin() before it" in crash(ran).text
    assert told(ran) == []
