"""What a recording tells of messages, gathered as the recording grows.

Most of a long run is in its frames, and what they show stays true whatever follows. So it is
gathered in steps: a bench that branches many cases off one long beginning reads that beginning
once, and each case only reads on from there. One step or many give the same result.

    frames --> Traffic --> Watch --> Runs, Overdue     at one receiver, uptime by uptime
    handed over by a program --> Handover              by one sender, uptime by uptime

A message is *good* when it was delivered, has the right length and, where the message declares
them, the right checksum and a counter that moved by 1 to ``max_step`` since the last good one. The
first message after boot or stale is good whatever its counter. Where a receiver may rightly see a
message either way, such as the first one with a counter after a reset of its sender, the message is
not *sure*; all that the receiver may believe then is followed as branches.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, islice
from typing import Any, Generic, Literal, NamedTuple, TypeVar

from linkloss.bus import BusRecord
from linkloss.judge.uptimes import NodeHistory, node_history, taken_by
from linkloss.recording import Recording, Series
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo, SignalInfo


class Seen(NamedTuple):
    """An intact frame of a message: its end, payload, counter, the nodes that it reached, and those
    that lost it to an overrun.
    """

    at_ns: int
    data: bytes
    counter: int
    receivers: Sequence[str]
    lost_overrun: Sequence[str]


class Ticks:
    """Instants in order of time, and the silences between them."""

    def __init__(self) -> None:
        self.times: list[int] = []
        self._silences: dict[int, tuple[list[tuple[int, int]], int]] = {}

    def silences(self, longer_than_ns: int) -> list[tuple[int, int]]:
        """The pairs of neighbours more than ``longer_than_ns`` apart."""
        found, done = self._silences.get(longer_than_ns, ([], 1))
        times = self.times
        for place in range(done, len(times)):
            if times[place] - times[place - 1] > longer_than_ns:
                found.append((times[place - 1], times[place]))
        self._silences[longer_than_ns] = (found, max(done, len(times)))
        return found

    def after(self, at_ns: int) -> int | None:
        """The first instant after ``at_ns``, or None."""
        place = bisect_right(self.times, at_ns)
        return self.times[place] if place < len(self.times) else None

    def any_in(self, since_ns: int, until_ns: int) -> bool:
        """Whether there is an instant in (since, until]."""
        after_ns = self.after(since_ns)
        return after_ns is not None and after_ns <= until_ns

    def first_silence(self, from_ns: int, to_ns: int, lasts_ns: int) -> int | None:
        """The first instant of [from, to) that is ``lasts_ns`` or more after the last one before
        it, or None.
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
    """The frames of one message that were valid for some node: right length, right checksum.

    ``frames`` grows with :meth:`read_on`; ``sent`` are the ends of the frames that were sent
    without an error.
    """

    def __init__(self, records: Sequence[BusRecord], info: MessageInfo) -> None:
        """``records`` are the data frames with the message's identifier that were valid for some
        node or sent without an error; the list may grow later.
        """
        self.info = info
        self.frames: list[Seen] = []
        self.damaged: list[BusRecord] = []
        """The frames with a wrong length or a wrong checksum."""
        self.sent = Ticks()
        self.records = records
        self._done = 0
        self._sent_by: dict[str, Ticks] = {}
        self._heard_by: dict[str, Ticks] = {}
        self._heard_done: dict[str, int] = {}

    def read_on(self) -> None:
        """Read the records that have been added since."""
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
        """When damaged frames were delivered to a node."""
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


V = TypeVar("V")
AfterJump = Literal["accept", "refuse one", "lost", "either"]
"""What a receiver does with a counter that jumped (moved by more than one): it takes the message;
refuses it and takes the next that follows it; takes the link for lost; or any of these.
"""
WAYS: tuple[AfterJump, ...] = ("accept", "refuse one", "lost")


class Arrival(NamedTuple):
    """A good message at its receiver; ``sure`` is False where it may rightly be refused. ``lost``:
    its counter jumped, and that counts as a lost link; ``data`` is empty where that happened in
    another page than the link's.
    """

    at_ns: int
    data: bytes
    sure: bool
    lost: bool = False

    @property
    def elsewhere(self) -> bool:
        """Whether it only tells of a loss in another page; a message may have no bytes at all."""
        return self.lost and not self.data


