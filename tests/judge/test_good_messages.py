"""*good* messages: which of those delivered count, seen through what a load must do."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, car

from bench.judge.case import Case

PERIODS = 5
"""max_step by default: the periods of 50 ms in stale_after, 250 ms."""


def arrivals(tape, load="lamp"):
    """(ms, sure) of the good requests of the last life of the rear node."""
    tape.recording.frames = sorted(tape._frames, key=lambda record: record.end_ns)
    case = Case(tape.vehicle, tape.recording)
    table = tape.vehicle.loads[load]
    found = case.arrivals("Request", "rear", case.link("Request", table))
    return [(entry.at_ns / 1e6, entry.sure) for entry in found[-1]]


def sequence(*entries, load=None):
    """Requests as (ms, counter)."""
    tape = Tape(car(lamp=load or {}), 3000)
    for at_ms, counter in entries:
        tape.request(at_ms, on=True, counter=counter)
    return tape


def test_the_first_message_is_good_whatever_its_counter():
    assert arrivals(sequence((100, 9))) == [(100, True)]


@pytest.mark.parametrize("step", range(1, PERIODS + 1))
def test_a_counter_may_move_by_up_to_the_periods_in_stale_after(step):
    assert arrivals(sequence((100, 3), (150, 3 + step))) == [(100, True), (150, True)]


@pytest.mark.parametrize("step", [0, PERIODS + 1, 15])
def test_a_repeat_a_leap_and_a_step_back_are_not_good(step):
    assert arrivals(sequence((100, 3), (150, (3 + step) % 16))) == [(100, True)]


def test_a_declared_max_step_counts():
    load = {"max_step": 1}
    assert arrivals(sequence((100, 3), (150, 5), load=load)) == [(100, True)]


def test_a_counter_wraps():
    assert arrivals(sequence((100, 15), (150, 0))) == [(100, True), (150, True)]
    assert arrivals(sequence((100, 14), (150, 3))) == [(100, True), (150, True)]
    assert arrivals(sequence((100, 14), (150, 4))) == [(100, True)]


def test_steps_count_from_the_last_good_message_not_from_the_last_one():
    """9 is a leap from 3 and is dropped; 4 then is a step of one from 3, 10 a leap of 6 from 4."""
    assert arrivals(sequence((100, 3), (150, 9), (200, 4), (250, 10))) == [
        (100, True),
        (200, True),
    ]


def test_the_first_message_after_a_loss_is_good_whatever_its_counter():
    """Surely lost behind 100 + 270 = 370 ms; from 345 ms on the receiver may see it either way."""
    assert arrivals(sequence((100, 3), (345 - NS, 3))) == [(100, True)]
    assert arrivals(sequence((100, 3), (345, 3))) == [(100, True), (345, False)]
    assert arrivals(sequence((100, 3), (370, 3))) == [(100, True), (370, False)]
    assert arrivals(sequence((100, 3), (370 + NS, 3))) == [(100, True), (370 + float(NS), True)]


def test_a_repeat_that_may_be_good_leaves_both_counters_open():
    """At 350 ms a repeat of 3. Who refused it has lost the link at 370 ms and takes the 9 at
    400 ms, a leap of 6 for the others; these take the 4 at 450 ms, a step back for the former.
    """
    found = arrivals(sequence((100, 3), (350, 3), (400, 9), (450, 4)))
    assert found == [(100, True), (350, False), (400, False), (450, False)]


def test_after_a_reset_of_the_sender_either_verdict_is_allowed():
    tape = sequence((100, 3), (1000, 3), (1050, 4), (1300, 0)).reset("dash", 1100)
    assert arrivals(tape)[-2:] == [(1050, True), (1300, False)]


def test_a_message_without_a_counter_is_good_after_a_reset_of_its_sender():
    tape = Tape(car(lamp={"request": "Plain.Lamp"}), 3000).plain(100, 1000, on=True)
    tape.plain(1200, 1201, on=False).reset("dash", 1000)
    tape.recording.frames = tape._frames
    case = Case(tape.vehicle, tape.recording)
    link = case.link("Plain", tape.vehicle.loads["lamp"])
    assert all(entry.sure for entry in case.arrivals("Plain", "rear", link)[0])


def bad(tape, at_ms, kind):
    data = {"short": [1, 5], "long": [1, 5, 6, 0], "checksum": [1, 5, 7]}.get(kind, [1, 5, 6])
    if kind == "foreign":
        return tape.frame(at_ms, 0x102, data)
    if kind == "not delivered":
        return tape.frame(at_ms, 0x100, data, to=())
    if kind == "error":
        return tape.frame(at_ms, 0x100, data, error="disturbed")
    return tape.frame(at_ms, 0x100, data)


@pytest.mark.parametrize("kind", ["short", "long", "checksum", "foreign", "not delivered", "error"])
def test_what_is_not_good_does_not_count(kind):
    tape = sequence((100, 4))
    assert arrivals(bad(tape, 150, kind)) == [(100, True)]
    assert arrivals(bad(sequence((100, 4)), 150, "well formed")) == [(100, True), (150, True)]


def test_bad_messages_keep_no_link_alive():
    """Good up to 460 ms, then frames with a wrong checksum for ever: off is due at 730 ms."""
    tape = Tape(car(), 3000).requests(60, 461, on=True).fault("alter", 465, None, content=True)
    for at_ms in range(510, 3000, 50):
        bad(tape, at_ms, "checksum")
    tape.output("lamp", (70, 1), (730, 0))
    assert tape.verdict("stale").margin_ns == 0
    late = Tape(car(), 3000).requests(60, 461, on=True).fault("alter", 465, None, content=True)
    for at_ms in range(510, 3000, 50):
        bad(late, at_ms, "checksum")
    assert late.output("lamp", (70, 1), (730 + NS, 0)).broken() == [("lamp", "stale")]


def overrun(kind):
    tape = sequence((100, 3)).fault(kind, 120, 180)
    return tape.request(150, on=True, counter=4, overrun=("rear",))


def test_a_message_lost_to_a_full_fifo_counts_all_the_same():
    """A slow loop is the firmware's own fault."""
    assert arrivals(overrun("noise")) == [(100, True), (150, True)]


