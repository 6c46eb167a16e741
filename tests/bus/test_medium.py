"""Delivery, acknowledgement, faults on the bus, bit rate."""

from __future__ import annotations

import pytest

from linkloss.bus.controller import ErrorState
from linkloss.bus.frame import Frame, length_bits
from linkloss.bus.medium import Bus
from linkloss.bus.record import BitError
from linkloss.clock.queue import EventQueue, Priority

FRAME = Frame(0x123, bytes.fromhex("DEADBEEF"))  # 78 bits


def test_a_frame_reaches_all_others_at_its_end_of_frame(bench_of):
    bench = bench_of("a", "b", "c")
    bench["a"].send(FRAME)
    bench.run()
    assert bench["b"].receive() == (78_000, FRAME)
    assert bench["c"].receive() == (78_000, FRAME)
    assert bench["a"].receive() is None
    record = bench.records[0]
    assert (record.start_ns, record.end_ns, record.sender) == (0, 78_000, "a")
    assert (record.receivers, record.error) == (("b", "c"), None)


def test_all_who_ask_at_one_instant_take_part(bench_of):
    bench = bench_of("a", "b", "c")
    bench.queue.at(1000, bench["a"].send, Frame(0x300), priority=Priority.STIMULUS)
    bench.queue.at(1000, bench["b"].send, Frame(0x200), priority=Priority.NODE)
    bench.run()
    assert [record.frame.identifier for record in bench.records] == [0x200, 0x300]
    assert bench.records[0].start_ns == 1000


def test_a_frame_sent_on_reception_takes_part_in_the_next_arbitration(bench_of):
    bench = bench_of("a", "b")
    bench["a"].send(Frame(0x200))
    bench["a"].send(Frame(0x201))
    bench["b"].on_receive = lambda it: it.receive() and it.send(Frame(0x100))
    bench.run(200)
    assert [record.frame.identifier for record in bench.records][:2] == [0x200, 0x100]


def test_listen_only_receives_but_does_not_acknowledge(bench_of):
    bench = bench_of("a")
    listener = bench.add("l", listen_only=True)
    bench["a"].send(FRAME)
    bench.run(200)
    assert set(bench.errors) == {"ack"}
    assert listener.receive() is None
    bench.add("b")
    bench.run()
    bench["a"].send(FRAME)
    bench.run()
    assert listener.receive()[1] == FRAME


def test_a_bus_off_controller_neither_acknowledges_nor_receives(bench_of):
    bench = bench_of("a", "b")
    bench["b"].force_bus_off()
    bench["a"].send(FRAME)
    bench.run(500)
    assert set(bench.errors) == {"ack"}
    assert bench["b"].receive() is None


def test_a_controller_that_its_errors_drove_off_is_no_receiver_any_more(bench_of):
    bench = bench_of("a", "b", "c")
    bench["c"].send(Frame(0x300))
    bench.run()
    bench.bus.disturbances.append(lambda *_: [BitError(40)])
    for name in "ab":
        bench[name].send(FRAME)
        bench.run()
        assert bench[name].state is ErrorState.BUS_OFF
    bench.bus.disturbances.clear()
    bench["c"].send(Frame(0x300))
    bench.run(200)
    assert bench.records[-1].error == "ack"


def test_a_node_switched_off_by_another_ones_reaction_is_not_called(bench_of):
    bench = bench_of("a", "b", "c")
    called = []
    bench["b"].on_receive = lambda _: bench["c"].power_off()
    bench["c"].on_receive = called.append
    bench["a"].send(FRAME)
    bench.run()
    assert called == []
    assert bench["c"].receive() is None


# ---- faults on the bus


def test_a_transform_alters_what_arrives_and_not_what_was_queued(bench_of):
    bench = bench_of("a", "b")
    bench.bus.transforms.append(lambda _, frame: Frame(frame.identifier, b"\x55"))
    sent = []
    bench["a"].on_sent = sent.append
    bench["a"].send(FRAME)
    bench.run()
    assert bench.heard("b") == [Frame(0x123, b"\x55")]
    assert bench.records[0].frame == Frame(0x123, b"\x55")
    assert sent == [FRAME]
    assert bench.records[0].end_ns == 1000 * length_bits(Frame(0x123, b"\x55"))


