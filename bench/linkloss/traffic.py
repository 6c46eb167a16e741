"""Frames that come out of a log instead of out of programs: what a session is handed of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from linkloss.bus import Frame

REST = "(log)"
"""The sender of frames that belong to no node of the vehicle; no node can have this name."""


class LoggedFrame(NamedTuple):
    """A frame as it was logged. ``at_ns`` is the end of its end of frame, in ns since the start
    of the run; ``sender`` is a node of the vehicle, or ``REST``.
    """

    at_ns: int
    sender: str
    frame: Frame


@dataclass(frozen=True, slots=True, eq=False)
class Traffic:
    """The logged part of a run.

    :param nodes: the nodes of the vehicle that have no program in the run; their frames come from
        the log.
    :param frames: begins to read the logged frames, in the order of their instants.
    """

    nodes: tuple[str, ...]
    frames: Callable[[], Iterator[LoggedFrame]]


@dataclass(slots=True)
class Shift:
    """How much later than in the log the frames came, because they were arbitrated again; in ns.

    ``sent`` counts the frames that went over the bus, ``refused`` those that found no free
    mailbox (or a controller that was off the bus), ``silenced`` those of a node that was reset or
    hung at the time. ``bins`` counts shifts by powers of two: ``bins[n]`` those below 2^n ns.
    """

    logged: int = 0
    sent: int = 0
    moved: int = 0
    sum_ns: int = 0
    most_ns: int = 0
    most_at_ns: int = 0
    most_frame: str = ""
    refused: int = 0
    silenced: int = 0
    bins: list[int] = field(default_factory=lambda: [0] * 64)

    def note(self, shift_ns: int, at_ns: int, frame: Frame) -> None:
        """A frame was sent ``shift_ns`` later than it was logged."""
        self.sent += 1
        if shift_ns <= 0:
            return
        self.moved += 1
        self.sum_ns += shift_ns
        self.bins[min(63, shift_ns.bit_length())] += 1
        if shift_ns > self.most_ns:
            self.most_ns, self.most_at_ns, self.most_frame = shift_ns, at_ns, str(frame)

    @property
    def lost(self) -> int:
        """Frames of the log that were handed on but never went over the bus whole."""
        return self.logged - self.sent
