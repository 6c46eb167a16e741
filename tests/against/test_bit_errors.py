"""What follows from one wrong bit, against Bosch CAN Specification 2.0 (parts and rule numbers are
its own) and against figures measured on an open hardware CAN controller core in simulation, with
three nodes on a wired-AND bus: those are marked "measured".
"""

from __future__ import annotations

import pytest
from bit_lab import FRAME, Lab

from linkloss.bus.controller import ErrorState
from linkloss.bus.frame import Frame, length_bits

ACTIVE, PASSIVE, BUS_OFF = ErrorState.ACTIVE, ErrorState.PASSIVE, ErrorState.BUS_OFF


# ---- one receiver alone sees a bit wrongly


def test_an_error_that_one_receiver_makes_costs_it_nine():
    # measured: rule 1, then rule 2, because the others echo its flag; the sender 8, a third node 1
    lab = Lab()
    lab.disturb({40: "b"})
    lab["a"].send(FRAME)
    while not lab.records:
        lab.run(1)
    lab.run(12)
    assert lab.counters() == [(8, 0), (0, 9), (0, 1)]
    lab.run(1_000)
    # after the repeat
    assert lab.counters() == [(7, 0), (0, 8), (0, 0)]
    assert lab.heard("b") == lab.heard("c") == [FRAME]


def test_a_faulty_receiver_is_passive_after_fifteen_frames_and_then_disturbs_nobody():
    # measured: REC 9, 18, ... 126, 135; from then on its flags are recessive and TEC falls again
    lab = Lab()
    lab.disturb(*[{40: "b"}] * 100)
    lab["a"].send(FRAME)
    counts = []
    while len(lab.records) < 15:
        before = len(lab.records)
        lab.run(1)
        if len(lab.records) > before:
            lab.run(12)
            counts.append(lab["b"].rec)
    assert counts == [9 * number for number in range(1, 16)]
    assert lab["b"].state is PASSIVE
    tec = lab["a"].tec
    for _ in range(20):
        lab["a"].send(FRAME)
        lab.run(150)
    assert lab.errors[15:] == [None] * 21
    assert lab["a"].tec == tec - 21
    assert lab.heard("b") == []


def test_a_crc_error_of_a_receiver_shows_behind_the_ack_delimiter():
    # part B section 6.2; measured: 7 dominant bits on the bus (6 of b, 1 more of the others), and
    # 89 bits from one start of frame to the next
    lab = Lab()
    lab.disturb({60: "b"})  # in the CRC sequence, without six equal bits
    lab["a"].send(FRAME)
    lab.run(1_000)
    assert lab.line("b", 66, 77) == "111111000000"[1:] + "1"
    assert lab.levels(70, 79) == "1000000011"
    assert lab.starts == [0, 89]


# ---- end of frame and intermission: only b sees a dominant bit there


@pytest.mark.parametrize("k", range(71, 76))
def test_a_dominant_bit_in_the_first_five_bits_of_end_of_frame(k):
    # measured: a +8, b +9, c +1; repeated after k + 19 bits; then 7, 8, 0
    lab = Lab()
    lab.disturb({k: "b"})
    lab["a"].send(FRAME)
    lab.run_to(k + 18)
    assert lab.counters() == [(8, 0), (0, 9), (0, 1)]
    lab.run(1_000)
    assert lab.starts == [0, k + 19]
    assert lab.counters() == [(7, 0), (0, 8), (0, 0)]
    assert lab.heard("b") == lab.heard("c") == [FRAME]


def test_a_dominant_last_but_one_bit_makes_a_duplicate():
    # measured: a +8, b +9, c +0; c has accepted the frame and gets it again
    lab = Lab()
    lab.disturb({76: "b"})
    lab["a"].send(FRAME)
    lab.run_to(94)
    assert lab.counters() == [(8, 0), (0, 9), (0, 0)]
    lab.run(1_000)
    assert lab.starts == [0, 95]
    assert (lab.heard("b"), lab.heard("c")) == ([FRAME], [FRAME, FRAME])
    assert [(r.receivers, r.error) for r in lab.records] == [
        (("c",), "disturbed"),
        (("b", "c"), None),
    ]
    assert lab.records[0].end_ns == lab["c"].inbox[0][0] == 78_000
    assert (lab["a"].accepted, lab["a"].sent) == (1, 1)


