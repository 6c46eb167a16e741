"""Mailboxes, filters, receive FIFO, power, and the faults that sit before the mailboxes."""

from __future__ import annotations

import pytest

from linkloss.bus.controller import (
    BusOff,
    Controller,
    ErrorState,
    MailboxesFull,
    NotSending,
    TransmitError,
)
from linkloss.bus.frame import Frame, length_bits
from linkloss.bus.record import BitError


def identifiers(bench):
    return [record.frame.identifier for record in bench.records]


def test_priority_order_sends_the_lowest_identifier_first(bench_of):
    bench = bench_of("a", "b")
    for identifier in (0x300, 0x100, 0x200):
        bench["a"].send(Frame(identifier))
    bench.run()
    assert identifiers(bench) == [0x100, 0x200, 0x300]


def test_fifo_order_sends_what_came_first(bench_of):
    bench = bench_of("a", "b", order="fifo")
    for identifier in (0x300, 0x100, 0x200):
        bench["a"].send(Frame(identifier))
    bench.run()
    assert identifiers(bench) == [0x300, 0x100, 0x200]


def test_equal_identifiers_keep_their_order(bench_of):
    bench = bench_of("a", "b")
    for number in range(3):
        bench["a"].send(Frame(0x100, bytes([number])))
    bench.run()
    assert [record.frame.data[0] for record in bench.records] == [0, 1, 2]


@pytest.mark.parametrize("order", ["priority", "fifo"])
def test_a_failed_frame_keeps_its_turn(bench_of, order):
    bench = bench_of("a", "b", order=order)
    hits = iter([[BitError(30)]])
    bench.bus.disturbances.append(lambda *_: next(hits, ()))
    bench["a"].send(Frame(0x100, b"\x01"))
    bench["a"].send(Frame(0x100, b"\x02"))
    bench.run()
    assert [record.frame.data[0] for record in bench.records] == [1, 1, 2]


def test_full_mailboxes_refuse_a_frame_and_name_node_and_number(bench_of):
    bench = bench_of("dash", "b")
    for _ in range(3):
        bench["dash"].send(Frame(0x100))
    with pytest.raises(MailboxesFull, match="node 'dash' cannot send 101#: all 3 mailboxes are"):
        bench["dash"].send(Frame(0x101))
    assert bench["dash"].accepted == 3


def test_the_frame_on_the_bus_holds_its_mailbox_until_its_end(bench_of):
    bench = bench_of("a", "b", mailboxes=1)
    bench["a"].send(Frame(0x100))
    bench.run(length_bits(Frame(0x100)) - 1)
    with pytest.raises(MailboxesFull):
        bench["a"].send(Frame(0x101))
    bench.run(1)
    bench["a"].send(Frame(0x101))
    bench.run()
    assert bench["a"].sent == 2


def test_a_bus_off_or_silent_controller_refuses_to_send(bench_of):
    bench = bench_of("a", "b")
    bench["a"].force_bus_off()
    with pytest.raises(BusOff, match="node 'a' cannot send 100#: it is bus-off"):
        bench["a"].send(Frame(0x100))
    bench["b"].power_off()
    with pytest.raises(NotSending, match="switched off"):
        bench["b"].send(Frame(0x100))
    listener = bench.add("c", listen_only=True)
    with pytest.raises(NotSending, match="only listens"):
        listener.send(Frame(0x100))
    assert issubclass(BusOff, TransmitError)


def test_wrong_settings_are_refused():
    with pytest.raises(ValueError, match="at least 1 mailbox, not 0"):
        Controller("a", mailboxes=0)
    with pytest.raises(ValueError, match="receives at least 1 frame, not 0"):
        Controller("a", receive_depth=0)
    with pytest.raises(ValueError, match="'priority' or 'fifo', not 'random'"):
        Controller("a", order="random")


