"""What a live session shows of the bus: its load, the last frame of each message, and the frames,
failed attempts and error counters of the last ten seconds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from linkloss.bus import BusRecord
from linkloss.bus.frame import INTERMISSION_BITS

WINDOW_NS = 1_000_000_000
"""The bus load is measured over this much virtual time."""
LAST_FRAMES = 12
_MOST_MESSAGES = 512
"""The most identifiers whose last frame is kept: a broken node may send any of 2 ** 29."""

Identity = tuple[int, bool]


@dataclass(slots=True)
class Seen:
    """The last frame of an identifier, and how many were sent and failed."""

    last: BusRecord
    sent: int = 0
    failed: int = 0


SLOT_NS = 100_000_000
SLOTS = 100
"""The strip of the bus: so many slots of so much virtual time."""


class Counters(Protocol):
    """The error counters of a controller."""

    tec: int
    rec: int


@dataclass(slots=True)
class Slot:
    """A tenth of a second on the bus: what ended in it, and the highest error counters, transmit
    and receive, of each node.
    """

    number: int
    frames: int = 0
    failed: int = 0
    counters: dict[str, tuple[int, int]] = field(default_factory=dict)


class Tally:
    """Observes the bus: its load, and the last frame of each message."""

    def __init__(self, bit_rate: int, controllers: Mapping[str, Counters] | None = None) -> None:
        """``controllers``: those whose error counters are followed, by their nodes."""
        self.messages: dict[Identity, Seen] = {}
        self.last: deque[BusRecord] = deque(maxlen=LAST_FRAMES)
        self.frames = 0
        self.failed = 0
        self._intermission_ns = INTERMISSION_BITS * 1_000_000_000 // bit_rate
        self._spans: deque[tuple[int, int]] = deque()
        self._busy_ns = 0
        self._busy_until_ns = 0
        self._controllers = controllers or {}
        self._slots: deque[Slot] = deque(maxlen=SLOTS)

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
        self._note_slot(record)

    def _note_slot(self, record: BusRecord) -> None:
        number = record.end_ns // SLOT_NS
        if not self._slots or self._slots[-1].number < number:
            self._slots.append(Slot(number))
            self._note_counters()
        slot = self._slots[-1]
        if record.error is None:
            slot.frames += 1
        else:
            slot.failed += 1
            self._note_counters()  # they rise with failed attempts only

    def _note_counters(self) -> None:
        highest = self._slots[-1].counters
        for name, controller in self._controllers.items():
            tec, rec = highest.get(name, (0, 0))
            highest[name] = (max(tec, controller.tec), max(rec, controller.rec))

    def slots(self, now_ns: int) -> list[Slot]:
        """The slots of the last ten seconds up to the present one, in order. One in which nothing
        ended has the counters of the one before.
        """
        last = now_ns // SLOT_NS
        known = {slot.number: slot for slot in self._slots}
        counters: Mapping[str, tuple[int, int]] = dict.fromkeys(self._controllers, (0, 0))
        before = [slot for slot in self._slots if slot.number <= last - SLOTS]
        if before:
            counters = before[-1].counters
        found = []
        for number in range(max(0, last - SLOTS + 1), last + 1):
            slot = known.get(number) or Slot(number, counters=dict(counters))
            counters = slot.counters
            found.append(slot)
        return found

    def _note_span(self, start_ns: int, end_ns: int) -> None:
        """If the cable is cut, two frames may be on the bus at once; that time counts once."""
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
        """The share (0 to 1) of the last second in which any segment was busy, with the
        intermission after each frame.
        """
        self._forget(now_ns)
        window_ns = min(WINDOW_NS, now_ns)
        return min(1.0, self._busy_ns / window_ns) if window_ns > 0 else 0.0