class Run(NamedTuple, Generic[V]):
    """Good messages in a row with one ``value`` and no loss of the link between them. ``sure``: all
    are surely good; a message that is not forms a run of its own.
    """

    at_ns: int
    last_ns: int
    value: V
    sure: bool


@dataclass(frozen=True, slots=True)
class Link:
    """How a receiver monitors a message: the numbers that decide when it is stale."""

    stale_after_ns: int
    early_ns: int
    reaction_ns: int
    max_step: int
    after_jump: AfterJump = "accept"
    page: str = ""
    """A multiplexed signal (``Message.Signal``) whose page counts as the message; "": every page
    does.
    """

    @property
    def maybe_stale_ns(self) -> int:
        """Age of the last good message from which the receiver may take the link for lost."""
        return self.stale_after_ns - self.early_ns

    @property
    def surely_stale_ns(self) -> int:
        """Age by which the receiver must have acted on the loss."""
        return self.stale_after_ns + self.reaction_ns


class _Belief(NamedTuple):
    """The counter and instant of the last good message as a receiver may hold them, and what it
    does with a jump, where that is left open and has become known.
    """

    counter: int
    at_ns: int
    way: str | None = None


@dataclass(frozen=True, slots=True)
class Times:
    """What it takes to tell good messages in a run: how far the run has gone, the uptimes of
    receiver and sender, and the spans of flood faults. Only in these does a message lost to an
    overrun of the receive FIFO leave both verdicts open.
    """

    end_ns: int
    receiver: NodeHistory
    sender: NodeHistory
    floods: Sequence[tuple[int, int]]

    def boots(self) -> list[tuple[int, int]]:
        """When the receiver boots, and may miss a message."""
        return [(uptime.reset_ns, uptime.boot_end_ns - 1) for uptime in self.receiver.uptimes]

    def hangs(self) -> list[tuple[int, int]]:
        """When the receiver hangs, and may miss a message or read it later."""
        return [(hang.from_ns, hang.to_ns) for hang in self.receiver.hangs]


