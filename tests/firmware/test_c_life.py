"""Lives of a program in C: time, pins, interrupts, the bus, hangs, resets that leave nothing."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest
from c_life import firmware, printed
from life_car import ANSWER, Ran, run, scenario

from linkloss.firmware.answers import ANSWERS, interface
from linkloss.firmware.program import _BITTEN, _CRASHED, _WAIT
from linkloss.session import Session
from linkloss_nodes import MS


def test_the_numbers_of_the_requests_are_those_of_the_header():
    numbers = interface().typeof("enum request").relements
    named = {name.removeprefix("ASK_").lower(): number for name, number in numbers.items()}
    answered = {number: answer.__name__ for number, answer in ANSWERS.items()}
    apart = {"nothing": 0, "wait": _WAIT, "crashed": _CRASHED, "bite": _BITTEN}
    assert {name: number for number, name in answered.items()} | apart == named


LOOP = "void loop(void) { board_delay_ms(10); }\n"


def test_a_delay_lets_others_run_and_ends_in_time(tmp_path):
    unit = firmware(
        tmp_path,
        "void setup(void) { board_pin_mode(LAMP, BOARD_OUTPUT); }\n"
        "void loop(void) { board_pin_write(LAMP, 1); board_delay_ms(50);\n"
        "                  board_pin_write(LAMP, 0); board_delay_ms(50); }\n",
    )
    ran = run(unit, lasts_ms=200)
    edges = [at_ms for at_ms, _ in ran.load("lamp")]
    assert edges[1:4] == pytest.approx([20, 70, 120], abs=0.1)
    assert ran.beats() == [30, 80, 130, 180]


def test_a_loop_that_polls_the_clock_passes_time_and_misses_no_edge(tmp_path):
    unit = firmware(
        tmp_path,
        "void setup(void) { board_pin_mode(LAMP, BOARD_OUTPUT); }\n"
        "void loop(void) { uint32_t t0 = board_ms(); while (board_ms() - t0 < 30) ;\n"
        "                  board_pin_write(LAMP, board_pin_read(SWITCH)); }\n",
    )
    ran = run(unit, switch=((105, "on"),), lasts_ms=200)
    (on_ms,) = [at_ms for at_ms, level in ran.load("lamp") if level]
    assert 105 < on_ms <= 136


def test_a_call_costs_what_the_vehicle_says(tmp_path):
    text = (
        "void setup(void) { uint32_t t0 = board_us(); for (int i = 0; i < 99; i++) board_ms();\n"
        '    printf("%u", (unsigned)(board_us() - t0)); board_print("\\n"); }\n' + LOOP
    )
    fast = run(firmware(tmp_path, text, call_ns=1_000))
    slow = run(firmware(tmp_path, text, call_ns=50_000))
    assert printed(fast) == ["100"]
    assert printed(slow) == ["5000"]


def test_the_clock_rolls_over_where_it_was_told_to_start(tmp_path):
    text = (
        "void setup(void) { uint32_t t0 = board_ms(); board_delay_ms(5);\n"
        "    uint32_t t1 = board_ms();\n"
        '    printf("%d %u\\n", t1 < t0, (unsigned)(t1 - t0)); }\n' + LOOP
    )
    unit = firmware(tmp_path, text, clock_start_ns=(2**32 - 3) * 1_000_000)
    ran = run(unit, ("reset", 50, None), lasts_ms=150)
    assert printed(ran) == ["1 5", "0 5"]  # after a reset it begins at 0, as real ones do


def test_a_pin_floats_until_it_is_an_output_and_again_after_a_reset(tmp_path):
    unit = firmware(
        tmp_path,
        "void setup(void) { board_delay_ms(10); board_pin_write(HEATER, 0);\n"
        "    board_pin_mode(HEATER, BOARD_OUTPUT); }\n" + LOOP,
    )
    ran = run(unit, ("reset", 100, None), lasts_ms=200)
    levels = ran.load("heater")
    assert [level for _, level in levels] == [1, 0, 1, 0]  # the hardware's default is on
    assert [at_ms for at_ms, _ in levels] == pytest.approx([0, 30, 100, 130], abs=0.1)


def test_an_edge_interrupts_a_delay_and_the_delay_still_ends_in_time(tmp_path):
    unit = firmware(
        tmp_path,
        "static void edge(void) { board_pin_write(LAMP, board_pin_read(SWITCH)); }\n"
        "void setup(void) { board_pin_mode(LAMP, BOARD_OUTPUT); board_pin_mode(HEATER, 2);\n"
        "    board_on_pin(SWITCH, BOARD_CHANGE, edge); board_delay_ms(80);\n"
        "    board_pin_write(HEATER, 1); }\n" + LOOP,
    )
    ran = run(unit, switch=((50, "on"), (60, "off"), (70, "on")), lasts_ms=150)
    assert [at_ms for at_ms, _ in ran.load("lamp")[1:]] == pytest.approx([50, 60, 70], abs=0.01)
    assert ran.load("heater")[-1][0] == pytest.approx(100, abs=0.1)


def test_an_edge_that_comes_while_interrupts_are_off_is_handled_afterwards(tmp_path):
    unit = firmware(
        tmp_path,
        "static void edge(void) { board_pin_write(LAMP, 1); }\n"
        "void setup(void) { board_pin_mode(LAMP, BOARD_OUTPUT);\n"
        "    board_on_pin(SWITCH, BOARD_RISING, edge); board_interrupts(false);\n"
        "    board_delay_ms(80); board_interrupts(true); }\n" + LOOP,
    )
    ran = run(unit, switch=((50, "on"),), lasts_ms=150)
    assert ran.load("lamp")[-1][0] == pytest.approx(100, abs=0.1)


RECEIVER = (
    "static struct board_frame got; static int n;\n"
    "static void on_frame(void) { while (board_can_receive(&got)) n++; }\n"
)


def test_frames_arrive_in_the_fifo_and_by_interrupt_alike(tmp_path):
    polled = firmware(
        tmp_path,
        RECEIVER + "void setup(void) {}\nvoid loop(void) { on_frame(); board_delay_ms(5);\n"
        '    if (n == 5) printf("%x %d\\n", (unsigned)got.id, got.length); }\n',
    )
    ran = run(polled, lasts_ms=300)
    called = firmware(
        tmp_path,
        RECEIVER + "void setup(void) { board_on_can(BOARD_CAN_RECEIVED, on_frame); }\n"
        "void loop(void) { board_wait_for_interrupt();\n"
        '    if (n == 5) printf("%x %d\\n", (unsigned)got.id, got.length); }\n',
    )
    assert printed(ran)[0] == printed(run(called, lasts_ms=300))[0]
    assert printed(ran)[0].startswith("100 ")


def test_a_filter_keeps_others_out(tmp_path):
    unit = firmware(
        tmp_path,
        RECEIVER + "void setup(void) { board_can_filter(0x101, 0x7FF, false); }\n"
        'void loop(void) { on_frame(); board_delay_ms(50); printf("%d\\n", n); }\n',
    )
    assert set(printed(run(unit, lasts_ms=300))) == {"0"}


def test_a_slow_loop_misses_frames_and_can_know_it(tmp_path):
    text = (
        "void setup(void) {}\n"
        "void loop(void) { board_delay_ms(3900); struct board_can_status s; board_can_status(&s);\n"
        '    printf("%u %u\\n", s.waiting, (unsigned)s.overruns); }\n'
    )
    lines = printed(run(firmware(tmp_path, text), lasts_ms=4000))
    waiting, overruns = map(int, lines[0].split())
    assert waiting == 64  # what the FIFO holds
    assert overruns == 78 - 64


def test_what_it_sends_goes_over_the_bus(tmp_path):
    text = (
        f"void setup(void) {{ struct board_frame f = {{.id = {ANSWER}, .length = 3, "
        ".data = {1, 2, 3}};\n"
        '    printf("%d ", board_can_send(&f)); f.length = 9;\n'
        '    printf("%d\\n", board_can_send(&f)); }\n' + LOOP
    )
    ran = run(firmware(tmp_path, text))
    assert [data for _, data in ran.answers()] == [b"\x01\x02\x03"]
    assert printed(ran) == ["0 4"]


def test_bus_off_is_seen_and_recovery_asked_for(tmp_path):
    text = (
        "static void changed(void) { struct board_can_status s; board_can_status(&s);\n"
        '    printf("%d\\n", s.state); if (s.state == BOARD_CAN_BUS_OFF) board_can_recover(); }\n'
        "void setup(void) { board_on_can(BOARD_CAN_STATE, changed); }\n" + LOOP
    )
    ran = run(firmware(tmp_path, text), ("bus_off", 100, None), lasts_ms=300)
    assert printed(ran) == ["2", "0"]


def test_a_hang_stops_the_program_and_not_its_interrupts(tmp_path):
    unit = firmware(
        tmp_path,
        "static int ticks; static void tick(void) { board_pwm_write(LAMP, ++ticks); }\n"
        "void setup(void) { board_pin_mode(LAMP, BOARD_OUTPUT); board_pin_mode(HEATER, 2);\n"
        "    board_on_timer(10000, tick); }\n"
        "void loop(void) { board_pin_write(HEATER, 1); board_delay_ms(5);\n"
        "    board_pin_write(HEATER, 0); board_delay_ms(5); }\n",
    )
    ran = run(unit, ("hang", 100, 200), lasts_ms=300)
    heater = [at_ms for at_ms, _ in ran.load("heater") if at_ms > 20]
    assert not [at_ms for at_ms in heater if 100 <= at_ms < 200]
    assert [at_ms for at_ms in heater if at_ms >= 200]
    assert len([at_ms for at_ms, _ in ran.load("lamp") if 100 <= at_ms < 200]) == 10


def test_a_watchdog_that_is_not_fed_resets_the_board(tmp_path):
    unit = firmware(
        tmp_path,
        'void setup(void) { printf("%d\\n", board_reset_cause()); board_watchdog_start(40); }\n'
        "void loop(void) { if (board_ms() < 60) board_watchdog_feed(); board_delay_ms(1); }\n",
    )
    ran = run(unit, lasts_ms=200)
    assert printed(ran)[:2] == ["0", "2"]
    assert ran.states()[2] == (pytest.approx(120, abs=1.5), "reset", "watchdog")


def test_memory_outlives_a_reset_and_nothing_else_does(tmp_path):
    unit = firmware(
        tmp_path,
        "static int n = 7; static char *kept;\n"
        "void setup(void) { uint8_t starts; board_memory_read(3, &starts, 1); starts++;\n"
        '    board_memory_write(3, &starts, 1); printf("%d %d %d\\n", starts, n++, kept == NULL);\n'
        "    kept = malloc(100); board_delay_ms(20); board_restart(); }\n" + LOOP,
    )
    lines = printed(run(unit, lasts_ms=300))
    assert lines[:4] == ["0 7 1", "1 7 1", "2 7 1", "3 7 1"]


def test_constructors_run_at_every_reset(tmp_path):
    unit = firmware(
        tmp_path,
        "#include <string>\nstatic std::string text = std::string(40, 'a') + std::to_string(1);\n"
        'void setup() { text += "b"; puts(text.c_str()); board_delay_ms(20); board_restart(); }\n'
        "void loop() {}\n",
        cpp=True,
    )
    lines = printed(run(unit, lasts_ms=200))
    assert len(lines) > 3
    assert set(lines) == {"a" * 40 + "1b"}


def test_two_nodes_of_one_firmware_share_nothing(tmp_path):
    text = (
        "static int n;\n"
        "void setup(void) {}\nvoid loop(void) { board_delay_ms(20);\n"
        '    printf("%d %d\\n", ++n, rand()); }\n'
    )
    unit = firmware(tmp_path, text, inputs=(), outputs=())
    ran = run(unit, other=unit, lasts_ms=200)
    by_node = {"unit": [], "other": []}
    for entry in ran.recording.prints:
        by_node[entry.node].append(entry.text)
    assert by_node["unit"] == by_node["other"]
    assert [line.partition(" ")[0] for line in by_node["unit"]] == [*"12345678"]


def resident_kib() -> int:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") // 1024


def test_a_thousand_resets_leak_nothing(tmp_path):
    unit = firmware(
        tmp_path,
        "void setup(void) { memset(malloc(50000), 1, 50000); board_delay_us(100);\n"
        "    board_restart(); }\n" + LOOP,
    )
    run(unit, lasts_ms=2_100)  # whatever is allocated once is there
    before = resident_kib(), len(list(Path("/proc/self/map_files").iterdir()))
    ran = run(unit, lasts_ms=21_000)
    assert len(ran.states()) > 2_000
    after = resident_kib(), len(list(Path("/proc/self/map_files").iterdir()))
    assert after[1] - before[1] < 10
    grown = after[0] - before[0]
    assert grown < 20_000  # the recording itself; the heaps alone would be 50,000


def test_a_full_serial_buffer_makes_the_program_wait(tmp_path):
    text = (
        "void setup(void) { board_serial_begin(9600); uint32_t t0 = board_ms();\n"
        '    for (int i = 0; i < 10; i++) puts("0123456789012345678901234567890");\n'
        '    printf("%u\\n", (unsigned)(board_ms() - t0)); }\n' + LOOP
    )
    took_ms = int(printed(run(firmware(tmp_path, text), lasts_ms=600))[-1])
    assert took_ms == pytest.approx((320 - 64) * 10 / 9.6, abs=3)  # all but what the buffer holds


def test_a_long_has_32_bits_and_prints_as_such(tmp_path):
    text = (
        "void setup(void) { unsigned long a = 4294967290UL, b = a + 10; long c = -3L;\n"
        '    printf("%lu %ld %d %lld\\n", b, c, (int)sizeof(long), (long long)1 << 40); }\n' + LOOP
    )
    assert printed(run(firmware(tmp_path, text))) == ["4 -3 4 1099511627776"]
    assert printed(run(firmware(tmp_path, text, long_bits=64)))[0].startswith("4294967300 -3 8")


def clocked(unit, *faults, clock_ns=0, ppm=0.0, **rest):
    """Run the car with the scenario's clock for the unit."""
    told = replace(scenario(unit, *faults, **rest), clocks={"unit": clock_ns}, drifts={"unit": ppm})
    session = Session(told)
    return Ran(session, session.run())


