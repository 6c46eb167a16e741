"""Which messages were delivered to a node, and which of them were good.

Good: delivered, of the right length, and, where the message declares them, with the right
checksum and a counter that moved by 1 to ``max_step`` since the last good one. The first message
after boot or stale is good whatever its counter; after a reset of the sender either verdict is
allowed for one message that has a counter. Where a receiver may rightly see it either way, the
arrival is *maybe*: all that the receiver may have believed is followed as branches.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Generic, NamedTuple, TypeVar

from bench.judge.lives import Biography
from bench.judge.traffic import Seen, Traffic

V = TypeVar("V")


class Arrival(NamedTuple):
    """A good message at its receiver; ``sure`` is False where it may rightly be refused."""

    at_ns: int
    data: bytes
    sure: bool


class Run(NamedTuple, Generic[V]):
    """Good messages in a row that say one thing (``value``) with no loss of the link between
    them. ``sure``: they were surely good; a message that was not is a run of its own.
    """

    at_ns: int
    last_ns: int
    value: V
    sure: bool


@dataclass(frozen=True, slots=True)
class Link:
    """How a receiver watches a message: the numbers that decide when it is stale."""

    stale_after_ns: int
    early_ns: int
    reaction_ns: int
    max_step: int

    @property
    def maybe_stale_ns(self) -> int:
        """Age of the last good message from which the receiver may call the link lost."""
        return self.stale_after_ns - self.early_ns

    @property
    def surely_stale_ns(self) -> int:
        """Age from which it must have acted on the loss."""
        return self.stale_after_ns + self.reaction_ns


class _Belief(NamedTuple):
    """The counter and instant of the last good message, as a receiver may hold them."""

    counter: int
    at_ns: int


@dataclass(frozen=True, slots=True)
class Times:
    """What must be known of a run to tell good messages: up to where it has gone, the lives of
    the receiver and of the sender, and the spans of flood faults: only there a message lost to a
    full receive FIFO leaves both verdicts open.
    """

    end_ns: int
    receiver: Biography
    sender: Biography
    floods: Sequence[tuple[int, int]]


class Watch:
    """The good messages at a node, in order of time, a list for each of its lives."""

    def __init__(self, traffic: Traffic, node: str, link: Link) -> None:
        self.lives: list[list[Arrival]] = []
        self._traffic = traffic
        self._node = node
        self._link = link
        self._done = 0
        counter = traffic.info.counter
        self._span = 0 if counter is None else 1 << counter.length_bits
        self._beliefs: list[_Belief | None] = [None]
        self._last_ns = 0

    def read_on(self, times: Times) -> None:
        """Go on with the messages that have come since."""
        lives, node, frames = times.receiver.lives, self._node, self._traffic.frames
        resets = [life.reset_ns for life in times.sender.lives] if self._span else []
        for place in range(self._done, len(frames)):
            seen = frames[place]
            at_ns = seen.at_ns
            if node not in seen.receivers or at_ns >= times.end_ns:
                continue
            while len(self.lives) < len(lives) and lives[len(self.lives)].reset_ns <= at_ns:
                self._begin(lives[len(self.lives)].reset_ns)
            if self.lives:
                lost = bool(seen.lost_overrun) and node in seen.lost_overrun
                lost = lost and any(a <= at_ns <= b for a, b in times.floods)
                self._take(seen, lost or any(self._last_ns < reset <= at_ns for reset in resets))
        self._done = len(frames)
        while len(self.lives) < len(lives):
            self._begin(lives[len(self.lives)].reset_ns)

    def _begin(self, reset_ns: int) -> None:
        self.lives.append([])
        self._beliefs = [None]
        self._last_ns = reset_ns

    def _take(self, seen: Seen, doubtful: bool) -> None:
        at_ns, count, found = seen.at_ns, seen.counter, self.lives[-1]
        beliefs = self._beliefs
        self._last_ns = at_ns
        if len(beliefs) == 1 and not doubtful:  # nearly always
            verdict = _good(beliefs[0], count, at_ns, self._link, self._span)
            if verdict is False:
                return
            if verdict is True:
                found.append(Arrival(at_ns, seen.data, True))
                beliefs[0] = _Belief(count, at_ns)
                return
        verdicts = [_good(belief, count, at_ns, self._link, self._span) for belief in beliefs]
        if not doubtful and all(verdict is False for verdict in verdicts):
            return
        sure = not doubtful and all(verdict is True for verdict in verdicts)
        found.append(Arrival(at_ns, seen.data, sure))
        refused = [
            belief
            for belief, verdict in zip(beliefs, verdicts, strict=True)
            if doubtful or verdict is not True
        ]
        self._beliefs = [*dict.fromkeys([*refused, _Belief(count, at_ns)])]


def _good(belief: _Belief | None, value: int, at_ns: int, link: Link, span: int) -> bool | None:
    """Whether a receiver with this belief takes the message: yes, no, or None for either."""
    if belief is None or span == 0:
        return True
    if 1 <= (value - belief.counter) % span <= link.max_step:
        return True
    age_ns = at_ns - belief.at_ns
    if age_ns > link.surely_stale_ns:
        return True
    return None if age_ns >= link.maybe_stale_ns else False


class Runs(Generic[V]):
    """Good messages as runs: equal values, surely good, less than a stale time apart."""

    def __init__(self, watch: Watch, read: Callable[[bytes], V], gap_ns: int) -> None:
        """``read`` takes the value out of a payload."""
        self.lives: list[list[Run[V]]] = []
        self.watch = watch
        self._read = read
        self._gap_ns = gap_ns
        self._done = 0

    def read_on(self) -> None:
        """Go on with the messages that have come since."""
        for life in range(max(0, len(self.lives) - 1), len(self.watch.lives)):
            if life == len(self.lives):
                self.lives.append([])
                self._done = 0
            self._take(self.lives[life], self.watch.lives[life])

    def within(self, from_ns: int, to_ns: int) -> Iterator[Run[V]]:
        """The runs of all lives in [from, to), cut where they reach beyond it."""
        for runs, arrivals in zip(self.lives, self.watch.lives, strict=True):
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
            at_ns, data, sure = found[place]
            value = read(data)
            last = runs[-1] if runs else None
            joins = last is not None and last.value == value and last.sure and sure
            if last is not None and joins and at_ns < last.last_ns + gap_ns:
                runs[-1] = Run(last.at_ns, at_ns, value, sure=True)
            else:
                runs.append(Run(at_ns, at_ns, value, sure))
        self._done = len(found)


class Overdue:
    """The good messages behind which the next surely good one of the same life did not come
    within a time.
    """

    def __init__(self, watch: Watch, within_ns: int) -> None:
        self._watch = watch
        self._within_ns = within_ns
        self._found: list[tuple[Arrival, int]] = []
        self._waiting: list[Arrival] = []
        self._ended: list[Arrival] = []
        self._life = self._done = 0

    def read_on(self) -> None:
        """Go on with the messages that have come since."""
        for life in range(self._life, len(self._watch.lives)):
            if life > self._life:
                self._ended += self._waiting
                self._waiting, self._life, self._done = [], life, 0
            self._take(self._watch.lives[life])

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
        """Each with the instant of the next surely good one, or the end of the run."""
        open_ended = [
            (entry, end_ns)
            for entry in (*self._ended, *self._waiting)
            if end_ns > entry.at_ns + self._within_ns
        ]
        return [*self._found, *open_ended]