@pytest.mark.parametrize(
    ("filters", "expected"),
    [
        ([], [0x100, 0x101, 0x200]),
        ([(0x100, 0x7FF, None)], [0x100]),
        ([(0x100, 0x7FE, None)], [0x100, 0x101]),
        ([(0x100, 0x7FF, None), (0x200, 0x7FF, False)], [0x100, 0x200]),
        ([(0x100, 0x7FF, True)], []),
        ([(0x000, 0x000, None)], [0x100, 0x101, 0x200]),
    ],
)
def test_filters(bench_of, filters, expected):
    bench = bench_of("a", "b")
    bench["b"].filters = filters
    for identifier in (0x100, 0x101, 0x200):
        bench["a"].send(Frame(identifier))
    bench.run()
    assert [frame.identifier for frame in bench.heard("b")] == expected
    # what the filter keeps out was delivered to the controller all the same
    assert all(record.receivers == ("b",) for record in bench.records)


def test_a_filter_for_extended_frames_lets_no_base_frame_through(bench_of):
    bench = bench_of("a", "b")
    bench["b"].filters = [(0x100, 0x1FFFFFFF, True)]
    bench["a"].send(Frame(0x100))
    bench["a"].send(Frame(0x100, extended=True))
    bench.run()
    assert bench.heard("b") == [Frame(0x100, extended=True)]


def test_a_full_receive_fifo_loses_the_newest_and_says_so(bench_of):
    bench = bench_of("a", "b", receive_depth=2)
    for identifier in (0x100, 0x101, 0x102):
        bench["a"].send(Frame(identifier))
    bench.run()
    assert [frame.identifier for frame in bench.heard("b")] == [0x100, 0x101]
    assert bench["b"].overruns == 1
    assert [record.lost_overrun for record in bench.records] == [(), (), ("b",)]
    assert bench.records[2].receivers == ("b",)


def test_a_full_receive_fifo_that_overwrites_loses_the_one_before(bench_of):
    bench = bench_of("a", "b", receive_depth=2, overwrites=True)
    for identifier in (0x100, 0x101, 0x102):
        bench["a"].send(Frame(identifier))
    bench.run()
    assert [frame.identifier for frame in bench.heard("b")] == [0x100, 0x102]
    assert bench["b"].overruns == 1
    assert [record.lost_overrun for record in bench.records] == [(), (), ("b",)]


def test_in_fifo_order_an_urgent_frame_waits_behind_one_that_loses_every_arbitration(bench_of):
    starts = {}
    for order in ("fifo", "priority"):
        bench = bench_of("a", "b", "c", order=order)
        for _ in range(3):
            bench["b"].send(Frame(0x300, bytes(8)))
        bench["b"].on_sent = lambda frame, b=bench["b"]: b.send(frame)  # never stops
        bench.run(10)  # the first is on the bus
        bench["a"].send(Frame(0x700))
        bench["a"].send(Frame(0x100))
        bench.run(20_000)
        starts[order] = [r.start_ns for r in bench.records if r.frame == Frame(0x100)]
    assert starts["fifo"] == []  # 0x100 would win, but stands behind 0x700
    assert starts["priority"] == [1000 * (length_bits(Frame(0x300, bytes(8))) + 3)]


def test_what_a_program_set_does_not_outlive_a_reset():
    made = [(0x100, 0x7FF, False)]
    controller = Controller("a", filters=made, single_shot=True)
    controller.filters = []
    controller.single_shot = False
    controller.listen(only=True)
    controller.restore_settings()
    assert (controller.filters, controller.single_shot) == (made, True)
    assert not controller.listen_only
    assert controller.ready
    assert controller.filters is not made


def test_callbacks_come_after_the_frame_is_in_the_fifo_and_only_then(bench_of):
    bench = bench_of("a", "b")
    got = []
    bench["b"].filters = [(0x101, 0x7FF, None)]
    bench["b"].on_receive = lambda controller: got.append(controller.receive())
    bench["a"].on_sent = got.append
    bench["a"].send(Frame(0x100))
    bench["a"].send(Frame(0x101))
    bench.run()
    assert got == [Frame(0x100), Frame(0x101), (bench.records[1].end_ns, Frame(0x101))]


