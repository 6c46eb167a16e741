"""The valid frames of one message, gathered as a run goes on, and who was silent for how long."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import NamedTuple

from linkloss.bus import BusRecord
from linkloss.model.messages import MessageInfo


class Seen(NamedTuple):
    """An intact frame of a message: its end, payload, counter, and whom it reached."""

    at_ns: int
    data: bytes
    counter: int
    receivers: Sequence[str]
    lost_overrun: Sequence[str]


class Ticks:
    """Instants in order of time, asked for silences between them."""

    def __init__(self) -> None:
        self.times: list[int] = []
        self._silences: dict[int, tuple[list[tuple[int, int]], int]] = {}

    def silences(self, longer_than_ns: int) -> list[tuple[int, int]]:
        """The pairs of neighbours that lie further apart than ``longer_than_ns``."""
        found, done = self._silences.get(longer_than_ns, ([], 1))
        times = self.times
        for place in range(done, len(times)):
            if times[place] - times[place - 1] > longer_than_ns:
                found.append((times[place - 1], times[place]))
        self._silences[longer_than_ns] = (found, max(done, len(times)))
        return found

    def after(self, at_ns: int) -> int | None:
        """The first instant behind ``at_ns``, or None."""
        place = bisect_right(self.times, at_ns)
        return self.times[place] if place < len(self.times) else None

    def any_in(self, since_ns: int, until_ns: int) -> bool:
        """Whether one lies in (since, until]."""
        after_ns = self.after(since_ns)
        return after_ns is not None and after_ns <= until_ns

    def first_silence(self, from_ns: int, to_ns: int, lasts_ns: int) -> int | None:
        """The first instant of [from, to) that lies ``lasts_ns`` or more behind the last one
        before it, or None.
        """
        place = bisect_right(self.times, from_ns) - 1
        if place < 0 or self.times[place] + lasts_ns <= from_ns:
            return from_ns if from_ns < to_ns else None
        silences = self.silences(lasts_ns)
        index = bisect_left(silences, (self.times[place], 0))
        last_ns = silences[index][0] if index < len(silences) else self.times[-1]
        silent_ns = last_ns + lasts_ns
        return silent_ns if silent_ns < to_ns else None


class Traffic:
    """The frames of one message that were valid for somebody: right length, right checksum.

    ``frames`` grows with :meth:`read_on`; ``sent`` are the ends of those that their
    senders got through.
    """

    def __init__(self, records: Sequence[BusRecord], info: MessageInfo) -> None:
        """``records`` are the data frames with the message's identifier that were valid for
        somebody or sent without an error; the list may grow later.
        """
        self.info = info
        self.frames: list[Seen] = []
        self.damaged: list[BusRecord] = []
        """Those of the wrong length, or with a wrong checksum."""
        self.sent = Ticks()
        self.records = records
        self._done = 0
        self._sent_by: dict[str, Ticks] = {}
        self._heard_by: dict[str, Ticks] = {}
        self._heard_done: dict[str, int] = {}

    def read_on(self) -> None:
        """Take in the records that have come since."""
        info, checksum = self.info, self.info.checksum
        count = info.counter.raw if info.counter is not None else lambda data: 0  # noqa: ARG005
        for place in range(self._done, len(self.records)):
            record = self.records[place]
            data = record.frame.data
            if len(data) == info.length and (checksum is None or checksum(data)):
                end_ns = record.end_ns
                self.frames.append(
                    Seen(end_ns, data, count(data), record.receivers, record.lost_overrun)
                )
                if record.error is None:  # else some have it, and its sender repeats it
                    self.sent.times.append(end_ns)
                    self.sent_by(record.sender).times.append(end_ns)
            else:
                self.damaged.append(record)
        self._done = len(self.records)

    def damaged_at(self, node: str) -> list[int]:
        """When damaged ones were delivered to a node."""
        return [record.end_ns for record in self.damaged if node in record.receivers]

    def sent_by(self, node: str) -> Ticks:
        """The ends of the frames that a node sent."""
        if node not in self._sent_by:
            self._sent_by[node] = Ticks()
        return self._sent_by[node]

    def heard_by(self, node: str) -> Ticks:
        """The ends of the frames that were valid at a node's controller."""
        ticks = self._heard_by.setdefault(node, Ticks())
        done = self._heard_done.get(node, 0)
        ticks.times += [seen.at_ns for seen in self.frames[done:] if node in seen.receivers]
        self._heard_done[node] = len(self.frames)
        return ticks
