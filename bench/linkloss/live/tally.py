"""What a live session shows of the bus: how busy it is, and the last frame of each message."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from linkloss.bus import BusRecord
from linkloss.bus.frame import INTERMISSION_BITS

WINDOW_NS = 1_000_000_000
"""The load is that of so much virtual time."""
LAST_FRAMES = 12
_MOST_MESSAGES = 512
"""Identifiers of which the last frame is kept: a broken node may send any of 2 ** 29."""

Identity = tuple[int, bool]


@dataclass(slots=True)
class Seen:
    """The last frame of an identifier, and how many of them there were."""

    last: BusRecord
    sent: int = 0
    failed: int = 0


class Tally:
    """An observer of the bus."""

    def __init__(self, bit_rate: int) -> None:
        self.messages: dict[Identity, Seen] = {}
        self.last: deque[BusRecord] = deque(maxlen=LAST_FRAMES)
        self.frames = 0
        self.failed = 0
        self._intermission_ns = INTERMISSION_BITS * 1_000_000_000 // bit_rate
        self._spans: deque[tuple[int, int]] = deque()
        self._busy_ns = 0
        self._busy_until_ns = 0

    def note(self, record: BusRecord) -> None:
        """A frame, or an attempt at one, has ended."""
        self.last.append(record)
        self.frames += 1
        self.failed += record.error is not None
        identity = (record.frame.identifier, record.frame.extended)
        seen = self.messages.get(identity)
        if seen is None and len(self.messages) < _MOST_MESSAGES:
            seen = self.messages[identity] = Seen(record)
        if seen is not None:
            seen.last = record
            seen.sent += record.error is None
            seen.failed += record.error is not None
        self._note_span(record.start_ns, record.end_ns + self._intermission_ns)

    def _note_span(self, start_ns: int, end_ns: int) -> None:
        """Where the cable is cut, two frames may be there at one time: that counts once."""
        fresh_ns = end_ns - max(start_ns, self._busy_until_ns)
        self._busy_until_ns = max(end_ns, self._busy_until_ns)
        if fresh_ns > 0:
            self._spans.append((end_ns, fresh_ns))
            self._busy_ns += fresh_ns
        self._forget(end_ns)

    def _forget(self, now_ns: int) -> None:
        while self._spans and self._spans[0][0] < now_ns - WINDOW_NS:
            self._busy_ns -= self._spans.popleft()[1]

    def load(self, now_ns: int) -> float:
        """The share (0 to 1) of the last second in which some piece of the bus was busy, with
        the gap that must follow each frame.
        """
        self._forget(now_ns)
        window_ns = min(WINDOW_NS, now_ns)
        return min(1.0, self._busy_ns / window_ns) if window_ns > 0 else 0.0