@pytest.mark.parametrize("bits", [16, 32])
def test_the_clock_begins_where_the_scenario_says_at_each_reset(tmp_path, bits):
    text = (
        f"void setup(void) {{ uint{bits}_t t0 = board_ms(); board_delay_ms(5);\n"
        f"    uint{bits}_t t1 = board_ms(), gone = t1 - t0;\n"
        '    printf("%d %u\\n", t1 < t0, (unsigned)gone); }\n' + LOOP
    )
    unit = firmware(tmp_path, text)
    ran = clocked(unit, ("reset", 50, None), clock_ns=(2**bits - 3) * MS, lasts_ms=150)
    assert printed(ran) == ["1 5", "1 5"]


def test_microseconds_roll_over_after_71_minutes(tmp_path):
    text = (
        "void setup(void) { uint32_t t0 = board_us(); board_delay_us(700);\n"
        '    printf("%d\\n", board_us() < t0); }\n' + LOOP
    )
    over = firmware(tmp_path, text)
    assert printed(clocked(over, clock_ns=(2**32 - 500) * 1000)) == ["1"]
    assert printed(clocked(over, clock_ns=(2**32 - 5000) * 1000)) == ["0"]


def test_delays_the_hardware_timer_and_the_clock_drift_together(tmp_path):
    text = (
        "static int turns;\n"
        "static void tick(void) { if (++turns == 100) board_pin_write(HEATER, 1); }\n"
        "void setup(void) { board_pin_mode(LAMP, BOARD_OUTPUT); board_pin_mode(HEATER, 2);\n"
        "    uint32_t t0 = board_us(); board_on_timer(1000, tick); board_delay_ms(200);\n"
        "    board_pin_write(LAMP, 1);\n"
        '    printf("%u\\n", (unsigned)((board_us() - t0 + 50) / 100)); }\n' + LOOP
    )
    unit = firmware(tmp_path, text)
    for ppm in (0.0, 10_000.0, -10_000.0):
        ran = clocked(unit, ppm=ppm, lasts_ms=400)
        rate = 1 + ppm / 1e6
        assert ran.load("lamp")[-1][0] == pytest.approx(20 + 200 / rate, abs=0.05)
        assert ran.load("heater")[-1][0] == pytest.approx(20 + 100 / rate, abs=0.05)
        assert printed(ran) == ["2000"]
