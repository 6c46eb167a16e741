"""The sketch of the I/O board on virtual time: it rests when it must, and tells each edge."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from sketch_lab import A0, DIGITAL, DRIVES, MS, RELAYS, SKETCH, Line, VirtualBoard

from linkloss.desk.line_protocol import BoardLine, LineReader, written

OUTPUTS = (*DRIVES, *RELAYS)
CORE = Path("/usr/share/arduino/hardware/arduino/avr")


def outputs(line):
    return [line.board.output(pin) for pin in OUTPUTS]


def energised():
    """A board with every relay and every line energised."""
    line = Line()
    line.settle()
    orders = [line.host.drive(n, 1) for n in range(4)] + [line.host.relay(n, 1) for n in range(3)]
    line.run(300)
    assert all(order.done_us is not None for order in orders)
    assert outputs(line) == [1] * 7
    return line


def test_nothing_is_energised_from_power_up_on_until_it_is_asked_for():
    board = VirtualBoard()
    for at_us in range(0, 400_000, 500):
        board.run(at_us)
        assert not any(board.output(pin) for pin in OUTPUTS)


def test_a_lost_heartbeat_leaves_every_relay_and_line_at_rest_within_its_time():
    line = energised()
    line.cut = True
    cut_ns = line.now_ns
    while any(outputs(line)):
        line.step()
        assert line.now_ns - cut_ns < 1060 * MS, "a beat every 40 ms, rest 1 s after the last"
    assert line.now_ns - cut_ns > 900 * MS
    line.run(2000)
    assert outputs(line) == [0] * 7


def test_after_a_lost_heartbeat_nothing_comes_back_by_itself_and_the_bench_knows():
    line = energised()
    line.cut = True
    line.run(1200)
    line.cut = False
    line.run(600)
    assert outputs(line) == [0] * 7
    assert any("missed the heartbeat" in doubt.why for doubt in line.host.doubts)


def test_lines_without_a_heartbeat_energise_nothing():
    board = VirtualBoard()
    board.run(100_000)
    for number, (word, count) in enumerate([("D", 4), ("R", 3)]):
        for which in range(count):
            order = BoardLine(16 * number + which, word, (f"{which:02X}", "1"))
            board.receive(written(order))
            board.run(board.now_us() + 20_000)
    assert not any(board.output(pin) for pin in OUTPUTS)
    answers = [line.word for line in LineReader().feed(board.sent())]
    assert answers.count("N") == 7


def test_damaged_lines_and_noise_do_nothing():
    line = Line()
    line.settle()
    good = written(BoardLine(77, "R", ("00", "1")))
    for spoilt in (
        good.replace(b"R 00", b"R 01"),
        good[1:],
        good[:-3] + b"\n",
        b"$" * 90,
        b"\xff" * 90,
    ):
        line.board.receive(spoilt[:60])
        line.run(60)
    assert outputs(line) == [0] * 7
    line.board.receive(good)
    line.run(30)
    assert line.board.output(RELAYS[0])


def test_a_command_that_comes_twice_is_carried_out_once():
    board = VirtualBoard()
    board.run(1000)
    for text in (BoardLine(1, "T"), BoardLine(2, "R", ("01", "1")), BoardLine(2, "R", ("01", "1"))):
        board.receive(written(text))
        board.run(board.now_us() + 30_000)
    answers = [line for line in LineReader().feed(board.sent()) if line.word == "A"]
    assert len(answers) == 3
    assert answers[1].fields == answers[2].fields, "the answer tells the first instant again"


def test_edges_are_dated_to_a_fifth_of_a_millisecond_at_200_a_second():
    line = Line()
    line.settle()
    true_us: list[int] = []
    for number in range(100):
        line.run(4 if number % 2 else 6)  # 200 edges a second on six lines together
        pin = DIGITAL[number % 6]
        line.board.input(pin, 1 - number // 6 % 2)
        true_us.append(line.board.now_us())
    line.run(60)
    edges = list(line.host.take_felt())
    assert [edge.line for edge in edges] == [number % 6 for number in range(100)]
    for at_us, edge in zip(true_us, edges, strict=True):
        assert edge.board_us - edge.since_us <= at_us <= edge.board_us
        assert edge.since_us <= 200
    assert not line.host.doubts
    assert not line.board.overrun


def test_more_edges_than_it_can_tell_are_told_as_a_duty():
    line = Line()
    line.settle()
    for _ in range(500):  # 250 Hz, three quarters high
        line.board.input(DIGITAL[2], 1)
        line.run(3)
        line.board.input(DIGITAL[2], 0)
        line.run(1)
    line.run(200)
    felt = list(line.host.take_felt())
    duties = [one.duty for one in felt if one.duty is not None]
    assert len(duties) > 30
    assert all(abs(duty - 0.75) < 0.03 for duty in duties[1:-2])
    assert felt[-1].duty is None
    assert felt[-1].level == 0
    assert not line.host.doubts


def test_an_analogue_line_has_two_thresholds():
    line = Line()
    line.settle()
    line.host.thresholds(1, 200, 300)
    for value in (0, 290, 310, 290, 210, 190, 290, 310):
        line.board.analog(A0 + 1, value)
        line.run(40)
    assert [(one.line, one.level) for one in line.host.take_felt()] == [(7, 1), (7, 0), (7, 1)]


def test_its_counter_may_roll_over():
    line = Line(began_us=(1 << 32) - 1_500_000)
    line.settle()
    order = line.host.relay(0, 1)
    line.run(2500)
    assert order.done_us is not None
    assert line.board.output(RELAYS[0]), "the heartbeat is there across the roll-over"
    assert not line.host.doubts


def test_the_larger_board_has_more_lines_by_its_definition_alone():
    line = Line(options=("-DIO_BOARD_LARGE",))
    line.settle()
    there = line.host.equipment
    assert there is not None
    assert (there.digital, there.analog, there.drives, there.relays) == (16, 8, 12, 6)


@pytest.mark.parametrize(
    ("chip", "variant", "memory"), [("atmega328p", "standard", 2048), ("atmega2560", "mega", 8192)]
)
def test_it_compiles_for_the_real_chips_and_fits(tmp_path, chip, variant, memory):
    compiler, measure = shutil.which("avr-g++"), shutil.which("avr-size")
    if compiler is None or measure is None or not CORE.is_dir():
        pytest.skip("needs the packages gcc-avr and arduino-core-avr")
    made = tmp_path / "io_board.o"
    where = ("-I", str(CORE / "cores/arduino"), "-I", str(CORE / "variants" / variant))
    options = (f"-mmcu={chip}", "-DF_CPU=16000000L", "-DARDUINO=10819", "-DARDUINO_ARCH_AVR")
    subprocess.run(
        [compiler, "-x", "c++", "-std=gnu++11", "-Os", "-Wall", "-Wextra", "-Werror", *options,
         *where, "-c", str(SKETCH / "io_board.ino"), "-o", str(made)],
        check=True,
    )  # fmt: skip
    sizes = subprocess.run([measure, str(made)], check=True, capture_output=True, text=True).stdout
    _, data, bss, *_ = map(int, sizes.splitlines()[1].split()[:3])
    assert data + bss < memory - 600, "the core's serial line and the stack need the rest"