class Watch:
    """The good messages at a node in order of time, one list for each of its uptimes.

    Of a multiplexed message only those of the link's page are there. Its counter goes through all
    pages, so a jump in any of them may lose the link.
    """

    def __init__(
        self, traffic: Traffic, node: str, link: Link, shown: Callable[[bytes], bool] | None
    ) -> None:
        """``shown``: whether a payload is of the link's page; None: every payload is."""
        self.uptimes: list[list[Arrival]] = []
        self.refused: list[list[int]] = []
        """For each uptime, when messages were delivered that were not good: repeats, jumps."""
        self._traffic = traffic
        self._node = node
        self._link = link
        self._shown = shown
        self._done = 0
        counter = traffic.info.counter
        self._span = 0 if counter is None else 1 << counter.length_bits
        self._beliefs: list[_Belief | None] = [None]
        self._last_ns = 0
        self._last_count: int | None = None

    def read_on(self, times: Times) -> None:
        """Read the messages that have arrived since."""
        uptimes, node, frames = times.receiver.uptimes, self._node, self._traffic.frames
        resets = [uptime.reset_ns for uptime in times.sender.uptimes] if self._span else []
        hangs = times.hangs() if self._span else []
        deaf = [*times.boots(), *hangs] if self._span else []
        reset_ns, deaf_to_ns = max(resets, default=-1), max((b for _, b in deaf), default=-1)
        for place in range(self._done, len(frames)):
            seen = frames[place]
            at_ns = seen.at_ns
            if node not in seen.receivers or at_ns >= times.end_ns:
                continue
            while len(self.uptimes) < len(uptimes) and uptimes[len(self.uptimes)].reset_ns <= at_ns:
                self._begin(uptimes[len(self.uptimes)].reset_ns)
            if self.uptimes:
                lost = bool(seen.lost_overrun) and node in seen.lost_overrun
                lost = lost and any(a <= at_ns <= b for a, b in times.floods)
                before = self._beliefs
                if self._last_ns < reset_ns:
                    lost = lost or any(self._last_ns < reset <= at_ns for reset in resets)
                self._take(seen, lost, hangs)
                if at_ns <= deaf_to_ns and any(a <= at_ns <= b for a, b in deaf):
                    # The receiver may have missed it.
                    self._beliefs = [*dict.fromkeys([*self._beliefs, *before])]
        self._done = len(frames)
        while len(self.uptimes) < len(uptimes):
            self._begin(uptimes[len(self.uptimes)].reset_ns)

    def _begin(self, reset_ns: int) -> None:
        self.uptimes.append([])
        self.refused.append([])
        self._beliefs = [None]
        self._last_ns, self._last_count = reset_ns, None

    def _take(self, seen: Seen, doubtful: bool, hangs: Sequence[tuple[int, int]]) -> None:
        at_ns, count, found = seen.at_ns, seen.counter, self.uptimes[-1]
        data = seen.data
        if self._shown is not None and not self._shown(data):
            data, found = b"", []
        repeats = count == self._last_count and at_ns - self._last_ns <= self._link.surely_stale_ns
        self._last_ns, self._last_count = at_ns, count
        new = _Belief(count, at_ns)
        if not doubtful and self._plainly_good(count):  # nearly always
            found.append(Arrival(at_ns, seen.data, True))
            way = self._beliefs[0].way if self._span and self._beliefs[0] else None
            self._beliefs = [new if way is None else new._replace(way=way)]
            return
        made: dict[tuple[str, _Belief | None], None] = {}
        for belief in self._beliefs:
            made |= dict.fromkeys(_makes(belief, new, self._link, self._span, hangs))
            if repeats and belief is not None:  # a receiver may refuse all that repeats itself
                made[_REFUSED, belief] = None
        if doubtful:
            made |= dict.fromkeys([(_GOOD, new), *((_REFUSED, old) for old in self._beliefs)])
        ways = {way for way, _ in made}
        if _LOST in ways:
            self.uptimes[-1].append(Arrival(at_ns, data, ways == {_LOST}, lost=True))
        if _GOOD in ways:
            found.append(Arrival(at_ns, seen.data, ways == {_GOOD}))
        if ways == {_REFUSED}:
            self.refused[-1].append(at_ns)
        self._beliefs = [*dict.fromkeys(belief for _, belief in made)]
        if repeats and not hangs:  # whoever has surely lost the link is in one and the same place
            lost_ns = at_ns - self._link.surely_stale_ns
            stale = [belief for belief in self._beliefs if belief and belief.at_ns < lost_ns]
            self._beliefs = [b for b in self._beliefs if b not in stale] + [*stale[:1]]

    def _plainly_good(self, count: int) -> bool:
        """Whether every receiver takes it: there is no counter, or it moved by one."""
        if not self._span:
            return True
        belief = self._beliefs[0]
        if len(self._beliefs) > 1:
            return False
        return belief is None or (count - belief.counter) % self._span == 1


_GOOD, _REFUSED, _LOST = "good", "refused", "lost"


def _makes(
    belief: _Belief | None, new: _Belief, link: Link, span: int, hangs: Sequence[tuple[int, int]]
) -> Iterator[tuple[str, _Belief | None]]:
    """What a receiver may make of a message, and what it believes afterwards. It surely takes a
    message as new once the link is surely stale, counted from when it read the one before.
    """
    age_ns = 0 if belief is None else new.at_ns - belief.at_ns
    known = new if belief is None else new._replace(way=belief.way)
    if belief is None or age_ns >= link.maybe_stale_ns:
        yield _GOOD, known
    if belief is None:
        return
    if age_ns > link.surely_stale_ns:
        taken_ns = taken_by(belief.at_ns, hangs, link.reaction_ns)
        if new.at_ns - taken_ns > link.surely_stale_ns:
            return
    step = (new.counter - belief.counter) % span
    if link.after_jump != "either" or step == 1:
        ways: tuple[str | None, ...] = (link.after_jump,)
    else:
        ways = WAYS if belief.way is None else (belief.way,)
    for way in ways:
        if link.after_jump == "either" and step > 1:
            known = known._replace(way=way)
        if step > 1 and way != "accept":
            yield (_LOST if way == "lost" else _REFUSED), known
        elif 1 <= step <= link.max_step:
            yield _GOOD, known
        else:
            yield _REFUSED, belief._replace(way=known.way)


