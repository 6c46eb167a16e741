"""Frames that go wrong: who notices at which bit, who counts what, when the wire is free again.

A failing frame is known by one number: k, the index of the bit at which its sender notices the
error, counted from 0 at the start of frame. Everything else follows from k and the error states:

    start of frame ... bit k | flags 6 + s | delimiter 8 | intermission 3 | next start of frame

so the next start of frame is k + 18 + s bits after the failing one, 8 more for an error-passive
sender if nobody else starts (Bosch CAN Specification 2.0, part B sections 3.1.3, 3.1.5 and 8).

An error here is seen by all nodes of a segment. So a receiver that alone mistakes a bit, and the
duplicates that come of an error in the last two bits of a frame, do not occur.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.clock.queue import Priority
from bench.wire.confinement import ErrorState
from bench.wire.delivery import Audience
from bench.wire.frame import TAIL_BITS, bits
from bench.wire.record import Cause

if TYPE_CHECKING:
    from bench.wire.controller import Controller
    from bench.wire.segment import Segment

FLAG_BITS = 6
SUSPEND_BITS = 8
"""An error-passive sender waits so much longer after an intermission, for others to go first
(Bosch CAN Specification 2.0, part B section 3.1.5)."""

AFTER_NOTICE_BITS = 18
"""Bit k itself, error flag 6, delimiter 8, intermission 3."""

BREAK_BITS = 23
"""A frame that breaks off: 6 equal bits until all receivers notice, error flag 6, delimiter 8,
intermission 3. A frame that breaks off after a run of recessive bits is noticed sooner; that is
left out, and so the figure is the longest that can happen."""

_ACK_FROM_END = 9
"""The ACK slot stands nine bits before the end of the frame."""


def is_planned(segment: Segment) -> bool:
    """Find out at the start of frame whether it will fail, and if so schedule that."""
    for rival in segment.rivals:
        rival.begin()
    plan = _first(segment)
    if plan is None:
        return False
    _schedule(segment, plan)
    return True


def _first(segment: Segment) -> tuple[int, Cause] | None:
    if not segment.rivals and not segment.wire.disturbances:  # a node that nobody hears
        return segment.length - _ACK_FROM_END, "ack"
    plans = [plan for plan in (_disturbed(segment), _collided(segment)) if plan is not None]
    if not segment.audience.acknowledged:
        plans.append((segment.length - _ACK_FROM_END, "ack"))
    return min(plans, key=lambda plan: plan[0], default=None)


def _schedule(segment: Segment, plan: tuple[int, Cause]) -> None:
    segment.plan = plan
    when_ns = segment.start_ns + segment.ns[plan[0] + 1]
    segment.event = segment.queue.at(when_ns, segment.fail, priority=Priority.WIRE)


def _disturbed(segment: Segment) -> tuple[int, Cause] | None:
    frame = segment.frame
    assert frame is not None
    hits = []
    for disturb in segment.wire.disturbances:
        k = disturb(segment.sender, frame, segment.length)
        if k is None:
            continue
        if not 0 <= k < segment.length:
            raise ValueError(f"{frame} has bits 0 to {segment.length - 1}, no bit {k} to disturb")
        hits.append(k)
    return (min(hits), "disturbed") if hits else None


def _collided(segment: Segment) -> tuple[int, Cause] | None:
    """The first bit at which nodes with the same identifier send different things."""
    if not segment.rivals:
        return None
    assert segment.frame is not None
    sent = [bits(segment.frame)]
    for rival in segment.rivals:
        box = rival.sending
        assert box is not None
        sent.append(bits(segment.wire.as_sent(rival, box[2])))
    for k, column in enumerate(zip(*sent, strict=False)):
        if len(set(column)) > 1:
            return k, "collision"
    return None


def fail(segment: Segment) -> None:
    """The sender has noticed the error: count, let the flags pass, and try again."""
    frame, plan = segment.frame, segment.plan
    assert frame is not None
    assert plan is not None
    k, cause = plan
    more_bits = _more_flag_bits(segment, k, cause)
    segment.frame = None
    for sender in (segment.sender, *segment.rivals):
        # rule 3, exception 1: an error-passive sender that only misses its acknowledgement
        lonely = cause == "ack" and sender.state is ErrorState.PASSIVE
        sender.fail_sending(count=not lonely)
    for receiver in segment.audience.receivers:
        receiver.count_receive_error()
    segment.free_after(k + AFTER_NOTICE_BITS + more_bits)
    if segment.wire.observers:
        segment.report(frame, cause)


def _more_flag_bits(segment: Segment, k: int, cause: Cause) -> int:
    """How many bits the other nodes' error flags add to the sender's own: s in 0..6.

    In the fixed-form end of a frame all notice at the same bit: none. In the stuffed part the
    receivers notice when they have seen six equal bits. With an active flag of the sender, bit k
    and the d dominant bits before it count: 5 - d. A passive flag is recessive, and the others'
    active flags follow it: 6. Error-passive and listen-only receivers add nothing.
    """
    if cause == "ack" or k >= segment.length - TAIL_BITS:
        return 0
    active = ErrorState.ACTIVE
    if not any(r.state is active and not r.listen_only for r in segment.audience.receivers):
        return 0
    if not any(s.state is active for s in (segment.sender, *segment.rivals)):
        return FLAG_BITS
    assert segment.frame is not None
    before = bits(segment.frame)[:k]
    return max(0, 5 - (len(before) - len(before.rstrip("0"))))


def leave(segment: Segment, controller: Controller) -> None:
    """A controller drops out in the middle of whatever the segment carries."""
    segment.suspended = tuple(member for member in segment.suspended if member is not controller)
    if segment.frame is None:
        return
    if controller in segment.rivals:
        segment.rivals = tuple(rival for rival in segment.rivals if rival is not controller)
    elif controller is segment.sender and segment.rivals:
        segment.sender, *others = segment.rivals
        segment.rivals = tuple(others)
    elif controller is segment.sender:
        break_off(segment)
    else:
        keep_receivers(segment, [r for r in segment.audience.receivers if r is not controller])


def break_off(segment: Segment, *, sender_notices: bool = False) -> None:
    """The frame in flight ends here: all who hear it see an error.

    :param sender_notices: the senders are still there, count an error and will try again.
    """
    frame = segment.frame
    assert frame is not None
    segment.queue.cancel(segment.event)
    segment.frame = None
    if sender_notices:
        for sender in (segment.sender, *segment.rivals):
            sender.fail_sending()
    for receiver in segment.audience.receivers:
        receiver.count_receive_error()
    free_ns = segment.queue.now_ns + segment.wire.span_ns(BREAK_BITS)
    segment.suspend(free_ns + segment.wire.span_ns(SUSPEND_BITS) if sender_notices else free_ns)
    segment.free_at(free_ns)
    if segment.wire.observers:
        segment.report(frame, "broken_off")


def keep_receivers(segment: Segment, receivers: list[Controller]) -> None:
    """Only these still hear the frame in flight. Without any it will not be acknowledged."""
    segment.audience = audience = Audience.of(tuple(receivers))
    slot = segment.length - _ACK_FROM_END
    if audience.acknowledged or (segment.plan is not None and segment.plan[0] <= slot):
        return
    if segment.queue.now_ns < segment.start_ns + segment.ns[slot]:
        segment.queue.cancel(segment.event)
        _schedule(segment, (slot, "ack"))
