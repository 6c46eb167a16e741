"""Puts logged frames on the bus.

A log notes when a frame was received. So a frame is handed to its controller one frame length
earlier: on a bus that is free at that moment it ends exactly when it was logged. Where the bus
is not free it is arbitrated like any other, and how much later it came is noted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from linkloss.bus import Bus, Frame
from linkloss.bus.refusal import TransmitError
from linkloss.clock import EventQueue, Priority
from linkloss.traffic import LoggedFrame, Shift

_STIMULUS = int(Priority.STIMULUS)

Feed = Callable[[Frame], bool]
"""Hands a frame to a controller; False when its node is silent at the time."""


class Player:
    """Plays a stream of logged frames, one at a time: it never holds more than those in flight.

    :param feeds: by sender, what takes its frames; ``feed_of`` is asked for one that is missing.
    """

    def __init__(
        self,
        queue: EventQueue,
        bus: Bus,
        frames: Iterator[LoggedFrame],
        feed_of: Callable[[str], Feed],
    ) -> None:
        self._queue = queue
        self._bus = bus
        self._frames = frames
        self._feed_of = feed_of
        self._feeds: dict[str, Feed] = {}
        self._due: dict[int, int] = {}
        self._last_ns = 0
        self.shift = Shift()

    def begin(self) -> None:
        """Schedule the first frame."""
        self._schedule()

    def sent(self, frame: Frame) -> None:
        """A controller that plays has sent a frame."""
        due_ns = self._due.pop(id(frame), None)
        if due_ns is not None:
            now_ns = self._queue.now_ns
            self.shift.note(now_ns - due_ns, now_ns, frame)

    def _schedule(self) -> None:
        entry = next(self._frames, None)
        if entry is not None:
            start_ns = entry.at_ns - self._bus.frame_ns(entry.frame)
            self._queue.at(max(start_ns, self._last_ns), self._play, entry, priority=_STIMULUS)

    def _play(self, entry: LoggedFrame) -> None:
        at_ns, sender, frame = entry
        self._last_ns = self._queue.now_ns
        feed = self._feeds.get(sender)
        if feed is None:
            feed = self._feeds[sender] = self._feed_of(sender)
        self.shift.logged += 1
        self._due[id(frame)] = at_ns
        try:
            if not feed(frame):
                self.shift.silenced += 1
                del self._due[id(frame)]
        except TransmitError:
            self.shift.refused += 1
            del self._due[id(frame)]
        self._schedule()
