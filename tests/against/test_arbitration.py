"""Who wins the bus, against Bosch CAN Specification 2.0, part B section 3.1.1, and part A
section 2 ("multimaster", "arbitration"): no frame is destroyed and no error is counted.

The order of base remote and extended data frames was also seen on an open hardware CAN controller
core in simulation.
"""

from __future__ import annotations

import itertools

import pytest

from linkloss.bus.controller import Controller
from linkloss.bus.frame import Frame, arbitration_word, length_bits
from linkloss.bus.medium import Bus
from linkloss.clock.queue import EventQueue


def order_on_the_bus(frames):
    """Each frame queued by a controller of its own at the same instant."""
    queue = EventQueue()
    bus = Bus(queue, 500_000)
    records = []
    bus.observers.append(records.append)
    controllers = [Controller(f"node {number}") for number in range(len(frames))]
    for controller in controllers:
        bus.attach(controller)
    for controller, frame in zip(controllers, frames, strict=True):
        controller.send(frame)
    queue.run_until(10**8)
    assert all(record.error is None for record in records)
    assert all(controller.tec == controller.rec == 0 for controller in controllers)
    return [record.frame for record in records], records


BASE, EXTENDED = 0x123, 0x123 << 18


@pytest.mark.parametrize(
    ("winner", "loser"),
    [
        (Frame(0x001), Frame(0x700)),
        (Frame(BASE, b"\xff"), Frame(BASE, remote=True)),
        (Frame(EXTENDED, b"\xff", extended=True), Frame(EXTENDED, extended=True, remote=True)),
        (Frame(BASE), Frame(EXTENDED, extended=True)),
        (Frame(BASE, remote=True), Frame(EXTENDED, extended=True)),
        (Frame(EXTENDED - 1, extended=True), Frame(BASE)),
        (Frame(0x122), Frame(EXTENDED, extended=True)),
        (Frame(EXTENDED, extended=True), Frame(EXTENDED + 1, extended=True)),
    ],
    ids=str,
)
@pytest.mark.parametrize("turned", [False, True], ids=["first", "second"])
def test_the_dominant_one_wins_whoever_asks_first(winner, loser, turned):
    frames, _ = order_on_the_bus([loser, winner] if turned else [winner, loser])
    assert frames == [winner, loser]


def test_all_kinds_come_in_the_order_of_their_arbitration_words():
    kinds = [
        Frame(BASE, b"\x01"),
        Frame(BASE, remote=True),
        Frame(EXTENDED, extended=True),
        Frame(EXTENDED, extended=True, remote=True),
    ]
    assert sorted(kinds, key=arbitration_word) == kinds
    for offered in itertools.permutations(kinds):
        assert order_on_the_bus(list(offered))[0] == kinds


def test_losers_start_after_the_winners_intermission():
    _, records = order_on_the_bus([Frame(0x300), Frame(0x100), Frame(0x200)])
    for earlier, later in itertools.pairwise(records):
        assert later.start_ns - earlier.start_ns == 2_000 * (length_bits(earlier.frame) + 3)


def test_a_lower_identifier_does_not_break_into_a_frame_on_the_bus():
    queue = EventQueue()
    bus = Bus(queue, 500_000)
    low, high = Controller("low"), Controller("high")
    bus.attach(low)
    bus.attach(high)
    records = []
    bus.observers.append(records.append)
    low.send(Frame(0x700, bytes(8)))
    queue.at(10_000, high.send, Frame(0x001))
    queue.run_until(10**8)
    assert [record.frame.identifier for record in records] == [0x700, 0x001]
