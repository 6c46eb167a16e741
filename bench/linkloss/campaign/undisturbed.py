"""What goes over the bus in a situation without a fault: cases that are to meet a certain frame,
or a certain value of a counter, are placed by it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from functools import cache, partial

from linkloss.bus import BusRecord
from linkloss.campaign.apart import apart
from linkloss.campaign.cases import CaseMaker
from linkloss.faults.traffic import carries
from linkloss.session import simulate

LIMIT_S = 60.0
"""Real time for the run of a situation, in seconds."""


class Undisturbed:
    """The frames of each situation; it is run once, when first asked for."""

    def __init__(self, maker: CaseMaker) -> None:
        self.maker = maker
        self.frames = cache(self._run)
        self._counts = cache(self._counted)

    def _run(self, situation: str) -> tuple[BusRecord, ...]:
        """The good frames in their order; none where a program fails even without a fault."""
        return apart(partial(_frames, self.maker, situation), LIMIT_S) or ()

    def counter(self, message: str, situation: str, at_ns: int) -> int | None:
        """The counter in the last frame of a message that is over by then; None before the first,
        behind the situation's end, and without a counter.
        """
        ends, values = self._counts(message, situation)
        sent = bisect_right(ends, at_ns)
        lasts_ns = self.maker.vehicle.situations[situation].lasts
        return values[sent - 1] if sent and at_ns <= lasts_ns else None

    def silent(self, message: str, situation: str, at_ns: int, from_ns: int, to_ns: int) -> bool:
        """Whether no frame of a message ends in [from, to] behind the last one that is over by an
        instant, all within the situation.
        """
        ends, _ = self._counts(message, situation)
        sent = bisect_right(ends, at_ns)
        if not sent or ends[sent - 1] + to_ns > self.maker.vehicle.situations[situation].lasts:
            return False
        last_ns = ends[sent - 1]
        return bisect_left(ends, last_ns + from_ns) == bisect_right(ends, last_ns + to_ns)

    def _counted(self, name: str, situation: str) -> tuple[list[int], list[int]]:
        message = self.maker.vehicle.messages.get(name)
        if message is None or message.counter is None:
            return [], []
        own = [record for record in self.frames(situation) if carries(message, record.frame)]
        values = [message.counter.raw(record.frame.data) for record in own]
        return [record.end_ns for record in own], values


def _frames(maker: CaseMaker, situation: str) -> tuple[BusRecord, ...]:
    recording = simulate(maker.case(situation, ()))
    return tuple(record for record in recording.frames if record.error is None)
