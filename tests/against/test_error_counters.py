"""Fault confinement against Bosch CAN Specification 2.0, part B section 8 (the rule numbers are
its own) and against figures measured on an open hardware CAN controller core in simulation, with
three nodes on a wired-AND bus: they are marked "measured".
"""

from __future__ import annotations

import itertools

import pytest

from linkloss.bus.controller import Controller, ErrorState
from linkloss.bus.frame import Frame, length_bits
from linkloss.bus.medium import Bus
from linkloss.bus.record import BitError
from linkloss.clock.queue import EventQueue

FRAME = Frame(0x123, bytes.fromhex("DEADBEEF"))
ACTIVE, PASSIVE, BUS_OFF = ErrorState.ACTIVE, ErrorState.PASSIVE, ErrorState.BUS_OFF


class Setup:
    """One microsecond a bit; node 0 sends."""

    def __init__(self, nodes: int) -> None:
        self.queue = EventQueue()
        self.bus = Bus(self.queue, 1_000_000)
        self.nodes = [Controller(f"node {number}") for number in range(nodes)]
        self.states: list[tuple[int, str, ErrorState]] = []
        for node in self.nodes:
            node.on_state = lambda it: self.states.append((self.now_bits, it.name, it.state))
            self.bus.attach(node)
        self.records = []
        self.bus.observers.append(self.records.append)

    @property
    def now_bits(self) -> float:
        return self.queue.now_ns / 1000

    @property
    def starts(self) -> list[int]:
        return [record.start_ns // 1000 for record in self.records]

    def run(self, bits: int) -> None:
        self.queue.run_until(self.queue.now_ns + 1000 * bits)

    def disturb(self, k: int, times: int) -> None:
        left = [times]

        def at_bit(*_):
            left[0] -= 1
            return [BitError(k)] if left[0] >= 0 else []

        self.bus.disturbances.append(at_bit)


def gaps(starts):
    return [later - earlier for earlier, later in itertools.pairwise(starts)]


@pytest.mark.parametrize(
    ("errors", "tec", "state", "warning"),
    [
        (11, 88, ACTIVE, False),
        (12, 96, ACTIVE, True),  # warning level; measured
        (15, 120, ACTIVE, True),
        (16, 128, PASSIVE, True),  # rules 3 and 9; measured
        (31, 248, PASSIVE, True),
        (32, 256, BUS_OFF, True),  # rule 10; measured
    ],
)
def test_so_many_transmit_errors_in_a_row(errors, tec, state, warning):
    setup = Setup(2)
    sender = setup.nodes[0]
    setup.disturb(40, errors)
    sender.send(FRAME)
    while len(setup.records) < errors:
        setup.queue.step()
    assert (sender.tec, sender.state, sender.warning) == (tec, state, warning)


def test_sixteen_errors_and_a_success_lead_back_to_error_active():
    # rules 7 and 11: 128 - 1 = 127
    setup = Setup(2)
    setup.disturb(40, 16)
    setup.nodes[0].send(FRAME)
    setup.run(5_000)
    assert setup.nodes[0].tec == 127
    assert [state for _, name, state in setup.states if name == "node 0"] == [PASSIVE, ACTIVE]


def test_a_lone_node_stays_at_128_for_ever():
    # rule 3 exception 1 and the note on start-up; measured over 25 frames
    setup = Setup(1)
    setup.nodes[0].send(FRAME)
    setup.run(30_000)
    assert len(setup.records) > 300
    assert {record.error for record in setup.records} == {"ack"}
    assert (setup.nodes[0].tec, setup.nodes[0].rec, setup.nodes[0].state) == (128, 0, PASSIVE)
    assert setup.nodes[0].pending() == 1


def test_a_lone_node_repeats_after_87_and_then_95_bits():
    # measured with this frame of 78 bits: + 9 while error-active, + 17 while error-passive
    setup = Setup(1)
    setup.nodes[0].send(FRAME)
    setup.run(3_000)
    assert gaps(setup.starts)[:15] == [87] * 15
    assert set(gaps(setup.starts)[15:]) == {95}


def test_the_counter_of_a_lone_node_steps_at_the_ack_slot():
    # measured: bit 69 of this frame
    setup = Setup(1)
    setup.nodes[0].send(FRAME)
    setup.run(69)
    assert setup.nodes[0].tec == 0
    setup.run(1)
    assert setup.nodes[0].tec == 8


def test_the_lone_node_is_heard_once_another_one_is_switched_on():
    setup = Setup(2)
    sender, other = setup.nodes
    other.power_off()
    sender.send(FRAME)
    setup.run(2_000)
    other.power_on()
    setup.run(200)
    assert other.receive()[1] == FRAME
    assert (sender.tec, sender.state, sender.pending()) == (127, ACTIVE, 0)


def test_a_disturbed_data_bit_costs_the_sender_eight_and_each_receiver_one():
    # rules 1 and 3; measured
    setup = Setup(3)
    setup.disturb(40, 1)
    setup.nodes[0].send(FRAME)
    setup.run(60)
    assert [(node.tec, node.rec) for node in setup.nodes] == [(8, 0), (0, 1), (0, 1)]
    setup.run(1000)
    # rules 7 and 8, after the repeat
    assert [(node.tec, node.rec) for node in setup.nodes] == [(7, 0), (0, 0), (0, 0)]
    assert [record.error for record in setup.records] == ["disturbed", None]


def test_way_to_bus_off_of_the_measured_example():
    # computed from the rules for bit 40 of this frame: 16 periods of 63 bits (the transition frame
    # suspends already), 15 of 72, and 41 bits of the last: 2137 bits. The hardware core took 2141
    # because its receivers resynchronise.
    setup = Setup(2)
    setup.disturb(40, 1000)
    setup.nodes[0].send(FRAME)
    setup.run(10_000)
    assert gaps(setup.starts) == [63] * 15 + [71] + [72] * 15
    assert [state for state in setup.states if state[1] == "node 0"] == [
        (15 * 63 + 41, "node 0", PASSIVE),
        (2137, "node 0", BUS_OFF),
    ]
    assert setup.nodes[1].rec == 32
    assert len(setup.records) == 32
    assert setup.nodes[0].losses == {"bus_off": 1}


def test_recovery_takes_1408_bits_on_an_idle_bus():
    # rule 12: 128 times 11 recessive bits; measured exactly 1408
    setup = Setup(2)
    node = setup.nodes[0]
    node.force_bus_off()
    setup.run(500)
    assert node.state is BUS_OFF
    node.request_recovery()
    setup.run(1407)
    assert node.state is BUS_OFF
    setup.run(1)
    assert (node.state, node.tec, node.rec) == (ACTIVE, 0, 0)


def test_bus_off_does_not_end_without_being_asked():
    setup = Setup(2)
    setup.nodes[0].force_bus_off()
    setup.run(100_000)
    assert setup.nodes[0].state is BUS_OFF


def test_recovery_under_back_to_back_load_takes_128_frames():
    # each frame ends in ACK delimiter 1 + end of frame 7 + intermission 3 = 11 recessive bits
    setup = Setup(3)
    node, sender, _ = setup.nodes
    sender.on_sent = sender.send
    sender.send(FRAME)
    setup.run(10)
    node.force_bus_off()
    node.request_recovery()
    setup.run(10 + 127 * (length_bits(FRAME) + 3) - 20)
    assert node.state is BUS_OFF
    setup.run(1 * (length_bits(FRAME) + 3))
    assert node.state is ACTIVE


def test_a_receiver_becomes_passive_at_128_and_its_counter_stops():
    # rule 9; addendum: the receive error counter need not go on counting above 127
    setup = Setup(3)
    setup.bus.disturbances.append(lambda *_: [BitError(40)])
    for _ in range(6):
        setup.nodes[0].send(FRAME)
        setup.run(10_000)
        setup.nodes[0].power_off()
        setup.nodes[0].power_on()
    assert (setup.nodes[1].rec, setup.nodes[1].state) == (128, PASSIVE)
    setup.bus.disturbances.clear()
    setup.nodes[0].send(FRAME)
    setup.run(1_000)
    # rule 8: set to a value from 119 to 127
    assert setup.nodes[1].rec == 127
    assert setup.nodes[1].state is ACTIVE


def test_an_error_passive_sender_lets_others_go_first():
    # suspend transmission: part B section 3.1.5
    setup = Setup(3)
    sender, other, _ = setup.nodes
    setup.disturb(40, 17)
    sender.send(Frame(0x001, FRAME.data))
    sender.send(Frame(0x002, FRAME.data))
    setup.queue.at(1_000, other.send, Frame(0x700))
    setup.run(400)
    # not yet passive: the lower identifier wins every time
    assert {record.sender for record in setup.records} == {"node 0"}
    setup.run(20_000)
    order = [record.frame.identifier for record in setup.records]
    assert order[:16] == [1] * 16
    # passive from the sixteenth error on: the other node gets in
    assert order[16] == 0x700


def test_a_frame_of_an_error_passive_sender_is_followed_by_eleven_bits():
    setup = Setup(2)
    sender = setup.nodes[0]
    sender.tec = 140
    sender.refresh_state()
    sender.send(FRAME)
    sender.send(FRAME)
    setup.run(1_000)
    assert gaps(setup.starts) == [length_bits(FRAME) + 3 + 8]


def test_two_nodes_with_one_identifier_and_different_data_drive_each_other_passive():
    # follows from the rules: no arbitration is lost, a bit error at the first differing bit. Once
    # both are error-passive, the flag of the one that fails first is recessive and no longer
    # disturbs the other, which sends dominant there: it succeeds, and then its rival does
    setup = Setup(3)
    setup.nodes[0].send(Frame(0x123, b"\x00"))
    setup.nodes[1].send(Frame(0x123, b"\x80"))
    setup.run(10_000)
    assert [record.error for record in setup.records] == ["collision"] * 17 + [None, None]
    assert [record.sender for record in setup.records[-2:]] == ["node 0", "node 1"]
    assert [node.tec for node in setup.nodes] == [127, 135, 0]
    # both frames: SOF to DLC 19 bits and one stuff bit, so the first data bit is number 20
    assert setup.records[0].end_ns == 21_000


def test_two_nodes_with_identical_frames_both_succeed():
    setup = Setup(3)
    setup.nodes[0].send(FRAME)
    setup.nodes[1].send(FRAME)
    setup.run(1_000)
    assert [node.sent for node in setup.nodes] == [1, 1, 0]
    assert len(setup.records) == 1
    assert setup.records[0].rivals == ("node 1",)
    assert setup.nodes[2].receive()[1] == FRAME
    assert setup.nodes[0].receive() is None
