"""Frames that are missed, disturbed, altered, repeated, late, doubled, or sent by the wrong one."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from small_car import MS, counters, fault, run, small_vehicle

from linkloss.bus.frame import Frame, bits
from linkloss.faults.catalogue import FaultError, make_fault
from linkloss.faults.frame_faults import Freeze, _recessive_bits, telling_gap

DASH_STATUS = 512
REAR_STATUS = 514
REQUEST = "LampRequest"


# ---- drop


def test_drop_takes_the_frames_from_one_receiver_only():
    ran = run((fault("drop", message=REQUEST, receiver="rear"), 200, 400))
    assert {r.receivers for r in ran.frames(since_ms=200, until_ms=400)} == {("front",)}
    assert {r.receivers for r in ran.frames(since_ms=400)} == {("front", "rear")}
    assert {r.error for r in ran.frames()} == {None}


def test_drop_leaves_other_messages_alone():
    ran = run((fault("drop", message=REQUEST, receiver="rear"), 200, 400))
    other = ran.frames(DASH_STATUS, since_ms=200, until_ms=400)
    assert {record.receivers for record in other} == {("front", "rear")}


def test_drop_of_a_count_ends_after_so_many_frames():
    ran = run((fault("drop", message=REQUEST, receiver="rear", count=2), 200, None))
    after = ran.frames(since_ms=200)
    assert ["rear" in record.receivers for record in after[:4]] == [False, False, True, True]


def test_drop_of_a_share_hits_some_frames_and_the_seed_says_which():
    lossy = fault("drop", message=REQUEST, receiver="rear", share=0.5)

    def pattern(seed):
        ran = run((lossy, 100, None), lasts_ms=2_100, seed=seed)
        return ["rear" in record.receivers for record in ran.frames(since_ms=100)]

    first = pattern(1)
    assert 8 <= sum(first) <= 32
    assert len(first) == 40
    assert first == pattern(1)
    assert first != pattern(2)


def test_a_node_cannot_miss_what_it_sends_itself():
    with pytest.raises(FaultError, match="node 'dash' sends 'LampRequest' itself"):
        fault("drop", message=REQUEST, receiver="dash")


# ---- corrupt


def test_corrupt_of_a_count_makes_so_many_error_frames_and_then_the_frame_gets_through():
    ran = run((fault("corrupt", message=REQUEST, count=3), 200, None))
    after = ran.frames(since_ms=200)
    assert [record.error for record in after[:5]] == ["disturbed"] * 3 + [None, None]
    assert len(set(counters(after[:4]))) == 1


def test_corrupting_each_attempt_drives_the_sender_to_bus_off():
    ran = run((fault("corrupt", message=REQUEST), 200, 260))
    states = [change.state for change in ran.recording.controllers["dash"]]
    assert states[:2] == ["PASSIVE", "BUS_OFF"]
    disturbed = ran.frames(since_ms=200, until_ms=260)
    assert {record.error for record in disturbed} == {"disturbed"}
    assert [record.error for record in disturbed[:32]] == ["disturbed"] * 32
    assert ran.delivered(since_ms=300)


def test_corrupt_disturbs_a_recessive_bit_behind_the_header():
    for frame in (Frame(0x100, bytes(8)), Frame(0x7FF, b""), Frame(0x1234, b"\x00", extended=True)):
        string = bits(frame)
        found = _recessive_bits(frame)
        assert found
        assert {string[index] for index in found} == {"1"}
        assert min(found) >= (39 if frame.extended else 19)
        assert max(found) < len(string) - 10


# ---- alter


def test_alter_toggles_the_payload_and_keeps_counter_and_checksum():
    ran = run((fault("alter", message=REQUEST), 200, 400))
    before, during, after = (
        {r.frame.data[0] for r in ran.delivered(since_ms=a, until_ms=b)}
        for a, b in ((30, 200), (200, 400), (400, 600))
    )
    assert before == after == {0b100}
    assert during == {0b111}
    assert {record.frame.data[2] for record in ran.delivered()} == {0xAA}
    steps = {(b - a) % 16 for a, b in pairwise(counters(ran.delivered()))}
    assert steps == {1}


def test_an_altered_request_lights_a_lamp_that_nobody_asked_for():
    ran = run((fault("alter", message=REQUEST), 200, 400))
    lamp = ran.recording.outputs["tail_lamp"]
    assert [lamp.at(at * MS) for at in (190, 300, 500)] == [0.0, 1.0, 0.0]


def test_a_message_without_payload_signals_cannot_be_altered():
    with pytest.raises(FaultError, match="'Plain' has no payload signal to alter"):
        fault("alter", message="Plain")


# ---- freeze


def test_freeze_repeats_the_content_from_before_the_fault():
    ran = run((fault("freeze", message=REQUEST), 200, 400), lights=[(250, "on")])
    last = ran.delivered(until_ms=200)[-1].frame
    during = [record.frame for record in ran.delivered(since_ms=200, until_ms=400)]
    assert during == [last] * 4
    assert ran.delivered(since_ms=400)[0].frame.data[0] == 0b101
    assert counters(ran.delivered(since_ms=400))[0] == (last.data[1] + 5) % 16


def test_freeze_before_the_first_frame_repeats_that_one():
    ran = run((fault("freeze", message=REQUEST), 0, 200))
    assert set(counters(ran.delivered(until_ms=200))) == {1}
    assert counters(ran.delivered(since_ms=200))[0] > 1


def test_freeze_with_a_gap_repeats_the_content_less_often():
    ran = run((fault("freeze", message=REQUEST, gap="75 ms"), 200, 500))
    last = ran.delivered(until_ms=200)[-1]
    during = ran.delivered(since_ms=200, until_ms=500)
    assert {record.frame for record in during} == {last.frame}
    ends = [last.end_ns, *(record.end_ns for record in during)]
    assert {later - earlier for earlier, later in pairwise(ends)} == {100 * MS}
    assert counters(ran.delivered(since_ms=500))[0] == (last.frame.data[1] + 7) % 16


@pytest.mark.parametrize(
    "period_ms, stale_ms, gap_ms",
    [(50, 250, 75), (20, 250, 30), (100, 250, None), (60, 300, 90), (50, 600, 225), (20, 20, None)],
)
def test_a_gap_keeps_old_frames_from_coming_just_as_the_link_goes_stale(
    period_ms, stale_ms, gap_ms
):
    car = small_vehicle()
    loads = {
        name: load.model_copy(update={"stale_after": stale_ms * MS})
        for name, load in car.loads.items()
    }
    messages = {
        name: replace(info, period_ns=period_ms * MS) for name, info in car.messages.items()
    }
    car = replace(car, file=car.file.model_copy(update={"loads": loads}), messages=messages)
    wanted = None if gap_ms is None else gap_ms * MS
    assert telling_gap(car, REQUEST) == wanted
    frozen = [each.gap for each in Freeze.every(car) if each.message == REQUEST]
    assert frozen == [None] if gap_ms is None else [None, wanted]


# ---- delay


def test_delay_brings_each_frame_late_and_the_last_ones_after_the_fault():
    ran = run((fault("delay", message=REQUEST, by="80 ms"), 200, 400))
    starts = {}
    for record in ran.delivered():
        starts.setdefault(record.frame.data[1], []).append(record.start_ns / MS)
    handed = {entry.data[1]: entry.at_ns / MS for entry in ran.recording.handed[REQUEST]}
    late = {n: starts[n][0] - at for n, at in handed.items() if at < 500}
    assert all(value < 1 for n, value in late.items() if not 200 <= handed[n] < 400)
    assert all(80 <= value < 81 for n, value in late.items() if 200 <= handed[n] < 400)
    arrived = counters(ran.delivered())
    assert arrived != sorted(arrived), "an older frame follows a newer one after the fault"


def test_a_reset_of_the_sender_loses_what_is_held_back():
    ran = run(
        (fault("delay", message=REQUEST, by="80 ms"), 200, 400),
        (fault("reset", node="dash"), 230, None),
    )
    assert ran.delivered(since_ms=205, until_ms=330) == []
    assert ran.session.hosts["dash"].controller.losses == {"power_off": 1}


# ---- duplicate


def test_duplicate_sends_each_frame_twice():
    ran = run((fault("duplicate", message=REQUEST), 200, 400))
    during = counters(ran.delivered(since_ms=200, until_ms=400))
    assert len(during) == 8
    assert during[0::2] == during[1::2]
    assert all((b - a) % 16 == 1 for a, b in pairwise(during[0::2]))
    assert len(ran.delivered(since_ms=400)) == 4


# ---- flood


def test_flood_keeps_everybody_else_off_the_bus():
    ran = run((fault("flood", node="rear"), 200, 400))
    during = [r for r in ran.recording.frames if 201 * MS <= r.start_ns < 399 * MS]
    assert {record.sender for record in during} == {"babbler at rear"}
    assert {record.error for record in during} == {None}
    assert all((b.start_ns - a.end_ns) == 12_000 for a, b in pairwise(during))


def test_all_come_back_after_a_flood():
    ran = run((fault("flood", node="rear"), 200, 400))
    senders = {record.sender for record in ran.recording.frames if record.start_ns >= 401 * MS}
    assert senders == {"front", "dash", "rear"}


def test_flood_takes_the_share_of_the_bus_that_was_asked_for():
    ran = run((fault("flood", node="rear", share=0.25), 200, 400))
    busy = [r for r in ran.recording.frames if r.sender.startswith("babbler")]
    taken_ns = sum(record.end_ns - record.start_ns for record in busy)
    assert 0.22 < taken_ns / (200 * MS) < 0.26
    assert len(ran.delivered(since_ms=200, until_ms=400)) == 4


def test_two_floods_beside_one_node_have_names_of_their_own():
    ran = run(
        (fault("flood", node="rear", share=0.1), 200, 400),
        (fault("flood", node="rear", share=0.1, identifier=1), 200, 400),
    )
    senders = {r.sender for r in ran.recording.frames} - {"front", "dash", "rear"}
    assert senders == {"babbler at rear", "babbler 2 at rear"}


def test_a_flood_with_the_identifier_of_a_message_is_refused():
    with pytest.raises(FaultError, match="identifier 0x100 belongs to message 'LampRequest'"):
        fault("flood", node="rear", identifier=0x100)


def test_a_babbler_that_went_bus_off_comes_back_by_itself():
    def force(session):
        (babbler,) = (c for c in session.bus.controllers if c.name == "babbler at rear")
        babbler.force_bus_off()

    ran = run((fault("flood", node="rear"), 200, 400), at=(250 * MS, force))
    starts = [r.start_ns / MS for r in ran.recording.frames if r.sender == "babbler at rear"]
    (gap,) = [(a, b) for a, b in pairwise(starts) if b - a > 1]
    assert gap[0] < 250 < 255 < gap[1] < 300
    assert {r.sender for r in ran.frames(since_ms=250, until_ms=260)} == {"dash"}


# ---- impostor


def test_an_impostor_sends_old_content_midway_between_the_true_frames():
    ran = run((fault("impostor", message=REQUEST, node="front"), 200, 400), lights=[(220, "on")])
    old = ran.delivered(until_ms=200)[-1]
    false = [r for r in ran.delivered() if r.sender == "impostor at front"]
    assert len(false) == 4
    assert {record.frame for record in false} == {old.frame}
    assert all((r.start_ns - old.start_ns) % (50 * MS) == 25 * MS for r in false)
    assert all(200 * MS <= r.start_ns < 400 * MS for r in false)
    true = ran.delivered(since_ms=225, until_ms=400)
    assert {r.frame.data[0] for r in true if r.sender == "dash"} == {0b101}


def test_an_impostor_waits_until_there_is_a_frame_to_repeat():
    ran = run((fault("impostor", message=REQUEST, node="front"), 0, 400))
    false = [r for r in ran.delivered() if r.sender == "impostor at front"]
    assert {record.frame.data[1] for record in false} == {1}


def test_an_impostor_that_starts_at_the_same_instant_collides_with_the_true_sender():
    midway_ns = run().delivered(until_ms=200)[-1].start_ns + 75 * MS

    def send(session):
        session.hosts["dash"].controller.send(Frame(0x100, b"\x05\x0c\xaa"))

    ran = run((fault("impostor", message=REQUEST, node="front"), 200, 400), at=(midway_ns, send))
    (first, *_) = [r for r in ran.frames() if r.start_ns >= midway_ns]
    assert first.error == "collision"
    assert {first.sender, *first.rivals} == {"dash", "impostor at front"}


def test_a_message_without_a_cycle_time_has_no_impostor():
    with pytest.raises(FaultError, match="'Plain' has no cycle time"):
        fault("impostor", message="Plain", node="rear")


# ---- all of them


@pytest.mark.parametrize(
    "kind", ["alter", "corrupt", "delay", "duplicate", "freeze", "impostor", "drop"]
)
def test_a_message_that_nobody_sends_or_knows_is_refused_by_name(kind):
    more = {"impostor": {"node": "rear"}, "drop": {"receiver": "rear"}}.get(kind, {})
    with pytest.raises(FaultError, match=r"did you mean 'LampRequest'\?"):
        make_fault(kind, {"message": "LampReqest", **more}, small_vehicle())
    with pytest.raises(FaultError, match="no node of the vehicle sends message 'Foreign'"):
        make_fault(kind, {"message": "Foreign", **more}, small_vehicle())
