"""The way back from bus-off: 128 occurrences of eleven consecutive recessive bits.

Rule 12 of Bosch CAN Specification 2.0, part B section 8. On an idle segment that is exactly 1408
bits. On a busy one each frame ends in exactly eleven recessive bits (ACK delimiter, end of frame,
intermission; after an error: delimiter and intermission), so each adds one, good or bad; an idle
stretch adds one for every whole eleven bits of it. Recessive runs inside frames never reach
eleven.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkloss.clock.queue import NS_PER_S, Event, Priority

if TYPE_CHECKING:
    from linkloss.bus.controller import Controller
    from linkloss.bus.segment import Segment

GROUPS = 128
GROUP_BITS = 11


class Recovery:
    """How far one controller has come."""

    __slots__ = ("controller", "event", "recessive", "remaining", "since_ns")

    def __init__(self, controller: Controller, now_ns: int) -> None:
        self.controller = controller
        self.remaining = GROUPS
        self.since_ns = now_ns
        """Since when it has been listening, or since when the segment is idle."""
        self.event: Event | None = None
        """The end of the recovery, if the segment stays idle."""
        self.recessive = 0
        """Bit by bit: how many recessive bits of a group there were."""

    def hear(self, seen: int) -> bool:
        """Bit by bit: count one that was seen. True when the recovery is complete."""
        self.recessive = self.recessive + 1 if seen else 0
        if self.recessive == GROUP_BITS:
            self.recessive = 0
            self.remaining -= 1
        return self.remaining == 0


def begin(segment: Segment, controller: Controller) -> None:
    """A controller on the segment starts to count."""
    found = Recovery(controller, segment.queue.now_ns)
    segment.recoveries.append(found)
    if segment.idle:
        _count_idle(segment, found)
    elif segment.interlude is not None:
        segment.interlude.station(controller).recover(found)


def drop(segment: Segment, controller: Controller) -> None:
    """A controller stops counting: it was switched off or taken away."""
    for found in [r for r in segment.recoveries if r.controller is controller]:
        _stop(segment, found)
        segment.recoveries.remove(found)


def bus_free(segment: Segment) -> None:
    """An intermission is over: the frame before it counts for all who heard its last eleven bits.

    Arbitration on a segment that was idle already changes nothing.
    """
    if segment.idle:
        return
    heard_ns = segment.queue.now_ns - segment.bus.span_ns(GROUP_BITS)
    for found in list(segment.recoveries):
        if found.since_ns <= heard_ns:
            found.remaining -= 1
            if found.remaining == 0:
                finish(segment, found)


def idle_begins(segment: Segment) -> None:
    """Nobody sends: the rest of the recovery is a matter of time."""
    for found in segment.recoveries:
        if found.event is None:
            found.since_ns = segment.queue.now_ns - segment.bus.span_ns(found.recessive)
            found.recessive = 0
            _count_idle(segment, found)


def start_of_frame(segment: Segment) -> None:
    """The idle stretch is over: whole groups of it count."""
    for found in segment.recoveries:
        settle(segment, found)
        found.recessive = 0


def settle(segment: Segment, found: Recovery) -> None:
    """Count the idle stretch up to now, and be ready for another."""
    now_ns = segment.queue.now_ns
    if found.event is not None:
        _stop(segment, found)
        twice = 2 * (now_ns - found.since_ns) + 1
        groups = twice * segment.bus.bit_rate // (2 * GROUP_BITS * NS_PER_S)
        found.remaining -= groups
        found.since_ns = now_ns


def _count_idle(segment: Segment, found: Recovery) -> None:
    end_ns = found.since_ns + segment.bus.span_ns(GROUP_BITS * found.remaining)
    found.event = segment.queue.at(end_ns, finish, segment, found, priority=Priority.BUS)


def _stop(segment: Segment, found: Recovery) -> None:
    if found.event is not None:
        segment.queue.cancel(found.event)
        found.event = None


def finish(segment: Segment, found: Recovery) -> None:
    """A controller has heard enough: it takes part again."""
    segment.recoveries.remove(found)
    segment.forget_audiences()
    found.controller.recovered()