class Runs(Generic[V]):
    """Runs of good messages: equal values, surely good, less than a stale time apart."""

    def __init__(self, watch: Watch, read: Callable[[bytes], V], gap_ns: int) -> None:
        """``read`` extracts the value from a payload."""
        self.uptimes: list[list[Run[V]]] = []
        self.watch = watch
        self._read = read
        self._gap_ns = gap_ns
        self._done = 0

    def read_on(self) -> None:
        """Read the messages that have arrived since."""
        for uptime in range(max(0, len(self.uptimes) - 1), len(self.watch.uptimes)):
            if uptime == len(self.uptimes):
                self.uptimes.append([])
                self._done = 0
            self._take(self.uptimes[uptime], self.watch.uptimes[uptime])

    def within(self, from_ns: int, to_ns: int) -> Iterator[Run[V]]:
        """The runs of all uptimes in [from, to), cut at its ends."""
        for runs, arrivals in zip(self.uptimes, self.watch.uptimes, strict=True):
            for run in runs:
                if run.last_ns < from_ns or run.at_ns >= to_ns:
                    continue
                if run.at_ns < from_ns:
                    run = run._replace(at_ns=arrivals[bisect_left(arrivals, (from_ns,))].at_ns)
                if run.last_ns >= to_ns:
                    run = run._replace(last_ns=arrivals[bisect_left(arrivals, (to_ns,)) - 1].at_ns)
                yield run

    def _take(self, runs: list[Run[V]], found: Sequence[Arrival]) -> None:
        read, gap_ns = self._read, self._gap_ns
        for place in range(self._done, len(found)):
            at_ns, data, sure, _ = found[place]
            value = read(data)
            last = runs[-1] if runs else None
            joins = last is not None and last.value == value and last.sure and sure
            if last is not None and joins and at_ns < last.last_ns + gap_ns:
                runs[-1] = Run(last.at_ns, at_ns, value, sure=True)
            else:
                runs.append(Run(at_ns, at_ns, value, sure))
        self._done = len(found)


class Overdue:
    """The good messages that no surely good one of the same uptime followed within a time."""

    def __init__(self, watch: Watch, within_ns: int) -> None:
        self._watch = watch
        self._within_ns = within_ns
        self._found: list[tuple[Arrival, int]] = []
        self._waiting: list[Arrival] = []
        self._ended: list[Arrival] = []
        self._uptime = self._done = 0

    def read_on(self) -> None:
        """Read the messages that have arrived since."""
        for uptime in range(self._uptime, len(self._watch.uptimes)):
            if uptime > self._uptime:
                self._ended += self._waiting
                self._waiting, self._uptime, self._done = [], uptime, 0
            self._take(self._watch.uptimes[uptime])

    def _take(self, arrivals: Sequence[Arrival]) -> None:
        for place in range(self._done, len(arrivals)):
            entry = arrivals[place]
            if entry.sure:
                self._found += [
                    (before, entry.at_ns)
                    for before in self._waiting
                    if entry.at_ns > before.at_ns + self._within_ns
                ]
                self._waiting = [entry]
            else:
                self._waiting.append(entry)
        self._done = len(arrivals)

    def found(self, end_ns: int) -> list[tuple[Arrival, int]]:
        """Each message with the instant of the next surely good one, or the end of the run."""
        open_ended = [
            (entry, end_ns)
            for entry in (*self._ended, *self._waiting)
            if end_ns > entry.at_ns + self._within_ns
        ]
        return [*self._found, *open_ended]


Key = tuple[Any, ...]


class Handover:
    """A signal as its sender's program handed it to its controller: a series for each uptime of the
    node, 0 until the first message that has it.
    """

    def __init__(self, recording: Recording, message: str, signal: SignalInfo) -> None:
        self.uptimes: list[Series[float]] = []
        self._recording = recording
        self._message = message
        self._signal = signal
        self._done = 0

    def read_on(self, end_ns: int, history: NodeHistory) -> None:
        """Read what was handed over since."""
        entries = self._recording.handed.get(self._message, [])
        for place in range(self._done, len(entries)):
            entry = entries[place]
            self._begin(history, entry.at_ns)
            data = entry.data
            if self.uptimes and entry.at_ns < end_ns and data and self._signal.present(data):
                self.uptimes[-1].set(entry.at_ns, 1.0 if self._signal.nonzero(data) else 0.0)
        self._done = len(entries)
        self._begin(history, end_ns)

    def _begin(self, history: NodeHistory, until_ns: int) -> None:
        for uptime in history.uptimes[len(self.uptimes) :]:
            if uptime.reset_ns > until_ns:
                break
            asked: Series[float] = Series()
            asked.set(uptime.reset_ns, 0.0)
            self.uptimes.append(asked)


