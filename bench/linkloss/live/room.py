"""How much room a live recording takes, and how long what is left will do."""

from __future__ import annotations

from collections import deque

from linkloss.recording import Recording

MOST_BYTES = 1_200_000_000
"""A recording that takes about this much memory is full. The judge's copy takes as much again."""
WARN_SHARE = 0.8
"""A recording that is fuller than this is worth a warning."""

_ENTRY_BYTES, _HANDED_BYTES, _POINT_BYTES = 330, 140, 72
"""What a frame, a message handed over and a change of a value take, measured on Wren with CPython
3.11: together within 15 % of what the process grew by.
"""
_EVERY_NS = 1_000_000_000
_SAMPLES = 30
"""The rate is that of the last so many samples."""


class Room:
    """Watches a recording that grows."""

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self._samples: deque[tuple[int, int]] = deque(maxlen=_SAMPLES)
        self._due_ns = 0
        self.share = 0.0
        """How full it is, from 0 to 1."""

    def look(self, now_ns: int) -> None:
        """Look again, if that is worth while."""
        if now_ns >= self._due_ns:
            self._due_ns = now_ns + _EVERY_NS
            used = self._used()
            self._samples.append((now_ns, used))
            self.share = min(1.0, used / MOST_BYTES)

    def left_ns(self) -> int | None:
        """After how much virtual time it will be full at the present rate; None if that cannot be
        told yet.
        """
        if not self._samples:
            return None
        (first_ns, first), (last_ns, last) = self._samples[0], self._samples[-1]
        if last <= first:
            return None
        return max(0, MOST_BYTES - last) * (last_ns - first_ns) // (last - first)

    def _used(self) -> int:
        found = self._recording
        series = (found.inputs, found.seen, found.outputs, found.commands, found.volts, found.amps)
        points = sum(
            len(line.times) for group in (*series, found.driven) for line in group.values()
        )
        handed = sum(map(len, found.handed.values())) + len(found.foreign) + len(found.outside)
        return found.frames.entries * _ENTRY_BYTES + handed * _HANDED_BYTES + points * _POINT_BYTES
