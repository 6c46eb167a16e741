"""Sketches for CAN controllers inside the processor: three shapes of calls, one job."""

from __future__ import annotations

from itertools import pairwise

import can
import life_car
import pytest
from test_script_time import beater, crash
from test_sketch_calls import sketch, told

from linkloss_nodes import MS

LAMP_JOB = """
unsigned long heardAt, sentAt; byte counter = 0;
void hear(unsigned long id, byte mark) {
    if (id == 256) { heardAt = millis(); digitalWrite(5, mark & 1); } }
void lamp() { if (millis() - heardAt >= 60) digitalWrite(5, HIGH); }
"""
TWAI = (
    "#include <driver/twai.h>\n"
    + LAMP_JOB
    + """
void setup() {
    pinMode(5, OUTPUT);
    twai_general_config_t g = TWAI_GENERAL_CONFIG_DEFAULT(21, 22, TWAI_MODE_NORMAL);
    twai_timing_config_t t = TWAI_TIMING_CONFIG_250KBITS();
    twai_filter_config_t f = TWAI_FILTER_CONFIG_ACCEPT_ALL();
    if (twai_driver_install(&g, &t, &f) != ESP_OK || twai_start() != ESP_OK) abort();
}
void loop() {
    twai_message_t in;
    while (twai_receive(&in, pdMS_TO_TICKS(1)) == ESP_OK) hear(in.identifier, in.data[0]);
    lamp();
    twai_status_info_t now; twai_get_status_info(&now);
    if (now.state == TWAI_STATE_BUS_OFF) { Serial.println("off"); twai_initiate_recovery(); }
    if (now.state == TWAI_STATE_STOPPED) { Serial.println("back"); twai_start(); }
    if (millis() - sentAt >= 10) { sentAt = millis();
        twai_message_t out = {}; out.identifier = 257; out.data_length_code = 1;
        out.data[0] = counter++; twai_transmit(&out, 0); }
}
"""
)
MESSAGE = (
    "#include <FlexCAN_T4.h>\nFlexCAN_T4<CAN1, RX_SIZE_256, TX_SIZE_16> bus;\n"
    + LAMP_JOB
    + """
void setup() { pinMode(5, OUTPUT); bus.begin(); bus.setBaudRate(250000); }
void loop() {
    CAN_message_t in;
    while (bus.read(in)) hear(in.id, in.buf[0]);
    lamp();
    if (millis() - sentAt >= 10) { sentAt = millis();
        CAN_message_t out; out.id = 257; out.len = 1; out.buf[0] = counter++; bus.write(out); }
}
"""
)
FRAME = (
    "#include <esp32_can.h>\n"
    + LAMP_JOB
    + """
void setup() { pinMode(5, OUTPUT); CAN0.begin(250000); CAN0.watchFor(256); }
void loop() {
    CAN_FRAME in;
    while (CAN0.available()) { CAN0.read(in); hear(in.id, in.data.uint8[0]); }
    lamp();
    if (millis() - sentAt >= 10) { sentAt = millis();
        CAN_FRAME out; out.id = 257; out.extended = false; out.length = 1;
        out.data.uint8[0] = counter++; CAN0.sendFrame(out); }
    delay(1);
}
"""
)
SHAPES = {"twai": TWAI, "message": MESSAGE, "frame": FRAME}


def counter():
    """A node that sends 0, 1, 0, 1 ... every 20 ms."""

    def start(self):
        self.mark = 0
        self.board.every(20 * MS, self.beat)

    def beat(self):
        data = bytes([self.mark])
        self.mark ^= 1
        message = can.Message(arbitration_id=life_car.BEAT, data=data, is_extended_id=False)
        self.board.bus.send(message)

    return life_car.program(start=start, beat=beat)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_lamp_follows_each_message_and_the_life_sign_goes_out(tmp_path, shape):
    ran = life_car.run(sketch(tmp_path, SHAPES[shape]), other=counter(), lasts_ms=200)
    changes = [(at_ms, level) for at_ms, level in ran.load("lamp") if at_ms > 45]
    assert len(changes) >= 7
    gaps = [after[0] - before[0] for before, after in pairwise(changes)]
    assert all(17 < gap < 23 for gap in gaps)
    marks = [data[0] for _, data in ran.answers()]
    assert marks == list(range(len(marks)))
    assert len(marks) >= 15