def test_under_a_flood_a_message_lost_to_a_full_fifo_may_have_been_seen_or_not():
    assert arrivals(overrun("flood")) == [(100, True), (150, False)]
    late = sequence((100, 3)).fault("flood", 160, 180)
    late.request(150, on=True, counter=4, overrun=("rear",))
    assert arrivals(late) == [(100, True), (150, True)]


def test_messages_that_came_before_the_reset_of_the_receiver_are_forgotten():
    """Counter 3 before, 3 after: the first after boot is good."""
    tape = sequence((900, 3), (1060, 3)).reset("rear", 1000)
    assert arrivals(tape) == [(1060, True)]


def test_a_frame_that_its_sender_repeats_counts_where_it_was_accepted():
    # an error in the last bits but one of the end of frame: the rear node has it, the sender does
    # not know; the repeat has the same counter
    tape = Tape(car(lamp={}), 3000)
    tape.request(100, on=True, counter=3, error="disturbed", to=["rear"])
    tape.request(101, on=True, counter=3)
    tape.request(150, on=True, counter=4)
    assert arrivals(tape) == [(100, True), (150, True)]
    traffic = Case(tape.vehicle, tape.recording).traffic("Request")
    assert [at_ns / 1e6 for at_ns in traffic.sent.times] == [101, 150]
    assert [at_ns / 1e6 for at_ns in traffic.heard_by("rear").times] == [100, 101, 150]
    assert [at_ns / 1e6 for at_ns in traffic.sent_by("dash").times] == [101, 150]