def test_a_dominant_last_bit_is_an_overload_and_nobodys_error():
    # part A addendum; measured: no counters, no repeat
    lab = Lab()
    lab.disturb({77: "b"})
    for _ in range(2):
        lab["a"].send(FRAME)
    lab.run(1_000)
    assert lab.counters() == [(0, 0)] * 3
    assert lab.heard("b") == lab.heard("c") == [FRAME, FRAME]
    # flags of b at 78, of the others one bit later, then 8 and 3
    assert lab.starts == [0, 78 + 7 + 8 + 3]


def test_a_dominant_first_bit_of_intermission_is_an_overload():
    # part B section 3.1.4, condition 2; measured: no counters
    lab = Lab()
    lab.disturb({78: "b"})
    for _ in range(2):
        lab["a"].send(FRAME)
    lab.run(1_000)
    assert lab.counters() == [(0, 0)] * 3
    assert lab.starts == [0, 79 + 7 + 8 + 3]


def test_an_overload_flag_in_the_third_bit_of_intermission_is_a_start_of_frame_to_others():
    # the case of part A page 18; measured: a and c REC +1 (stuff error), b +0
    lab = Lab()
    lab.disturb({79: "b"})
    lab["a"].send(FRAME)
    lab.run(500)
    assert lab.counters() == [(0, 1), (0, 0), (0, 1)]
    assert lab.levels(80, 92) == "0" * 12 + "1"


def test_a_dominant_third_bit_of_intermission_is_a_start_of_frame_to_one():
    # measured: b REC +1 and +8, a and c REC +1
    lab = Lab()
    lab.disturb({80: "b"})
    lab["a"].send(FRAME)
    lab.run(500)
    assert lab.counters() == [(0, 1), (0, 9), (0, 1)]


def test_with_a_frame_to_send_a_start_of_frame_in_the_third_bit_is_its_own():
    # part B section 3.1.5: the node starts with the first bit of its identifier
    lab = Lab()
    lab.disturb({80: None})
    lab["a"].send(FRAME)
    lab["b"].send(Frame(0x200))
    lab.run(1_000)
    assert lab.errors == [None, None]
    assert lab.starts == [0, 80]
    assert lab.records[1].end_ns == 1_000 * (80 + length_bits(Frame(0x200)))


def test_a_dominant_eighth_bit_of_the_delimiter_is_an_overload():
    # part B section 3.1.4, condition 3 (of the edition of 1997); the counters stay
    lab = Lab()
    lab.disturb({40: None, 59: "b"})
    lab["a"].send(FRAME)
    lab.run_to(70)
    # flags 41 to 51, delimiter 52 to 59, overload flag of b 60 to 65, of the others 61 to 66
    assert lab.counters() == [(8, 0), (0, 1), (0, 1)]
    assert lab.levels(52, 67) == "1" * 8 + "0" * 7 + "1"


# ---- exceptions to rule 3


def test_a_stuff_bit_seen_dominant_during_arbitration_costs_the_sender_nothing():
    # rule 3, exception 2; measured: TEC stays 0, the receiver +1 for each frame, next start of
    # frame 23 bits later. The stuff bit behind five dominant bits is bit 5.
    lab = Lab("ab")
    lab.disturb({5: None}, {5: None}, {5: None})
    lab["a"].send(Frame(0x003, b"\x01"))
    lab.run_to(3 * 23 - 1)
    assert lab.counters() == [(0, 0), (0, 3)]
    lab.run(1_000)
    assert lab.starts == [0, 23, 46, 69]