def test_single_shot_sends_once(bench_of):
    bench = bench_of("a", single_shot=True)
    bench["a"].send(Frame(0x100))
    bench.run()
    assert bench.errors == ["ack"]
    assert bench["a"].losses == {"single_shot": 1}


def test_abort_drops_what_waits_and_does_not_repeat_what_is_on_the_bus(bench_of):
    bench = bench_of("a")
    for identifier in (0x100, 0x101, 0x102):
        bench["a"].send(Frame(identifier))
    bench.run(10)
    bench["a"].abort_pending()
    bench.run()
    assert bench.errors == ["ack"]
    assert (bench["a"].aborted, bench["a"].pending()) == (3, 0)


def test_an_abort_does_not_touch_what_is_sent_after_it(bench_of):
    bench = bench_of("a", "b")
    hits = iter([[], [BitError(40)]])
    bench.bus.disturbances.append(lambda *_: next(hits, ()))
    bench["a"].send(Frame(0x100))
    bench.run(10)
    bench["a"].abort_pending()
    bench["a"].send(Frame(0x101))
    bench.run()
    assert identifiers(bench) == [0x100, 0x101, 0x101]
    assert bench.errors == [None, "disturbed", None]


def test_power_off_clears_everything(bench_of):
    bench = bench_of("a", "b")
    bench["b"].send(Frame(0x100))
    bench.run()
    bench["a"].tec, bench["a"].rec = 90, 90
    bench["a"].power_off()
    assert bench["a"].receive() is None
    assert (bench["a"].tec, bench["a"].rec, bench["a"].pending()) == (0, 0, 0)
    bench["a"].power_off()
    bench["a"].power_on()
    bench["a"].power_on()
    bench["b"].send(Frame(0x101))
    bench.run()
    assert bench.heard("a") == [Frame(0x101)]


def test_power_on_ends_bus_off(bench_of):
    bench = bench_of("a", "b")
    bench["a"].force_bus_off()
    bench["a"].request_recovery()
    bench["a"].power_off()
    bench["a"].power_on()
    assert bench["a"].state is ErrorState.ACTIVE
    bench["a"].send(Frame(0x100))
    bench.run()
    assert bench["a"].sent == 1


def test_auto_recovery_needs_no_request(bench_of):
    bench = bench_of("a", "b", auto_recovery=True)
    states = []
    bench["a"].on_state = lambda it: states.append((bench.queue.now_ns, it.state))
    bench["a"].force_bus_off()
    bench.run(2000)
    assert states == [(0, ErrorState.BUS_OFF), (1_408_000, ErrorState.ACTIVE)]


def test_a_muted_node_believes_it_sends_and_still_hears_and_acknowledges(bench_of):
    bench = bench_of("a", "b")
    sent = []
    bench["a"].on_sent = lambda frame: sent.append((bench.queue.now_ns, frame))
    bench["a"].muted = True
    bench["a"].send(Frame(0x100))
    bench["b"].send(Frame(0x200))
    bench.run()
    assert identifiers(bench) == [0x200]
    assert bench.errors == [None]
    assert bench.heard("a") == [Frame(0x200)]
    assert sent == [(1000 * length_bits(Frame(0x100)), Frame(0x100))]


def test_muting_swallows_what_waits_and_unmuting_lets_the_rest_out(bench_of):
    bench = bench_of("a", "b")
    for identifier in (0x100, 0x101, 0x102):
        bench["a"].send(Frame(identifier))
    bench.run(10)  # the first is on the bus
    bench["a"].muted = True
    bench.run(60)
    bench["a"].muted = False
    bench.run()
    assert identifiers(bench) == [0x100, 0x102]
    assert bench["a"].sent == 3


def test_a_swallowed_frame_keeps_its_mailbox_for_its_whole_length(bench_of):
    bench = bench_of("a", "b")
    bench["a"].muted = True
    bench["a"].send(Frame(0x100))
    bench.run(30)
    bench["a"].abort_pending()
    bench["a"].send(Frame(0x100))
    bench.run(length_bits(Frame(0x100)) - 1)
    assert bench["a"].pending() == 1
    bench.run(1)
    assert (bench["a"].pending(), bench["a"].sent, bench["a"].aborted) == (0, 1, 1)


