"""Cuts, stubs, power and attachment under live traffic."""

from __future__ import annotations

import pytest

from linkloss.bus.controller import Controller
from linkloss.bus.frame import Frame
from linkloss.bus.medium import Bus
from linkloss.clock.queue import EventQueue

FRAME = Frame(0x123, bytes.fromhex("DEADBEEF"))  # 78 bits


def test_a_cut_makes_two_live_buses_at_the_same_time(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench.bus.cut("b", "c")
    bench["a"].send(FRAME)
    bench["d"].send(FRAME)
    bench.run()
    assert [(r.sender, r.receivers, r.start_ns) for r in bench.records] == [
        ("a", ("b",), 0),
        ("d", ("c",), 0),
    ]


def test_several_cuts_and_one_mended(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench.bus.cut("a", "b")
    bench.bus.cut("c", "d")
    assert [len(segment.members) for segment in bench.bus.segments] == [1, 2, 1]
    bench.bus.mend("a", "b")
    bench["a"].send(FRAME)
    bench.run()
    assert bench.records[0].receivers == ("b", "c")


def test_cutting_twice_is_cutting_once_and_disturbs_nothing(bench_of):
    bench = bench_of("a", "b", "c")
    bench.bus.cut("b", "c")
    bench["a"].send(FRAME)
    bench.at(40, bench.bus.cut, "b", "c")
    bench.run()
    assert bench.errors == [None]
    bench.bus.mend("c", "b")
    assert len(bench.bus.segments) == 1


def test_only_neighbours_can_be_cut(bench_of):
    bench = bench_of("a", "b", "c")
    with pytest.raises(ValueError, match=r"'a' and 'c' are not neighbours.*it has a, b, c"):
        bench.bus.cut("a", "c")
    with pytest.raises(ValueError, match="no controller 'x' on the bus; it has a, b, c"):
        bench.bus.mend("a", "x")


def test_a_controller_beside_another_shares_its_place(bench_of):
    bench = bench_of("a", "b")
    tap = Controller("tap")
    bench.bus.attach(tap, beside="a")
    assert [controller.name for controller in bench.bus.controllers] == ["a", "tap", "b"]
    bench.bus.cut("tap", "b")
    bench["a"].send(FRAME)
    bench.run()
    assert bench.records[0].receivers == ("tap",)
    with pytest.raises(ValueError, match="not neighbours"):
        bench.bus.cut("a", "tap")


def test_an_unplugged_stub_isolates_one_node(bench_of):
    bench = bench_of("a", "b", "c")
    bench.bus.unplug("b")
    bench["a"].send(FRAME)
    bench["b"].send(FRAME)
    bench.run(500)
    assert [r.receivers for r in bench.records if r.sender == "a"] == [("c",)]
    assert {r.error for r in bench.records if r.sender == "b"} == {"ack"}
    bench.bus.plug("b")
    bench.run()
    assert bench.records[-1].sender == "b"
    assert bench.records[-1].receivers == ("a", "c")


def test_a_cut_in_mid_frame_leaves_the_senders_side_and_hurts_the_other(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench["a"].send(FRAME)
    bench.at(40, bench.bus.cut, "b", "c")
    bench.at(41, bench["d"].send, Frame(0x100))
    bench.run()
    assert (bench["c"].rec, bench["d"].rec) == (0, 1)  # c has received d's frame since
    first, second = bench.records
    assert (first.sender, first.receivers, first.error) == ("a", ("b",), None)
    # bits 37 to 39 were recessive, so a sixth one is bit 42; flag 6, delimiter 8, intermission 3
    assert (second.sender, second.start_ns) == ("d", (43 + 17) * 1000)


def test_a_cut_that_takes_the_last_receiver_leaves_the_frame_without_acknowledgement(bench_of):
    bench = bench_of("a", "b")
    bench["a"].send(FRAME)
    bench.at(40, bench.bus.cut, "a", "b")
    bench.run(200)
    assert bench.errors[0] == "ack"
    assert bench.records[0].end_ns == 70_000
    assert bench["b"].rec == 1


def test_a_cut_after_the_ack_slot_no_longer_matters_to_the_sender(bench_of):
    bench = bench_of("a", "b")
    bench["a"].send(FRAME)
    bench.at(72, bench.bus.cut, "a", "b")
    bench.run(200)
    assert bench["a"].tec == 0
    # one record for each piece of the cable: the sender saw it through, the receiver has got it
    assert [(r.error, r.receivers) for r in bench.records] == [(None, ()), ("broken_off", ("b",))]
    assert len(bench["b"].inbox) == 1


def test_joining_breaks_the_frames_in_flight_on_either_side(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench.bus.cut("b", "c")
    bench["a"].send(FRAME)
    bench.at(10, bench["c"].send, Frame(0x100))
    bench.at(40, bench.bus.mend, "b", "c")
    bench.run(60)
    # bit 40 of a is recessive, and bit 30 of c dominant
    assert [(r.sender, r.end_ns, r.error) for r in bench.records] == [
        ("a", 41_000, "disturbed"),
        ("c", 42_000, "disturbed"),
    ]
    assert [bench[name].tec for name in "abcd"] == [8, 0, 8, 0]
    bench.run()
    assert [(r.sender, r.receivers, r.error) for r in bench.records[2:]] == [
        ("c", ("a", "b", "d"), None),
        ("a", ("b", "c", "d"), None),
    ]


def test_joining_an_idle_side_to_a_live_one_hurts_all(bench_of):
    bench = bench_of("a", "b", "c")
    bench.bus.cut("b", "c")
    bench["a"].send(FRAME)
    bench.at(40, bench.bus.mend, "b", "c")
    bench.run()
    # c takes the first dominant bit for a start of frame, and finds an error in what follows
    assert [(r.receivers, r.error) for r in bench.records] == [
        ((), "disturbed"),
        (("b", "c"), None),
    ]
    assert [(bench[name].tec, bench[name].rec) for name in "ab"] == [(7, 0), (0, 0)]
    assert bench["c"].rec == 8  # its flag came first: 1 and 8, and 1 less since


def test_joining_idle_segments_hurts_nobody(bench_of):
    bench = bench_of("a", "b")
    bench.bus.cut("a", "b")
    bench.bus.mend("a", "b")
    bench["a"].send(FRAME)
    bench.run()
    assert bench.errors == [None]
    assert bench["b"].rec == 0


def test_pieces_joined_at_any_bit_go_on(bench_of):
    """Nobody hears either sender; one of them is in the midst of bits that are followed one by one,
    as another station has just left it.
    """
    for bit in range(60, 220):
        bench = bench_of("a", "b", "c")
        bench.bus.cut("a", "b")
        bench["a"].send(FRAME)
        bench.at(7, bench["b"].send, Frame(0x100))
        bench.at(30, bench.bus.cut, "b", "c")
        bench.at(bit, bench.bus.mend, "a", "b")
        bench.run(2000)
        delivered = [(r.sender, r.receivers) for r in bench.records if r.error is None]
        assert sorted(delivered) == [("a", ("b",)), ("b", ("a",))], bit


def test_joining_keeps_the_intermission(bench_of):
    bench = bench_of("a", "b", "c")
    bench.bus.cut("b", "c")
    bench["a"].send(FRAME)
    bench.at(79, bench.bus.mend, "b", "c")
    bench.at(79, bench["c"].send, FRAME)
    bench.run()
    assert [record.start_ns for record in bench.records] == [0, 81_000]


def test_a_cut_while_identical_frames_are_in_flight_from_both_sides(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench["a"].send(FRAME)
    bench["d"].send(FRAME)
    bench.at(40, bench.bus.cut, "b", "c")
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
    # three recessive bits stood before: a sixth one is bit 42; flag 6, delimiter 8, intermission 3
    assert bench.records[1].start_ns == 60_000
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
    bench.at(40, bench.bus.detach, bench["a"])
    bench.run(100)
    assert bench.errors == ["broken_off"]
    assert bench["a"].pending() == 1
    bench.bus.attach(bench["a"])
    bench.run()
    assert bench.records[-1].sender == "a"
    assert bench.records[-1].error is None


def test_detaching_keeps_a_cut(bench_of):
    bench = bench_of("a", "b", "c")
    bench.bus.cut("b", "c")
    bench.bus.detach(bench["b"])
    assert [len(segment.members) for segment in bench.bus.segments] == [1, 1]
    bench.bus.mend("a", "c")
    assert len(bench.bus.segments) == 1


def test_names_are_unique_and_a_controller_has_one_bus(bench_of):
    bench = bench_of("a")
    with pytest.raises(ValueError, match="already has a controller named 'a'"):
        bench.bus.attach(Controller("a"))
    with pytest.raises(ValueError, match="'a' is attached to a bus already"):
        Bus(EventQueue(), 1000).attach(bench["a"])
    with pytest.raises(ValueError, match="'z' is not attached to this bus"):
        bench.bus.detach(Controller("z"))


def test_a_node_in_intermission_joined_to_a_live_frame_takes_it_for_an_overload(bench_of):
    bench = bench_of("a", "b", "c", "d")
    bench.bus.cut("b", "c")
    bench["d"].send(FRAME)  # over at 78, idle at 81
    bench.at(37, bench["a"].send, FRAME)  # dominant at 79 and 80
    bench.at(79, bench.bus.mend, "b", "c")
    bench.run()
    assert [(r.sender, r.error) for r in bench.records] == [
        ("d", None),
        ("a", "disturbed"),
        ("a", None),
    ]
    assert (bench["c"].rec, bench["d"].rec) == (0, 0)  # an overload frame is nobody's error
