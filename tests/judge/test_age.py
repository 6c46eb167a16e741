"""Old content that wins the wire when nobody asks for it any more."""

from __future__ import annotations

from judge_lab import MS

from bench.judge.age import outdated
from bench.wire import Frame, WireRecord

LIMIT_NS = 120 * MS
"""A cycle of 50 ms and a latency of 70 ms."""


def frame(queued_ms, start_ms, on, receivers=("rear",)) -> WireRecord:
    """A request that was handed over at one instant and won the wire at another."""
    start_ns = start_ms * MS
    return WireRecord(
        start_ns, start_ns + MS, "dash", Frame(0x100, bytes([on])), receivers,
        queued_ns=-1 if queued_ms is None else queued_ms * MS,
    )  # fmt: skip


def asked(data: bytes, at_ns: int) -> bool:
    """Asked for is on until 1000 ms, then off."""
    return bool(data[0]) == (at_ns < 1000 * MS)


def found(*frames) -> list[WireRecord]:
    return [*outdated(frames, asked, LIMIT_NS)]


def test_a_frame_that_waited_through_a_change_is_old():
    """The cable was off for 1.5 s: what was queued first comes first when it is back."""
    old, new = frame(900, 2400, 1), frame(2390, 2401, 0)
    assert found(old, new) == [old]


def test_one_that_waited_no_longer_than_a_cycle_and_the_latency_is_not():
    assert not found(frame(900, 1020, 1))
    assert found(frame(900, 1021, 1))


def test_one_that_is_still_asked_for_is_not_however_old():
    assert not found(frame(100, 900, 1), frame(1100, 2400, 0))


def test_one_that_was_wrong_from_the_beginning_is_another_matter():
    assert not found(frame(100, 2400, 0), frame(1100, 2400, 1))


def test_one_that_reached_nobody_or_whose_age_is_not_known_is_not_told():
    assert not found(frame(900, 2400, 1, receivers=()), frame(None, 2400, 1))