def test_a_muted_node_may_send_from_its_callback(bench_of):
    bench = bench_of("a", "b")
    bench["a"].muted = True
    bench["a"].on_sent = bench["a"].send
    bench["a"].send(Frame(0x100))
    bench.run(10 * length_bits(Frame(0x100)))
    assert bench["a"].sent == 10


def test_outgoing_faults_delay_and_duplicate(bench_of):
    bench = bench_of("a", "b")
    bench["a"].outgoing.append(lambda frame: [(0, frame), (500_000, frame)])
    bench["a"].send(Frame(0x100))
    assert bench["a"].delayed == 1
    bench.run()
    assert [record.start_ns for record in bench.records] == [0, 500_000]
    assert (bench["a"].accepted, bench["a"].sent) == (2, 2)


def test_outgoing_faults_apply_one_after_the_other(bench_of):
    bench = bench_of("a", "b")
    bench["a"].outgoing.append(lambda frame: [(100_000, frame)])
    bench["a"].outgoing.append(lambda _: None)
    bench["a"].outgoing.append(lambda frame: [(200_000, frame)])
    bench["a"].send(Frame(0x100))
    bench.run()
    assert [record.start_ns for record in bench.records] == [300_000]


def test_a_delayed_frame_that_finds_no_mailbox_is_lost(bench_of):
    bench = bench_of("a", "b", mailboxes=1)
    bench["a"].outgoing.append(lambda frame: [(10_000, frame)] if frame.identifier == 1 else None)
    bench["a"].send(Frame(0x001))
    bench["a"].send(Frame(0x100))
    bench.run()
    assert identifiers(bench) == [0x100]
    assert (bench["a"].lost, bench["a"].losses) == (1, {"no_mailbox": 1})


def test_a_delayed_frame_does_not_outlive_a_loss_of_power(bench_of):
    bench = bench_of("a", "b")
    bench["a"].outgoing.append(lambda frame: [(100_000, frame)])
    bench["a"].send(Frame(0x100))
    bench["a"].power_off()
    bench["a"].power_on()
    bench.run()
    assert bench.records == []
    assert bench["a"].losses == {"power_off": 1}


def test_a_fault_may_swallow_a_frame(bench_of):
    bench = bench_of("a", "b")
    bench["a"].outgoing.append(lambda _: [])
    bench["a"].send(Frame(0x100))
    bench.run()
    assert bench.records == []
    assert bench["a"].losses == {"fault": 1}


def test_the_receive_error_counter_falls_at_the_end_of_the_ack_slot(bench_of):
    bench = bench_of("a", "b")
    bench["b"].rec = 9
    frame = Frame(0x123, bytes.fromhex("DEADBEEF"))  # its ACK slot is bit 69
    bench["a"].send(frame)
    bench.queue.run_until(69_999)
    assert bench["b"].rec == 9
    bench.queue.run_until(70_000)
    assert bench["b"].rec == 8
    bench.run(200)
    assert (bench.errors, bench["b"].rec) == ([None], 8)


@pytest.mark.parametrize("bit", [60, 69, 70, 71, 77])
def test_it_falls_once_where_the_frame_is_followed_bit_by_bit_from_its_midst(bench_of, bit):
    bench = bench_of("a", "b", "c")
    bench["b"].rec = 9
    bench["a"].send(Frame(0x123, bytes.fromhex("DEADBEEF")))
    bench.at(bit, bench.bus.unplug, "c")
    bench.run(200)
    assert bench["b"].rec == 8


def test_a_passive_receiver_is_active_again_from_the_ack_slot_on(bench_of):
    bench = bench_of("a", "b")
    bench["b"].rec = 130
    bench["b"].refresh_state()
    bench["a"].send(Frame(0x123, bytes.fromhex("DEADBEEF")))
    bench.queue.run_until(69_999)
    assert bench["b"].state is ErrorState.PASSIVE
    bench.queue.run_until(70_000)
    assert (bench["b"].state, bench["b"].rec) == (ErrorState.ACTIVE, 127)