@pytest.mark.parametrize("shape", SHAPES)
def test_it_comes_back_from_bus_off(tmp_path, shape):
    """The other node sends unheard: 16 attempts with one group of eleven recessive bits, then 56
    error-passive ones with two make 128 groups, in 16 times 64 and 56 times 72 bits of 4 us.
    """
    unit = sketch(tmp_path, SHAPES[shape])
    ran = life_car.run(unit, ("bus_off", 100, 120), other=counter(), lasts_ms=400)
    times = [at_ms for at_ms, _ in ran.answers()]
    assert any(at_ms < 100 for at_ms in times)
    assert not any(100 <= at_ms < 120 for at_ms in times)
    assert times[-1] > 380
    if shape == "twai":
        assert told(ran) == ["off", "back"]


def test_without_a_request_for_recovery_the_driver_stays_off(tmp_path):
    unit = sketch(tmp_path, TWAI.replace("twai_initiate_recovery();", ""))
    ran = life_car.run(unit, ("bus_off", 100, 120), other=counter(), lasts_ms=400)
    assert max(at_ms for at_ms, _ in ran.answers()) < 110


def test_without_a_new_start_the_recovered_driver_stays_stopped(tmp_path):
    unit = sketch(tmp_path, TWAI.replace("twai_start(); }\n    if (m", "}\n    if (m"))
    ran = life_car.run(unit, ("bus_off", 100, 120), other=counter(), lasts_ms=400)
    assert max(at_ms for at_ms, _ in ran.answers()) < 110
    assert told(ran)[:2] == ["off", "back"]


def test_frames_that_nobody_reads_are_counted_as_missed(tmp_path):
    text = TWAI.replace("void loop() {", "void loop() { delay(175);", 1).replace(
        "lamp();", "lamp(); twai_status_info_t seen; twai_get_status_info(&seen);"
        " Serial.println(seen.rx_missed_count);", 1
    )  # fmt: skip
    ran = life_car.run(sketch(tmp_path, text), other=beater(), lasts_ms=215)
    assert told(ran) == ["3"]


CALLS = """#include <driver/twai.h>
void say(int result) { Serial.println(result, HEX); }
void setup() {
    twai_message_t m = {}; m.data_length_code = 1; twai_status_info_t s;
    say(twai_start()); say(twai_transmit(&m, 0)); say(twai_get_status_info(&s));
    twai_general_config_t g = TWAI_GENERAL_CONFIG_DEFAULT(21, 22, TWAI_MODE_NORMAL);
    twai_timing_config_t t = TWAI_TIMING_CONFIG_250KBITS();
    twai_filter_config_t f = TWAI_FILTER_CONFIG_ACCEPT_ALL();
    say(twai_driver_install(&g, &t, &f)); say(twai_driver_install(&g, &t, &f));
    say(twai_transmit(&m, 0)); say(twai_start()); say(twai_initiate_recovery());
    unsigned long t0 = millis(); say(twai_receive(&m, 15)); say(millis() - t0 >= 15);
    say(twai_stop()); say(twai_driver_uninstall());
}
void loop() { delay(1000); }
"""


def test_calls_in_the_wrong_state_say_so(tmp_path):
    ran = life_car.run(sketch(tmp_path, CALLS), other=life_car.program(), lasts_ms=80)
    assert told(ran) == ["103", "103", "103", "0", "103", "103", "0", "103", "107", "1", "0", "0"]


@pytest.mark.parametrize("shape", ["twai", "message"])
def test_another_bit_rate_than_the_bus_is_a_finding(tmp_path, shape):
    text = SHAPES[shape].replace("250KBITS", "500KBITS").replace("250000", "500000")
    ran = life_car.run(sketch(tmp_path, text), lasts_ms=60)
    assert "set to 500000 bit/s, the bus has 250000 bit/s" in crash(ran).text
