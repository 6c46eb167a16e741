"""The last part of a recording that grows: what a look at the present needs, and little more.

    recording  |------------------------------------------------------------|
    window     |  .  .        last frames         .:|-----------------------|  18 to 26 s
                  what happened to nodes, inputs, faults: all of it     ^ where walks stood
                                                                              |---| judged

A judge that looks at the last seconds needs earlier ones only to know how things stand. What a
message asks for, or how long it has been missing, follows from the last frames of it that each node
received, however long ago that was. How far a load had followed its news is carried over from look
to look (:class:`linkloss.judge.walk.Stand`).
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any

from linkloss.bus import BusRecord, RecordList
from linkloss.judge.evidence import Evidence
from linkloss.live.growth import Growth, Place, add, empty_copy
from linkloss.recording import Recording, Series
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle

SETTLED_NS = 6_000_000_000
"""How much of a recording a window keeps whole before the instant from which it is needed: what
its first frames tell of how things stand is told again by the others until then.
"""
LONGEST_NS = 26_000_000_000
"""How long a window grows before its beginning is dropped."""
LAST = 100
"""How many frames of a message at a receiver, and how many other entries, it keeps from before."""


class Window:
    """The last part of ``recording``, which must not change meanwhile, as a recording of its
    own.
    """

    def __init__(self, vehicle: Vehicle, recording: Recording) -> None:
        self.recording = empty_copy(recording)
        self.evidence = Evidence(vehicle, self.recording)
        self.since_ns = 0
        """From here on nothing is missing."""
        self._vehicle = vehicle
        self._names = {(m.identifier, m.extended): m.name for m in vehicle.messages.values()}
        self._whole = recording
        self._growth = Growth(recording)
        self._lacks: Counter[Place] = Counter()

    def keep_up(self, needed_ns: int) -> None:
        """Take what is new, and drop the beginning if there is too much before ``needed_ns``."""
        end_ns, since_ns = self._whole.end_ns, needed_ns - SETTLED_NS
        add(self.recording, self._growth.gained(end_ns), self._lacks)
        if end_ns - self.since_ns > LONGEST_NS and since_ns > self.since_ns:
            self._cut(since_ns)

    def _cut(self, since_ns: int) -> None:
        recording = self.recording
        before = len(recording.frames)
        recording.frames = RecordList(self._last_frames(since_ns))
        self._lacks["frames",] += before - len(recording.frames)
        for name in ("foreign", "prints", "outside"):
            entries = getattr(recording, name)
            self._drop((name,), [entries], _place(entries, since_ns))
        for field in ("handed", "controllers"):
            for key, entries in getattr(recording, field).items():
                self._drop((field, key), [entries], _place(entries, since_ns) - LAST)
        for field in ("volts", "amps"):
            for key, series in getattr(recording, field).items():
                self._drop_changes((field, key), series, _change(series, since_ns))
        faulty = {load for fault in recording.faults for load in fault.loads}
        for field in ("outputs", "commands", "driven"):
            for key, series in getattr(recording, field).items():
                if key not in faulty:  # else a notice may still tell of that fault
                    place = _resting(series, self._vehicle.loads[key], since_ns)
                    self._drop_changes((field, key), series, place)
        self.since_ns = since_ns
        self.evidence = Evidence(self._vehicle, recording)

    def _last_frames(self, since_ns: int) -> Iterator[BusRecord]:
        """Of each kind of frame the last ones at each of its receivers, and the last good ones; and
        all frames from an instant on.
        """
        frames, good = self.recording.frames, self.evidence.latest(LAST)
        place = bisect_left(frames, since_ns, key=lambda record: record.end_ns)
        seen: Counter[tuple[int, bool, str]] = Counter()
        found: list[BusRecord] = []
        for record in reversed(frames[:place]):
            identity = record.frame.identifier, record.frame.extended
            keys = [(*identity, node) for node in record.receivers]
            name = self._names.get(identity, "")
            if any(seen[key] < LAST for key in keys) or (name, record.end_ns) in good:
                seen.update(keys)
                found.append(record)
        yield from reversed(found)
        yield from frames.starting_at(place)

    def _drop_changes(self, place: Place, series: Series[Any], count: int) -> None:
        self._drop(place, [series.times, series.values], count)

    def _drop(self, place: Place, columns: Sequence[list[Any]], count: int) -> None:
        if count > 0:
            self._lacks[place] += count
            for column in columns:
                del column[:count]


def _place(entries: Sequence[Any], since_ns: int) -> int:
    return bisect_left(entries, since_ns, key=lambda entry: entry.at_ns)


def _change(series: Series[Any], since_ns: int) -> int:
    """The place of the change that made the value at an instant."""
    return bisect_right(series.times, since_ns) - 1


def _resting(series: Series[Any], load: LoadTable, since_ns: int) -> int:
    """The place of a change of a load with which its story up to an instant may begin: it was on,
    or off, for as long as it had been; and no fade, nor the beat of fast switching, is cut apart.
    """
    rest_ns = max(load.ramp_up or 0, load.ramp_down or 0)
    if load.pwm is not None:
        rest_ns = max(rest_ns, round(1.5e9 / load.pwm))
    lit = [bool(level) for level in series.values[: _change(series, since_ns) + 1]]
    times = series.times
    edges = 0
    for place in range(len(lit) - 1, 0, -1):
        edges += lit[place] != lit[place - 1]
        if edges > 1 and times[place] - times[place - 1] > rest_ns:
            return place
    return 0
