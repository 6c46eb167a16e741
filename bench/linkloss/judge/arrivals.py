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
from typing import Generic, Literal, NamedTuple, TypeVar

from linkloss.judge.lives import Biography, taken_by
from linkloss.judge.traffic import Seen, Traffic

V = TypeVar("V")
AfterJump = Literal["accept", "refuse one", "lost", "either"]
"""What a receiver does with a counter that has moved by more than one: it takes the message, takes
only the next that follows it, takes the link for lost, or any of these.
"""
WAYS: tuple[AfterJump, ...] = ("accept", "refuse one", "lost")


class Arrival(NamedTuple):
    """A good message at its receiver; ``sure`` is False where it may rightly be refused. ``lost``:
    its counter does not go together with the one before, and that counts as a lost link.
    """

    at_ns: int
    data: bytes
    sure: bool
    lost: bool = False


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
    after_jump: AfterJump = "accept"

    @property
    def maybe_stale_ns(self) -> int:
        """Age of the last good message from which the receiver may call the link lost."""
        return self.stale_after_ns - self.early_ns

    @property
    def surely_stale_ns(self) -> int:
        """Age from which it must have acted on the loss."""
        return self.stale_after_ns + self.reaction_ns


class _Belief(NamedTuple):
    """The counter and instant of the last good message, as a receiver may hold them, and what it
    does with a jump where that is left open and has shown.
    """

    counter: int
    at_ns: int
    way: str | None = None


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

    def boots(self) -> list[tuple[int, int]]:
        """When the receiver boots, and may not have a message."""
        return [(life.reset_ns, life.boot_end_ns - 1) for life in self.receiver.lives]

    def hangs(self) -> list[tuple[int, int]]:
        """When the receiver hangs, and may not have a message, or take it later."""
        return [(hang.from_ns, hang.to_ns) for hang in self.receiver.hangs]


class Watch:
    """The good messages at a node, in order of time, a list for each of its lives."""

    def __init__(self, traffic: Traffic, node: str, link: Link) -> None:
        self.lives: list[list[Arrival]] = []
        self.refused: list[list[int]] = []
        """For each life when messages were delivered that were not good: repeats, jumps."""
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
        hangs = times.hangs() if self._span else []
        deaf = [*times.boots(), *hangs] if self._span else []
        reset_ns, deaf_to_ns = max(resets, default=-1), max((b for _, b in deaf), default=-1)
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
                before = self._beliefs
                if self._last_ns < reset_ns:
                    lost = lost or any(self._last_ns < reset <= at_ns for reset in resets)
                self._take(seen, lost, hangs)
                if at_ns <= deaf_to_ns and any(a <= at_ns <= b for a, b in deaf):
                    # It may never have had it.
                    self._beliefs = [*dict.fromkeys([*self._beliefs, *before])]
        self._done = len(frames)
        while len(self.lives) < len(lives):
            self._begin(lives[len(self.lives)].reset_ns)

    def _begin(self, reset_ns: int) -> None:
        self.lives.append([])
        self.refused.append([])
        self._beliefs = [None]
        self._last_ns = reset_ns

    def _take(self, seen: Seen, doubtful: bool, hangs: Sequence[tuple[int, int]]) -> None:
        at_ns, count, found = seen.at_ns, seen.counter, self.lives[-1]
        self._last_ns = at_ns
        new = _Belief(count, at_ns)
        if not doubtful and self._plainly_good(count):  # nearly always
            found.append(Arrival(at_ns, seen.data, True))
            way = self._beliefs[0].way if self._span and self._beliefs[0] else None
            self._beliefs = [new if way is None else new._replace(way=way)]
            return
        made: dict[tuple[str, _Belief | None], None] = {}
        for belief in self._beliefs:
            made |= dict.fromkeys(_makes(belief, new, self._link, self._span, hangs))
        if doubtful:
            made |= dict.fromkeys([(_GOOD, new), *((_REFUSED, old) for old in self._beliefs)])
        ways = {way for way, _ in made}
        if _LOST in ways:
            found.append(Arrival(at_ns, seen.data, ways == {_LOST}, lost=True))
        if _GOOD in ways:
            found.append(Arrival(at_ns, seen.data, ways == {_GOOD}))
        if ways == {_REFUSED}:
            self.refused[-1].append(at_ns)
        self._beliefs = [*dict.fromkeys(belief for _, belief in made)]

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
    """What a receiver may make of a message, and what it believes then. It takes one as new for
    sure once the link is surely stale, counted from when it took the one before.
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
