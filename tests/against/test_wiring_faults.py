"""What wiring faults do to a bus.

Which shorts kill it, and the levels that they leave: a car maker's service manual for high-speed
CAN (its table of faults and levels). One bus of two, an open conductor, exchanged conductors:
common practice. What a stuck bus does to the counters: measured on an open hardware CAN controller
core in simulation.
"""

from __future__ import annotations

import pytest
from bit_lab import FRAME, Lab

from linkloss.bus.cable import GROUND, SUPPLY, Circuit, Line, Short, Transceiver, hold_bits
from linkloss.bus.controller import ErrorState
from linkloss.bus.frame import Frame

ACTIVE, PASSIVE, BUS_OFF = ErrorState.ACTIVE, ErrorState.PASSIVE, ErrorState.BUS_OFF


def levels(high: str, low: str, driven: int) -> tuple[float, float]:
    """CAN_H and CAN_L of two transceivers and two terminators on one pair of conductors."""
    nodes = [Transceiver(high, low)] * 2
    volts = Circuit(nodes, [(high, low)] * 2).volts(driven)
    return volts[high], volts[low]


# ---- levels


def test_a_driver_makes_two_volts_across_sixty_ohms():
    # ISO 11898-2: about 3.5 V and 1.5 V (from memory); recessive both 2.5 V
    assert levels("H", "L", 0b01) == pytest.approx((3.5, 1.5), abs=0.05)
    assert levels("H", "L", 0b00) == pytest.approx((2.5, 2.5), abs=0.01)


def test_levels_with_a_conductor_at_ground_or_supply():
    # the manual: CAN_L to ground, CAN_H swings between 0 and 3 V; CAN_H to ground, both 0 V;
    # CAN_L to supply, both at supply; CAN_H to supply, CAN_L swings up to supply
    assert levels("H", GROUND, 1)[0] == pytest.approx(3.0, abs=0.2)
    assert levels("H", GROUND, 0)[0] == pytest.approx(0.0, abs=0.05)
    assert levels(GROUND, "L", 1)[1] == pytest.approx(0.0, abs=0.1)
    assert levels("H", SUPPLY, 1)[0] == pytest.approx(13.5, abs=0.1)
    assert levels(SUPPLY, "L", 0)[1] == pytest.approx(13.5, abs=0.1)
    assert levels(SUPPLY, "L", 1)[1] < 13.5 - 5


@pytest.mark.parametrize(
    ("contact", "works"),
    [
        ("CAN_H-CAN_L", False),
        ("CAN_H-ground", False),
        ("CAN_L-ground", True),
        ("CAN_H-supply", True),
        ("CAN_L-supply", False),
    ],
)
def test_which_shorts_kill_the_bus(contact, works):
    lab = Lab()
    with lab.bus.rewiring() as cable:
        cable.shorts.append(Short("b", contact))
    lab["a"].send(FRAME)
    lab.run(2_000)
    if works:
        assert lab.errors == [None]
        assert lab.heard("b") == lab.heard("c") == [FRAME]
    else:
        # its own dominant start of frame reads recessive: a bit error, each time at once
        assert lab["a"].state is BUS_OFF
        assert lab.heard("b") == lab.heard("c") == []
        assert (lab["b"].rec, lab["b"].tec) == (0, 0)


def test_a_short_acts_on_its_own_piece_of_cable_only():
    lab = Lab("abcd")
    lab.bus.cut("b", "c")
    with lab.bus.rewiring("a") as cable:
        cable.shorts.append(Short("a", "CAN_H-CAN_L"))
    lab["a"].send(FRAME)
    lab["c"].send(FRAME)
    lab.run(2_000)
    assert lab.heard("d") == [FRAME]
    assert (lab["a"].state, lab["c"].state) == (BUS_OFF, ACTIVE)


def test_an_unplugged_node_is_out_of_a_short_but_alone():
    lab = Lab("abc")
    lab.bus.unplug("a")
    with lab.bus.rewiring("a") as cable:
        cable.shorts.append(Short("a", "CAN_H-CAN_L"))
    lab["a"].send(FRAME)
    lab["b"].send(FRAME)
    lab.run(3_000)
    assert (lab["a"].tec, lab["a"].state) == (128, PASSIVE)  # only unacknowledged
    assert lab["b"].state is BUS_OFF


# ---- open conductors


@pytest.mark.parametrize("conductor", ["CAN_H", "CAN_L"])
def test_with_one_conductor_of_the_trunk_cut_neither_side_sees_the_other(conductor):
    # by the levels: each side's terminator pulls its open conductor to the common one
    lab = Lab("abcd")
    lab.bus.cut("b", "c", conductor)
    lab["a"].send(FRAME)
    lab["d"].send(FRAME)
    lab.run(500)
    assert sorted((r.sender, r.receivers, r.error) for r in lab.records) == [
        ("a", ("b",), None),
        ("d", ("c",), None),
    ]


@pytest.mark.parametrize("conductor", ["CAN_H", "CAN_L"])
def test_a_node_with_one_conductor_open_is_not_heard_and_others_go_on(conductor):
    lab = Lab("abc")
    lab.bus.unplug("a", conductor)
    lab["a"].send(FRAME)
    lab.run(200)
    lab["b"].send(Frame(0x300))
    lab.run(2_000)
    good = [(r.sender, r.receivers) for r in lab.records if r.error is None]
    assert [sender for sender, _ in good] == ["b"]
    assert "c" in good[0][1]
    assert lab["a"].state is PASSIVE
    assert (lab["b"].state, lab["c"].state) == (ACTIVE, ACTIVE)


