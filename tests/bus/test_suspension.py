"""Suspend transmission: an error-passive sender waits eight bits more than the others."""

from __future__ import annotations

import pytest

from linkloss.bus.frame import Frame
from linkloss.bus.record import BitError

FRAME = Frame(0x123, bytes.fromhex("DEADBEEF"))  # 78 bits
IDLE_BITS, FREE_BITS = 81, 89
"""Its intermission is over, and the suspension of its sender."""


def passive(bench, *names):
    for name in names:
        bench[name].tec = 200
        bench[name].refresh_state()


def two_pieces(bench_of):
    """a and b, both error-passive, send on pieces of the cable of their own, b three bits earlier;
    each has another frame waiting.
    """
    bench = bench_of("a", "x", "y", "b")
    passive(bench, "a", "b")
    bench.bus.cut("x", "y")
    for start, name, waiting in [(0, "b", 0x400), (3, "a", 0x300)]:
        bench.at(start, bench[name].send, FRAME)
        bench.at(start, bench[name].send, Frame(waiting))
    return bench


@pytest.mark.parametrize("followed", [False, True])
def test_each_passive_sender_waits_for_the_end_of_its_own_suspension(bench_of, followed):
    bench = two_pieces(bench_of)

    def join():
        bench.bus.mend("x", "y")
        if followed:
            bench.bus.segments[0].follow()

    bench.at(IDLE_BITS + 5, join)
    bench.run(400)
    first, second = bench.records[2:]
    assert (first.sender, first.start_ns) == ("b", FREE_BITS * 1_000)
    assert (second.sender, second.start_ns) == ("a", first.end_ns + 3_000)


def test_who_follows_bit_by_bit_hands_back_what_is_left_of_each_suspension(bench_of):
    bench = two_pieces(bench_of)
    bench.at(IDLE_BITS + 5, bench.bus.mend, "x", "y")

    def follow():
        bench.bus.segments[0].follow()

    bench.at(IDLE_BITS + 5, follow)
    bench.run(IDLE_BITS + 7)
    left = {who.name: until for who, until in bench.bus.segments[0].suspended.items()}
    assert left == {"a": (FREE_BITS + 3) * 1_000, "b": FREE_BITS * 1_000}


def test_all_senders_of_the_last_frame_count_as_such_when_joined_to_a_live_one(bench_of):
    """A dominant third bit of the intermission is somebody's start of frame: who has to wait as an
    error-passive sender does not join in.
    """
    bench = bench_of("x", "a", "b", "c", "d")
    passive(bench, "a", "b")
    bench.bus.cut("b", "c")
    for name in "ab":
        bench[name].send(FRAME)
        bench[name].send(Frame(0x300 + ord(name)))
    bench.at(70, bench["c"].send, Frame(0x555))  # dominant at 80
    bench.at(IDLE_BITS - 1, bench.bus.mend, "b", "c")
    bench.run(400)
    assert (bench.records[0].sender, bench.records[0].rivals) == ("a", ("b",))
    assert IDLE_BITS - 1 not in [record.start_ns // 1_000 for record in bench.records]


def test_a_piece_that_changes_twice_in_one_intermission_goes_on_bit_by_bit(bench_of):
    bench = bench_of("x", "a", "b", "c", "d")
    passive(bench, "a")
    bench.bus.cut("b", "c")
    bench["a"].send(FRAME)
    bench["a"].send(Frame(0x300))
    bench.bus.disturbances.append(lambda sender, *_: [BitError(3)] if sender.name == "c" else [])
    bench.at(70, bench["c"].send, Frame(0x555))  # flags from bit 74 on, idle at bit 91
    bench.at(79, bench.bus.unplug, "x")
    bench.at(80, bench.bus.mend, "b", "c")
    bench.run(IDLE_BITS + 20)
    assert bench.records