def test_a_transform_may_not_change_the_identifier(bench_of):
    bench = bench_of("a", "b")
    bench.bus.transforms.append(lambda *_: Frame(0x124))
    bench["a"].send(FRAME)
    with pytest.raises(ValueError, match="not its identifier or kind"):
        bench.run()


def test_a_missed_frame_is_missed_by_one_without_any_error(bench_of):
    bench = bench_of("a", "b", "c")
    bench.bus.misses.append(lambda receiver, _: receiver.name == "b")
    bench["a"].send(FRAME)
    bench.run()
    assert bench.heard("b") == []
    assert bench.heard("c") == [FRAME]
    assert (bench.records[0].receivers, bench.records[0].error) == (("c",), None)


def test_the_first_of_several_disturbances_counts(bench_of):
    bench = bench_of("a", "b")
    bits = iter([([BitError(50)], [BitError(30)]), ([], [])])
    current = []

    def first(*_):
        current[:] = next(bits)
        return current[0]

    bench.bus.disturbances += [first, lambda *_: current[1]]
    bench["a"].send(FRAME)
    bench.run()
    assert bench.errors == ["disturbed", None]
    assert bench.records[0].end_ns == 31_000


def test_a_disturbance_outside_the_frame_is_refused(bench_of):
    bench = bench_of("a", "b")
    bench.bus.disturbances.append(lambda _sender, _frame, length: [BitError(length + 3)])
    bench["a"].send(FRAME)
    with pytest.raises(ValueError, match="intermission have bits 0 to 80, no bit 81"):
        bench.run()


@pytest.mark.parametrize(
    ("k", "receiver", "gap"),
    [
        # bit 40 of the frame stands after a recessive one: the receivers need 5 bits more
        (40, ErrorState.ACTIVE, 40 + 18 + 5),
        # bit 16 stands after four dominant ones: 1 bit more
        (16, ErrorState.ACTIVE, 16 + 18 + 1),
        # in the end of frame all notice at once
        (72, ErrorState.ACTIVE, 72 + 18),
        # an error-passive receiver's flag is recessive and adds nothing
        (40, ErrorState.PASSIVE, 40 + 18),
    ],
)
def test_how_long_the_error_flags_take(bench_of, k, receiver, gap):
    bench = bench_of("a", "b")
    if receiver is ErrorState.PASSIVE:
        bench["b"].tec = 150
        bench["b"].refresh_state()
    hits = iter([[BitError(k)]])
    bench.bus.disturbances.append(lambda *_: next(hits, ()))
    bench["a"].send(FRAME)
    bench.run()
    assert bench.records[1].start_ns == 1000 * gap


# ---- bit rate


def test_a_new_bit_rate_holds_from_the_next_frame_on(bench_of):
    bench = bench_of("a", "b", bit_rate=500_000)
    bench["a"].send(FRAME)
    bench["a"].send(FRAME)
    bench.at(10, setattr, bench.bus, "bit_rate", 250_000)
    bench.run()
    assert bench.bus.bit_rate == 250_000
    assert [(r.start_ns, r.end_ns) for r in bench.records] == [
        (0, 156_000),
        (162_000, 162_000 + 312_000),
    ]


@pytest.mark.parametrize("bit_rate", [0, -5, 1.5])
def test_an_impossible_bit_rate_is_refused(bit_rate):
    with pytest.raises(ValueError, match="whole number of bits per second, not"):
        Bus(EventQueue(), bit_rate)


def test_who_came_in_the_midst_of_a_frame_and_has_something_to_send_waits_for_its_end(bench_of):
    bench = bench_of("a", "b", "c")
    bench["c"].power_off()
    bench["a"].send(Frame(0x100, b"12345678"))
    bench.at(20, bench["c"].power_on)
    bench.at(21, lambda: bench["c"].send(Frame(0x200)))
    bench.at(40, bench["a"].power_off)  # from here on bit by bit, c's bits up to now as well
    bench.run(400)
    assert [(r.sender, r.error) for r in bench.records] == [("a", "broken_off"), ("c", None)]
    assert bench.heard("b") == [Frame(0x200)]
