"""Virtual time at the pace of the wall clock, for whoever wants to watch a drive go by.

Nothing in a run depends on it: the pace only waits, between two events.
"""

from __future__ import annotations

from linkloss.clock import EventQueue, Priority
from linkloss.wallclock import monotonic_seconds, wait_seconds

STEP_NS = 20_000_000
"""How often it looks at the clock on the wall."""


class Pace:
    """Holds a queue back so that its time does not run ahead of real time."""

    def __init__(self, queue: EventQueue) -> None:
        self._queue = queue
        self._begun_s = 0.0

    def begin(self) -> None:
        """From now on, until the queue is run no more."""
        self._begun_s = monotonic_seconds() - self._queue.now_ns / 1e9
        self._wait()

    def _wait(self) -> None:
        ahead_s = self._queue.now_ns / 1e9 - (monotonic_seconds() - self._begun_s)
        if ahead_s > 0:
            wait_seconds(ahead_s)
        self._queue.after(STEP_NS, self._wait, priority=Priority.STIMULUS)
