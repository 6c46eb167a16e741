"""What a recording says of messages, gathered as it grows.

Most of a long run is told by its frames, and what they tell stays true whatever comes later. So
it is gathered in steps: a bench that lets many cases part from one long beginning reads that
beginning once, and each case only goes on from there. A run that is read in one step or in many
gives the same.

    frames --> Traffic --> Watch --> Runs, Overdue     at one receiver, life by life
    handed over by a program --> Handover              by one sender, life by life
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import chain
from typing import Any, TypeVar

from linkloss.bus import BusRecord
from linkloss.judge.arrivals import Link, Overdue, Runs, Times, Watch
from linkloss.judge.lives import Biography, biography
from linkloss.judge.traffic import Traffic
from linkloss.model.loading import Vehicle
from linkloss.recording import Recording, Series

V = TypeVar("V")
Key = tuple[Any, ...]


class Handover:
    """A signal as its sender's program handed it to its controller: a series for each life of
    the node; nothing asks for nothing.
    """

    def __init__(self, recording: Recording, message: str, read: Callable[[bytes], int]) -> None:
        self.lives: list[Series[float]] = []
        self._recording = recording
        self._message = message
        self._read = read
        self._done = 0

    def read_on(self, end_ns: int, story: Biography) -> None:
        """Go on with what was handed over since."""
        entries = self._recording.handed.get(self._message, [])
        for place in range(self._done, len(entries)):
            entry = entries[place]
            self._begin(story, entry.at_ns)
            if self.lives and entry.at_ns < end_ns and entry.data:
                self.lives[-1].set(entry.at_ns, 1.0 if self._read(entry.data) else 0.0)
        self._done = len(entries)
        self._begin(story, end_ns)

    def _begin(self, story: Biography, until_ns: int) -> None:
        for life in story.lives[len(self.lives) :]:
            if life.reset_ns > until_ns:
                break
            asked: Series[float] = Series()
            asked.set(life.reset_ns, 0.0)
            self.lives.append(asked)


class Evidence:
    """What the judge asks of a recording's messages, for a recording that may still grow."""

    def __init__(self, vehicle: Vehicle, recording: Recording) -> None:
        self.vehicle = vehicle
        self.recording = recording
        self.end_ns = 0
        self._frames_done = 0
        self._records: dict[tuple[int, bool], list[BusRecord]] = {}
        self._stories: dict[str, Biography] = {}
        self._traffic: dict[str, Traffic] = {}
        self._watches: dict[Key, tuple[Watch, str, str]] = {}
        self._runs: dict[Key, Runs[Any]] = {}
        self._overdue: dict[Key, Overdue] = {}
        self._handovers: dict[str, tuple[Handover, str]] = {}

    def read_on(self, end_ns: int) -> None:
        """Take in what has come since, up to an instant before which nothing more will come."""
        self.end_ns = end_ns
        self._stories = {}
        frames = self.recording.frames
        for place in range(self._frames_done, len(frames)):
            record = frames[place]
            frame = record.frame
            if (record.error is None or record.receivers) and not frame.remote:
                key = (frame.identifier, frame.extended)
                self._records.setdefault(key, []).append(record)
        self._frames_done = len(frames)
        for traffic in self._traffic.values():
            traffic.read_on()
        for watch, receiver, sender in self._watches.values():
            watch.read_on(self._times(receiver, sender))
        for fold in chain[Runs[Any] | Overdue](self._runs.values(), self._overdue.values()):
            fold.read_on()
        for handover, sender in self._handovers.values():
            handover.read_on(end_ns, self.story(sender))

    def story(self, node: str) -> Biography:
        """A node's lives up to where the recording has been read."""
        if node not in self._stories:
            self._stories[node] = biography(self.vehicle, self.recording, node, self.end_ns)
        return self._stories[node]

    def _times(self, receiver: str, sender: str) -> Times:
        floods = [
            (fault.applied_ns, self.end_ns if fault.cleared_ns is None else fault.cleared_ns)
            for fault in self.recording.faults
            if fault.kind == "flood"
        ]
        return Times(self.end_ns, self.story(receiver), self.story(sender), floods)

    def traffic(self, message: str) -> Traffic:
        """The valid frames of a message."""
        if message not in self._traffic:
            info = self.vehicle.messages[message]
            records = self._records.setdefault((info.identifier, info.extended), [])
            self._traffic[message] = traffic = Traffic(records, info)
            traffic.read_on()
        return self._traffic[message]

    def watch(self, message: str, node: str, link: Link) -> Watch:
        """The good ones of a message at a node."""
        key = (message, node, link)
        if key not in self._watches:
            watch, sender = Watch(self.traffic(message), node, link), self.vehicle.sender(message)
            self._watches[key] = (watch, node, sender)
            watch.read_on(self._times(node, sender))
        return self._watches[key][0]

    def told(self, reference: str, node: str, link: Link) -> Runs[float]:
        """The physical value of a signal in good messages at a node."""
        message, signal = self.vehicle.signal(reference)
        key = ("told", reference, message.name, node, link)
        return self._runs_of(key, signal.physical)

    def _runs_of(self, key: tuple[str, str, str, str, Link], read: Callable[[bytes], V]) -> Runs[V]:
        if key not in self._runs:
            _, _, message, node, link = key
            watch = self.watch(message, node, link)
            self._runs[key] = runs = Runs(watch, read, link.maybe_stale_ns)
            runs.read_on()
        return self._runs[key]

    def overdue(self, message: str, node: str, link: Link, within_ns: int) -> Overdue:
        """The good ones of a message that were not followed by another within a time."""
        key = (message, node, link, within_ns)
        if key not in self._overdue:
            self._overdue[key] = overdue = Overdue(self.watch(message, node, link), within_ns)
            overdue.read_on()
        return self._overdue[key]

    def handed(self, reference: str) -> list[Series[float]]:
        """A signal as it was handed over, for each life of its sender."""
        if reference not in self._handovers:
            message, signal = self.vehicle.signal(reference)
            handover = Handover(self.recording, message.name, signal.raw)
            sender = self.vehicle.sender(message.name)
            self._handovers[reference] = (handover, sender)
            handover.read_on(self.end_ns, self.story(sender))
        return self._handovers[reference][0].lives
