"""``linkloss feel`` through a serial line: the sketch runs as a process of its own, on real time.

Nothing here asserts how late the machine is.
"""

from __future__ import annotations

import threading

import pytest
from desk_car import IO, desk_text
from real_lab import DRIVEN, RELAY, desk

from linkloss.cli import main
from linkloss.clock.wallclock import wait_seconds
from linkloss.desk.board_link import BoardLink
from linkloss.desk.watching_lines import dated

pytestmark = pytest.mark.slow


def test_what_is_felt_is_shown_and_nothing_is_driven(tmp_path, capsys):
    path = tmp_path / "vehicle.toml"
    path.write_text(desk_text(), encoding="utf-8")
    with desk() as there:
        over = threading.Event()

        def blink():
            while not over.wait(0.2):
                there.loom[1] = 255 - there.loom[1]

        hand = threading.Thread(target=blink)
        hand.start()
        try:
            assert main(["feel", str(path), "rear", "--io", there.io, "--lasts", "3 s"]) == 0
        finally:
            over.set()
            hand.join()
        assert not any(there.loom[wire] for wire in range(DRIVEN, RELAY + 6))
    told = capsys.readouterr().out
    flat = " ".join(told.split())
    assert flat.index("current is limited") < flat.index("now tail_left: off")
    assert "brake_lamps: on" in flat
    assert "+/-" in flat


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["rear", "--io", "/dev/there_is_none"], "there is no '/dev/there_is_none'"),
        (["rear", "--io", "/dev/null"], "/dev/null is no serial line"),
        (["front", "--io", "/dev/null"], "says nothing of how 'front' is wired"),
        (["raer", "--io", "/dev/null"], "did you mean 'rear'?"),
    ],
)
def test_what_cannot_be_meant_is_told(tmp_path, capsys, more, said):
    path = tmp_path / "vehicle.toml"
    path.write_text(desk_text(), encoding="utf-8")
    assert main(["feel", str(path), *more]) == 2
    assert said in capsys.readouterr().err


def test_another_board_than_the_file_says_is_refused(tmp_path, capsys):
    path = tmp_path / "vehicle.toml"
    path.write_text(desk_text(io=IO.replace("[io.rear]", '[io.rear]\nboard = "70 pins"', 1)))
    with desk() as there:
        assert main(["feel", str(path), "rear", "--io", there.io]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "a board of 70 pins has 16 digital, 8 analogue" in told


@pytest.mark.parametrize("rate", [0.99, 1.01])
def test_an_edge_on_a_wire_lies_in_the_span_that_the_bench_gives_it(rate):
    with desk(rate) as there, BoardLink(there.io) as link:
        true = []
        for number in range(40):
            wait_seconds(0.03)
            before_ns = link.now_ns()
            there.loom[0] = 255 if number % 2 == 0 else 0
            true.append((before_ns, link.now_ns()))
        wait_seconds(0.3)
        felt, doubts = link.take()
        assert len(felt) == len(true) or doubts
        spans = [dated(link, one) for one in felt]
        if not doubts:
            for (before_ns, after_ns), span in zip(true, spans, strict=True):
                assert span.from_ns <= after_ns
                assert span.to_ns >= before_ns


def test_whoever_goes_leaves_every_relay_at_rest():
    with desk() as there:
        with BoardLink(there.io) as link:
            orders = [link.with_board(lambda board, n=n: board.relay(n, 1)) for n in range(3)]
            assert link.wait(lambda _: all(order.over for order in orders), 5)
            assert [there.loom[RELAY + n] for n in range(3)] == [255] * 3
        for _ in range(100):
            wait_seconds(0.05)
            if not any(there.loom[RELAY + n] for n in range(3)):
                return
        pytest.fail("the relays are energised 5 s after the bench has gone")