class Evidence:
    """What the judge knows of a recording's messages; the recording may still grow."""

    def __init__(self, vehicle: Vehicle, recording: Recording) -> None:
        self.vehicle = vehicle
        self.recording = recording
        self.end_ns = 0
        self._frames_done = 0
        self._records: dict[tuple[str, int, bool], list[BusRecord]] = {}
        self._stories: dict[str, NodeHistory] = {}
        self._traffic: dict[str, Traffic] = {}
        self._watches: dict[Key, tuple[Watch, str, str]] = {}
        self._runs: dict[Key, Runs[Any]] = {}
        self._overdue: dict[Key, Overdue] = {}
        self._handovers: dict[str, tuple[Handover, str]] = {}

    def read_on(self, end_ns: int) -> None:
        """Read what was recorded since, up to an instant before which nothing more will be
        recorded.
        """
        self.end_ns = end_ns
        self._stories = {}
        frames = self.recording.frames
        for record in frames.delivered(self._frames_done):
            frame = record.frame
            if not frame.remote:
                key = (record.bus, frame.identifier, frame.extended)
                self._records.setdefault(key, []).append(record)
        self._frames_done = len(frames)
        for traffic in self._traffic.values():
            traffic.read_on()
        for watch, receiver, sender in self._watches.values():
            watch.read_on(self._times(receiver, sender))
        for fold in chain[Runs[Any] | Overdue](self._runs.values(), self._overdue.values()):
            fold.read_on()
        for handover, sender in self._handovers.values():
            handover.read_on(end_ns, self.history(sender))

    def history(self, node: str) -> NodeHistory:
        """A node's uptimes as far as the recording has been read."""
        if node not in self._stories:
            self._stories[node] = node_history(self.vehicle, self.recording, node, self.end_ns)
        return self._stories[node]

    def _times(self, receiver: str, sender: str) -> Times:
        floods = [
            (fault.applied_ns, self.end_ns if fault.cleared_ns is None else fault.cleared_ns)
            for fault in self.recording.faults_on(*self.vehicle.file.buses_of(receiver))
            if fault.kind == "flood"
        ]
        return Times(self.end_ns, self.history(receiver), self.history(sender), floods)

    def traffic(self, message: str) -> Traffic:
        """The valid frames of a message."""
        if message not in self._traffic:
            info = self.vehicle.messages[message]
            bus = info.bus if self.recording.on_bus else ""
            records = self._records.setdefault((bus, info.identifier, info.extended), [])
            self._traffic[message] = traffic = Traffic(records, info)
            traffic.read_on()
        return self._traffic[message]

    def watch(self, message: str, node: str, link: Link) -> Watch:
        """The good messages of one kind at a node."""
        key = (message, node, link)
        if key not in self._watches:
            shown = self.vehicle.signal(link.page)[1].shown if link.page else None
            watch = Watch(self.traffic(message), node, link, shown)
            sender = self.vehicle.sender(message)
            self._watches[key] = (watch, node, sender)
            watch.read_on(self._times(node, sender))
        return self._watches[key][0]

    def latest(self, most: int) -> set[tuple[str, int]]:
        """The last good messages, up to so many of a kind at each node: message and instant."""
        return {
            (message, arrival.at_ns)
            for (message, *_), (watch, _, _) in self._watches.items()
            for arrival in islice(chain.from_iterable(map(reversed, reversed(watch.uptimes))), most)
        }

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
        """The good messages of one kind that no other followed within a time."""
        key = (message, node, link, within_ns)
        if key not in self._overdue:
            self._overdue[key] = overdue = Overdue(self.watch(message, node, link), within_ns)
            overdue.read_on()
        return self._overdue[key]

    def handed(self, reference: str) -> list[Series[float]]:
        """A signal as it was handed over, for each uptime of its sender."""
        if reference not in self._handovers:
            message, signal = self.vehicle.signal(reference)
            handover = Handover(self.recording, message.name, signal)
            sender = self.vehicle.sender(message.name)
            self._handovers[reference] = (handover, sender)
            handover.read_on(self.end_ns, self.history(sender))
        return self._handovers[reference][0].uptimes
