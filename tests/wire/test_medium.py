"""Delivery, cuts, stubs, power, faults on the wire."""

from __future__ import annotations

import pytest

from bench.clock.queue import EventQueue, Priority
from bench.wire.controller import Controller, ErrorState
from bench.wire.frame import Frame, length_bits
from bench.wire.medium import Wire

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
    assert listener.receive()[1] == FRAME


def test_a_bus_off_controller_neither_acknowledges_nor_receives(bench_of):
    bench = bench_of("a", "b")
    bench["b"].force_bus_off()
    bench["a"].send(FRAME)
    bench.run(500)
    assert set(bench.errors) == {"ack"}
    assert bench["b"].receive() is None


# ---- segments


def test_a_cut_makes_two_live_buses_at_the_same_time(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench.wire.cut("b", "c")
    bench["a"].send(FRAME)
    bench["d"].send(FRAME)
    bench.run()
    assert [(r.sender, r.receivers, r.start_ns) for r in bench.records] == [
        ("a", ("b",), 0),
        ("d", ("c",), 0),
    ]


def test_several_cuts_and_one_mended(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench.wire.cut("a", "b")
    bench.wire.cut("c", "d")
    assert [len(segment.members) for segment in bench.wire.segments] == [1, 2, 1]
    bench.wire.mend("a", "b")
    bench["a"].send(FRAME)
    bench.run()
    assert bench.records[0].receivers == ("b", "c")


def test_only_neighbours_can_be_cut(bench_of):
    bench = bench_of("a", "b", "c")
    with pytest.raises(ValueError, match=r"'a' and 'c' are not neighbours.*it has a, b, c"):
        bench.wire.cut("a", "c")
    with pytest.raises(ValueError, match="no controller 'x' on the wire; it has a, b, c"):
        bench.wire.mend("a", "x")


def test_a_controller_beside_another_shares_its_place(bench_of):
    bench = bench_of("a", "b")
    tap = Controller("tap")
    bench.wire.attach(tap, beside="a")
    assert [controller.name for controller in bench.wire.controllers] == ["a", "tap", "b"]
    bench.wire.cut("tap", "b")
    bench["a"].send(FRAME)
    bench.run()
    assert bench.records[0].receivers == ("tap",)
    with pytest.raises(ValueError, match="not neighbours"):
        bench.wire.cut("a", "tap")


def test_an_unplugged_stub_isolates_one_node(bench_of):
    bench = bench_of("a", "b", "c")
    bench.wire.unplug("b")
    bench["a"].send(FRAME)
    bench["b"].send(FRAME)
    bench.run(500)
    assert [r.receivers for r in bench.records if r.sender == "a"] == [("c",)]
    assert {r.error for r in bench.records if r.sender == "b"} == {"ack"}
    bench.wire.plug("b")
    bench.run()
    assert bench.records[-1].sender == "b"
    assert bench.records[-1].receivers == ("a", "c")


def test_a_cut_in_mid_frame_leaves_the_senders_side_and_hurts_the_other(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench["a"].send(FRAME)
    bench.at(40, bench.wire.cut, "b", "c")
    bench.at(41, bench["d"].send, Frame(0x100))
    bench.run()
    assert (bench["c"].rec, bench["d"].rec) == (0, 1)  # c has received d's frame since
    first, second = bench.records
    assert (first.sender, first.receivers, first.error) == ("a", ("b",), None)
    # noticed within 6 bits, then error flag 6, delimiter 8, intermission 3
    assert (second.sender, second.start_ns) == ("d", (40 + 23) * 1000)


def test_a_cut_that_takes_the_last_receiver_leaves_the_frame_without_acknowledgement(bench_of):
    bench = bench_of("a", "b")
    bench["a"].send(FRAME)
    bench.at(40, bench.wire.cut, "a", "b")
    bench.run(200)
    assert bench.errors[0] == "ack"
    assert bench.records[0].end_ns == 70_000
    assert bench["b"].rec == 1


def test_a_cut_after_the_ack_slot_no_longer_matters_to_the_sender(bench_of):
    bench = bench_of("a", "b")
    bench["a"].send(FRAME)
    bench.at(72, bench.wire.cut, "a", "b")
    bench.run(200)
    assert bench.errors == [None]
    assert bench.records[0].receivers == ()
    assert bench["a"].tec == 0


def test_joining_breaks_the_frames_in_flight_on_either_side(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench.wire.cut("b", "c")
    bench["a"].send(FRAME)
    bench.at(10, bench["c"].send, Frame(0x100))
    bench.at(40, bench.wire.mend, "b", "c")
    bench.run(40)
    assert bench.errors == ["broken_off", "broken_off"]
    assert [bench[name].tec for name in "abcd"] == [8, 0, 8, 0]
    assert [bench[name].rec for name in "abcd"] == [0, 1, 0, 1]
    bench.run()
    assert [(r.sender, r.start_ns, r.error) for r in bench.records[2:]] == [
        ("c", 63_000, None),
        ("a", 63_000 + 1000 * (length_bits(Frame(0x100)) + 3), None),
    ]


def test_joining_an_idle_side_to_a_live_one_hurts_all(bench_of):
    bench = bench_of("a", "b", "c")
    bench.wire.cut("b", "c")
    bench["a"].send(FRAME)
    bench.at(40, bench.wire.mend, "b", "c")
    bench.run(40)
    assert [(bench[name].tec, bench[name].rec) for name in "abc"] == [(8, 0), (0, 1), (0, 1)]


def test_joining_idle_segments_hurts_nobody(bench_of):
    bench = bench_of("a", "b")
    bench.wire.cut("a", "b")
    bench.wire.mend("a", "b")
    bench["a"].send(FRAME)
    bench.run()
    assert bench.errors == [None]
    assert bench["b"].rec == 0


def test_joining_keeps_the_intermission(bench_of):
    bench = bench_of("a", "b", "c")
    bench.wire.cut("b", "c")
    bench["a"].send(FRAME)
    bench.at(79, bench.wire.mend, "b", "c")
    bench.at(79, bench["c"].send, FRAME)
    bench.run()
    assert [record.start_ns for record in bench.records] == [0, 81_000]


def test_a_cut_while_identical_frames_are_in_flight_from_both_sides(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench["a"].send(FRAME)
    bench["d"].send(FRAME)
    bench.at(40, bench.wire.cut, "b", "c")
    bench.run()
    assert (bench["a"].sent, bench["d"].sent) == (1, 1)
    assert [(r.sender, r.receivers) for r in bench.records if r.error is None] == [
        ("a", ("b",)),
        ("d", ("c",)),
    ]


# ---- power and attachment


def test_a_sender_that_loses_power_breaks_its_frame_off(bench_of):
    bench = bench_of("a", "b", "c")
    bench["a"].send(FRAME)
    bench.at(40, bench["a"].power_off)
    bench.at(41, bench["b"].send, Frame(0x100))
    bench.run(45)
    assert bench.errors == ["broken_off"]
    assert (bench["b"].rec, bench["c"].rec) == (1, 1)
    assert bench["a"].losses == {"power_off": 1}
    bench.run()
    assert bench.records[1].start_ns == 63_000
    assert bench.records[1].receivers == ("c",)


def test_a_node_switched_on_in_mid_frame_does_not_get_that_frame(bench_of):
    bench = bench_of("a", "b", "c")
    bench["c"].power_off()
    bench["a"].send(FRAME)
    bench["a"].send(FRAME)
    bench.at(40, bench["c"].power_on)
    bench.run()
    assert [record.receivers for record in bench.records] == [("b",), ("b", "c")]


def test_a_receiver_that_loses_power_in_mid_frame_gets_nothing(bench_of):
    bench = bench_of("a", "b", "c")
    bench["a"].send(FRAME)
    bench.at(40, bench["c"].power_off)
    bench.run()
    assert bench.records[0].receivers == ("b",)
    assert bench["c"].receive() is None


def test_the_only_receiver_losing_power_costs_the_acknowledgement(bench_of):
    bench = bench_of("a", "b")
    bench["a"].send(FRAME)
    bench.at(40, bench["b"].power_off)
    bench.run(100)
    assert bench.errors == ["ack"]


def test_attaching_in_mid_frame_disturbs_nothing(bench_of):
    bench = bench_of("a", "b")
    bench["a"].send(FRAME)
    bench.at(40, bench.add, "late")
    bench.run()
    assert bench.errors == [None]
    assert bench.records[0].receivers == ("b",)


def test_detaching_a_sender_breaks_its_frame_and_it_keeps_it(bench_of):
    bench = bench_of("a", "b", "c")
    bench["a"].send(FRAME)
    bench.at(40, bench.wire.detach, bench["a"])
    bench.run(100)
    assert bench.errors == ["broken_off"]
    assert bench["a"].pending() == 1
    bench.wire.attach(bench["a"])
    bench.run()
    assert bench.records[-1].sender == "a"
    assert bench.records[-1].error is None


def test_detaching_keeps_a_cut(bench_of):
    bench = bench_of("a", "b", "c")
    bench.wire.cut("b", "c")
    bench.wire.detach(bench["b"])
    assert [len(segment.members) for segment in bench.wire.segments] == [1, 1]
    bench.wire.mend("a", "c")
    assert len(bench.wire.segments) == 1


def test_names_are_unique_and_a_controller_has_one_wire(bench_of):
    bench = bench_of("a")
    with pytest.raises(ValueError, match="already has a controller named 'a'"):
        bench.wire.attach(Controller("a"))
    with pytest.raises(ValueError, match="'a' is attached to a wire already"):
        Wire(EventQueue(), 1000).attach(bench["a"])
    with pytest.raises(ValueError, match="'z' is not attached to this wire"):
        bench.wire.detach(Controller("z"))


# ---- faults on the wire


def test_a_transform_alters_what_arrives_and_not_what_was_queued(bench_of):
    bench = bench_of("a", "b")
    bench.wire.transforms.append(lambda _, frame: Frame(frame.identifier, b"\x55"))
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
    bench.wire.transforms.append(lambda *_: Frame(0x124))
    bench["a"].send(FRAME)
    with pytest.raises(ValueError, match="not its identifier or kind"):
        bench.run()


def test_a_missed_frame_is_missed_by_one_without_any_error(bench_of):
    bench = bench_of("a", "b", "c")
    bench.wire.misses.append(lambda receiver, _: receiver.name == "b")
    bench["a"].send(FRAME)
    bench.run()
    assert bench.heard("b") == []
    assert bench.heard("c") == [FRAME]
    assert (bench.records[0].receivers, bench.records[0].error) == (("c",), None)


def test_the_first_of_several_disturbances_counts(bench_of):
    bench = bench_of("a", "b")
    bits = iter([(50, 30), (None, None)])
    current = []

    def first(*_):
        current[:] = next(bits)
        return current[0]

    bench.wire.disturbances += [first, lambda *_: current[1]]
    bench["a"].send(FRAME)
    bench.run()
    assert bench.errors == ["disturbed", None]
    assert bench.records[0].end_ns == 31_000


def test_a_disturbance_outside_the_frame_is_refused(bench_of):
    bench = bench_of("a", "b")
    bench.wire.disturbances.append(lambda _sender, _frame, length: length)
    bench["a"].send(FRAME)
    with pytest.raises(ValueError, match="123#DEADBEEF has bits 0 to 77, no bit 78"):
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
    hits = iter([k])
    bench.wire.disturbances.append(lambda *_: next(hits, None))
    bench["a"].send(FRAME)
    bench.run()
    assert bench.records[1].start_ns == 1000 * gap


# ---- bit rate


def test_a_new_bit_rate_holds_from_the_next_frame_on(bench_of):
    bench = bench_of("a", "b", bit_rate=500_000)
    bench["a"].send(FRAME)
    bench["a"].send(FRAME)
    bench.at(10, setattr, bench.wire, "bit_rate", 250_000)
    bench.run()
    assert bench.wire.bit_rate == 250_000
    assert [(r.start_ns, r.end_ns) for r in bench.records] == [
        (0, 156_000),
        (162_000, 162_000 + 312_000),
    ]


@pytest.mark.parametrize("bit_rate", [0, -5, 1.5])
def test_an_impossible_bit_rate_is_refused(bit_rate):
    with pytest.raises(ValueError, match="whole number of bits per second, not"):
        Wire(EventQueue(), bit_rate)


def test_recovery_goes_on_across_a_cut(bench_of):
    bench = bench_of("a", "b", "c")
    bench["a"].force_bus_off()
    bench["a"].request_recovery()
    bench.at(550, bench.wire.cut, "b", "c")
    bench.run(1407)
    assert bench["a"].state is ErrorState.BUS_OFF
    bench.run(1)
    assert bench["a"].state is ErrorState.ACTIVE