def test_a_passive_sender_counts_a_missing_acknowledgement_if_its_flag_is_answered():
    # rule 3, exception 1 holds only while it sees no dominant bit during its own passive flag
    lab = Lab("abl")
    lab["a"].tec = 130
    lab["a"].refresh_state()
    lab["b"].power_off()
    lab.nodes["l"].listen(only=True)
    lab["a"].send(FRAME)
    lab.run_to(80)
    assert (lab.errors, lab["a"].tec) == (["ack"], 130)
    other = Lab("ab")
    other["a"].tec = 130
    other["a"].refresh_state()
    other.disturb({69: "a", 72: "a"})
    other["a"].send(FRAME)
    other.run_to(80)
    assert (other.errors, other["a"].tec) == (["ack"], 138)


# ---- which flag


def test_the_error_that_makes_a_node_passive_still_shows_an_active_flag():
    # rule 9
    lab = Lab("ab")
    lab["a"].tec = 120
    lab.disturb({40: None}, {40: None})
    lab["a"].send(FRAME)
    lab.run_to(60)
    assert lab["a"].state is PASSIVE
    assert lab.line("a", 41, 46) == "000000"
    lab.run(100)
    second = lab.records[1].start_ns // 1_000
    assert lab.line("a", second + 41, second + 46) == "111111"


def test_a_passive_sender_with_active_receivers_repeats_after_k_and_32_bits():
    # computed from the rules: 1 and passive flag 6, others' flags 6, delimiter 8, intermission 3,
    # suspend 8; bits behind the flag are recessive until the receivers have seen six of them
    lab = Lab("ab")
    lab["a"].tec = 130
    lab["a"].refresh_state()
    lab.disturb({40: None})
    lab["a"].send(FRAME)
    lab.run(1_000)
    assert lab.starts == [0, 40 + 32]
    assert lab.levels(41, 63) == "1" * 6 + "0" * 6 + "1" * 11


def test_flags_together_are_six_to_twelve_bits_long():
    # part B section 3.1.3
    for k in range(1, 69):
        lab = Lab("abc")
        lab.disturb({k: None})
        lab["a"].send(FRAME)
        lab.run(300)
        noticed = lab.records[0].end_ns // 1_000
        flags = max(lab.levels(noticed, noticed + 26).split("1"), key=len)
        assert lab.records[0].error is not None, k
        assert 6 <= len(flags) <= 12, k


# ---- two senders


@pytest.mark.parametrize(
    ("mine", "other", "bit"),
    [
        (b"\x00", b"\x80", 20),  # SOF to DLC 19 bits and one stuff bit
        (b"\x00", b"\x00\x00", 18),  # DLC 0001 and 0010, one stuff bit before
    ],
)
def test_two_senders_of_one_identifier_fail_at_the_first_bit_that_differs(mine, other, bit):
    # part B section 3.1.1: arbitration is over, so it is a bit error of the one sending recessive
    lab = Lab()
    lab["a"].send(Frame(0x123, mine))
    lab["b"].send(Frame(0x123, other))
    lab.run_to(bit - 1)
    assert lab.counters() == [(0, 0)] * 3
    lab.run(1)
    assert sum(tec for tec, _ in lab.counters()) == 8
    assert lab.records[0].end_ns == 1_000 * (bit + 1)
    assert (lab.records[0].error, len(lab.records[0].rivals)) == ("collision", 1)


def test_behind_a_passive_flag_receivers_may_accept_what_its_sender_repeats():
    # part B sections 4 and 6: b alone sees no error in a frame whose sender, error-passive, misses
    # the acknowledgement and then drives nothing but recessive bits
    lab = Lab("ab")
    lab["a"].tec = 130
    lab["a"].refresh_state()
    lab.disturb({69: "a"})
    lab["a"].send(FRAME)
    lab.run(500)
    assert [(r.receivers, r.error) for r in lab.records] == [(("b",), "ack"), (("b",), None)]
    assert lab.records[0].end_ns == lab["b"].inbox[0][0] == 78_000
    assert lab.heard("b") == [FRAME, FRAME]