def test_a_node_with_exchanged_conductors_disturbs_and_goes_bus_off():
    lab = Lab("abc")
    with lab.bus.rewiring("a") as cable:
        cable.swapped.append("a")
    lab["b"].on_sent = lab["b"].send
    lab["b"].send(Frame(0x300, bytes(8)))
    lab.run(20)
    lab["a"].send(FRAME)
    lab.run(20_000)
    assert lab["a"].state is BUS_OFF
    assert "disturbed" in lab.errors
    # once it is off, the others have the bus for themselves
    assert lab.errors[-20:] == [None] * 20
    assert lab["b"].state is ACTIVE


# ---- a stuck transceiver


def test_counters_on_a_bus_that_is_stuck_dominant_while_transmitting():
    # measured: TEC 8 at forced bit 1, 16 at 15, then 8 more every 8 bits, 128 at 127, 256 at 255;
    # receiver REC 1 at 6, 9 at 13, 17 at 20, then every 8, 129 at 132
    lab = Lab("abs")
    lab["s"].power_off()
    lab["a"].send(FRAME)
    first = 40  # recessive, as the bits before it are
    lab.run_to(first - 1)
    with lab.bus.rewiring("s") as cable:
        cable.stuck.append("s")
    tec, rec = {}, {}
    for number in range(1, 400):
        lab.run_to(first + number - 1)
        tec.setdefault(lab["a"].tec, number)
        rec.setdefault(lab["b"].rec, number)
    assert [tec[count] for count in (8, 16, 24, 128, 256)] == [1, 15, 23, 127, 255]
    assert [rec[count] for count in (1, 9, 17, 129)] == [6, 13, 20, 132]
    assert lab["a"].state is BUS_OFF
    assert lab["b"].state is PASSIVE


def test_a_stuck_bus_costs_nothing_once_nothing_changes_any_more():
    lab = Lab("abs")
    lab["s"].power_off()
    with lab.bus.rewiring("s") as cable:
        cable.stuck.append("s")
    lab["a"].send(FRAME)
    lab.run(1_000)
    seen = len(lab.bits)
    lab.run(1_000_000)
    assert len(lab.bits) == seen
    with lab.bus.rewiring("s") as cable:
        cable.stuck.remove("s")
    lab.run(200)
    assert lab.heard("b") == [FRAME]


def test_a_cable_that_is_cut_while_it_is_stuck_goes_on_from_there():
    lab = Lab("abcs")
    lab["s"].power_off()
    with lab.bus.rewiring("s") as cable:
        cable.stuck.append("s")
    lab["a"].send(FRAME)
    lab.run(100_000)
    lab.bus.cut("b", "c")
    lab.run(200)
    assert lab.queue.now_ns == 100_200_000
    assert lab.heard("b") == [FRAME]
    assert lab.records[-1].start_ns > 100_000_000
    assert all(one.end_ns <= 100_200_000 for one in lab.bits)


# ---- bit rate, ground, terminators


def test_a_node_with_a_wrong_bit_rate_lets_nothing_through_until_it_is_passive():
    # common practice; from then on only its overload flags disturb, which have no passive form
    lab = Lab("abc")
    with lab.bus.rewiring("c"):
        lab["c"].bit_rate = 500_000
    lab["b"].on_sent = lab["b"].send
    lab["b"].send(FRAME)
    lab.run(20_000)
    assert lab["c"].state is PASSIVE
    first = lab.errors[1:].index(None) + 1
    assert lab.errors[0] is None  # nobody was in the midst of anything: c saw too little of it
    assert first > 30
    assert lab.errors[first:].count(None) > 100
    assert lab.heard("c") == []


@pytest.mark.parametrize(("offset", "works"), [(2.0, True), (-2.0, True), (12.0, False)])
def test_a_ground_offset_matters_beyond_the_common_mode_range(offset, works):
    # ISO 11898-2, edition of 2016: -12 to +12 V (from memory); a shift of 2 V works
    lab = Lab("abc")
    with lab.bus.rewiring("a") as cable:
        cable.grounds["a"] = offset
    lab["a"].send(FRAME)
    lab.run(500)
    assert (lab.heard("b") == [FRAME]) is works


def test_missing_and_third_terminators():
    line = Line(length_m=10.0)
    assert hold_bits(line, 3, 5, 250_000) == 0
    assert hold_bits(line, 1, 5, 250_000) == 0
    # R 50 kohm / 5, C 11.5 m of 50 pF and 5 of 100 pF, 1.05 time constants: 11.3 us
    assert hold_bits(line, 0, 5, 250_000) == 2
    assert hold_bits(line, 0, 5, 50_000) == 0
    # a wave over 200 m and back takes 2 us, two bits of 1 Mbit/s
    assert hold_bits(Line(length_m=200.0), 1, 5, 1_000_000) == 2


def test_without_terminators_nothing_gets_through():
    lab = Lab("abc")
    with lab.bus.rewiring() as cable:
        cable.line.terminators = 0
    lab["a"].send(FRAME)
    lab.run(5_000)
    assert lab.heard("b") == []
    # it loses arbitration to its own dominant bits, and errs as a receiver
    assert (lab["a"].state, lab["a"].tec) == (PASSIVE, 0)
