"""The walk: can the news that reached a subject explain what it showed?

The subject is the command of a load, or a request. A *source* is anything that can call for a
state: a message, a switch, a reset. A source sends *news*. Each news item calls for a state and has
a window: ``from`` is the instant from which a node may act on it, ``by`` the instant by which it
must:

    message asks for on       from                 by
    news                       |==== may act ======|
    right                 _____|________/~~~~~~~~~~|~~~~~~~     noted once, within its window
    wrong                 __/~~|~~~~~~~~~~~~~~~~~~~|~~~~~~~     unpaid: no news calls for it yet
    wrong                 _____|___________________|_______     late: the news was not noted

A correct node *notes* each item once, within its window. It notes the news of one source in order,
never backwards; it notes news of several sources in any order or at one instant. It may skip an
item that is *overtaken*: a later item of the same source may be acted on before this one must be.
The items noted last, one of each source, are a *position*. A position makes one state, and the
subject shows that state at every instant. The walk keeps every position that explains what was
shown so far. Where none is left, a rule is broken.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any, NamedTuple, TypeVar

from linkloss.judge import states
from linkloss.judge.states import FLASH, OFF, ON, Shown, State, admits

BEFORE_NS = -1
"""The instant of the first item of a source: what it called for before anything happened."""
LAST_KNOWN = 200
"""How many items of a source that are long over are carried on."""
NEVER = 1 << 62
"""An instant after the end of any run."""

T = TypeVar("T")
Position = tuple[int, ...]
Combine = Callable[[tuple[Any, ...]], State]
"""Makes one state out of what one news item of each source calls for."""


class News(NamedTuple):
    """One news item of a source: what it calls for, from when a node may act on it, by when it must
    (both in ns), and the rule under which a breach is reported. An item that is not ``must`` may be
    left out: its receiver may rightly not have it, or not believe it.
    """

    calls: Any
    from_ns: int
    by_ns: int
    rule: str
    must: bool = True


class Mark(NamedTuple):
    """From this instant on a breach is reported under this rule, although no news begins. With
    ``forbids`` the rule is exercised here if showing that level would be a breach.
    """

    from_ns: int
    rule: str
    forbids: Shown | None = None


@dataclass(slots=True)
class Source:
    """Something that can call for a state. Its news is in order of ``from_ns``; the first item is
    what it called for before anything happened.
    """

    news: list[News]
    marks: list[Mark] = field(default_factory=list)
    due: list[int] = field(init=False)
    """The deadline of each item: NEVER for one that may be left out, or that is overtaken by one
    that must be noted. An overtaking item that may itself be left out only extends the deadline.
    """

    def __post_init__(self) -> None:
        first, *rest = self.news
        rest.sort(key=lambda news: news.from_ns)
        self.news = news = [first, *rest]
        self.due = []
        for index, entry in enumerate(news):
            due_ns = entry.by_ns if entry.must else NEVER
            for later in news[index + 1 :]:
                if due_ns >= NEVER or later.from_ns > due_ns:
                    break
                due_ns = NEVER if later.must else max(due_ns, later.by_ns)
            self.due.append(due_ns)

    def behind(self, known: Source, at_ns: int) -> Source:
        """What is ``known`` of the time up to an instant (the last of it), and this from there
        on.
        """
        told = bisect_right(self.news, at_ns, key=lambda entry: entry.from_ns)
        news = [entry for entry in known.news if entry.from_ns <= at_ns][-LAST_KNOWN:]
        last, own = news[-1], self.news[told - 1]
        if last.by_ns > at_ns and last.calls == own.calls:  # its end may be known by now
            news[-1] = last._replace(by_ns=max(last.by_ns, own.by_ns))
        marks = [mark for mark in known.marks if mark.from_ns <= at_ns][-LAST_KNOWN:]
        marks += [mark for mark in self.marks if mark.from_ns > at_ns]
        return Source([*news, *self.news[told:]], marks)

    def calls_at(self, at_ns: int) -> Any:
        """What the last item that began up to an instant calls for."""
        place = bisect_right(self.news, at_ns, key=lambda entry: entry.from_ns)
        return self.news[place - 1].calls

    def next_due(self, from_ns: int, to_ns: int = NEVER) -> int:
        """The deadline of the first item that begins in (from, to] and has one; else NEVER."""
        later = zip(self.news, self.due, strict=True)
        found = (by for news, by in later if from_ns < news.from_ns <= to_ns and by < NEVER)
        return next(found, NEVER)


@dataclass(frozen=True, slots=True)
class Breach:
    """A change that no news accounts for (``unpaid``), or news that was not followed in time. From
    ``at_ns`` to ``to_ns`` something other than the right ``states`` was shown.
    """

    rule: str
    at_ns: int
    to_ns: int
    shown: Shown
    states: frozenset[State]
    unpaid: bool


class Kept(NamedTuple):
    """A rule that was exercised: when, its deadline, and the margin in ns (None: it had to be
    followed at once).
    """

    rule: str
    at_ns: int
    due_ns: int
    margin_ns: int | None


class Segment(NamedTuple):
    """The states that are right in [from_ns, to_ns), and the rule of the news that began last."""

    from_ns: int
    to_ns: int
    states: frozenset[State]
    rule: str


Told = tuple[News, int]
"""A news item and its deadline."""


class Start(NamedTuple):
    """Where a walk goes on, in terms of the places of its news: the state of :class:`_Walk` after
    everything that happened up to and including ``at_ns``.
    """

    at_ns: int
    positions: frozenset[Position]
    open: tuple[tuple[int, ...], ...]
    begun: Position
    least: Position
    shown: Shown
    wrong: Breach | None
    moved: bool

    def in_order(self, order: Sequence[int]) -> Start:
        """With the sources in another order."""

        def sorted_by(entries: tuple[T, ...]) -> tuple[T, ...]:
            return tuple([entries[k] for k in order])

        return self._replace(
            positions=frozenset(map(sorted_by, self.positions)),
            open=sorted_by(self.open),
            begun=sorted_by(self.begun),
            least=sorted_by(self.least),
        )


class Stand(NamedTuple):
    """How far a walk had come at an instant, with the items that its ``start`` speaks of, by place,
    for each source. So another walk can go on from there, over news that was worked out anew.
    """

    start: Start
    told: tuple[Mapping[int, Told], ...]

    def found_in(self, sources: Sequence[Source | None]) -> Start | None:
        """The same in terms of other lists of news, which may lack what is long over; None where
        they tell something else of the time up to that instant. A source that is no longer there
        (None) must have had no say then.
        """
        at_ns = self.start.at_ns
        places: list[dict[int, int]] = []
        for source, told in zip(sources, self.told, strict=True):
            found = _silent(told, at_ns) if source is None else found_places(told, source, at_ns)
            if found is None:
                return None
            places.append(found)
        kept = [k for k, source in enumerate(sources) if source is not None]

        def moved(position: Position) -> Position:
            return tuple([places[k][position[k]] for k in kept])

        still = tuple(tuple(places[k][q] for q in self.start.open[k]) for k in kept)
        begun, least = moved(self.start.begun), moved(self.start.least)
        positions = frozenset(map(moved, self.start.positions))
        return self.start._replace(positions=positions, open=still, begun=begun, least=least)

    def and_new(self, source: Source) -> Stand:
        """With one more source at the end, which had sent nothing up to that instant."""
        start = self.start
        return Stand(
            start._replace(
                positions=frozenset((*position, 0) for position in start.positions),
                open=(*start.open, ()),
                begun=(*start.begun, 0),
                least=(*start.least, 0),
            ),
            (*self.told, {0: (source.news[0], source.due[0])}),
        )


def _silent(told: Mapping[int, Told], at_ns: int) -> dict[int, int] | None:
    """Places for the items of a source that had no say at an instant, else None."""
    over = all(not entry.calls and due_ns <= at_ns for entry, due_ns in told.values())
    return dict.fromkeys(told, 0) if over else None


def found_places(told: Mapping[int, Told], source: Source, at_ns: int) -> dict[int, int] | None:
    """The places in a source of items that another list had, up to an instant. The oldest may be
    out of reach; then what is in their place must call for the same.
    """
    news, due = source.news, source.due
    last = place = bisect_right(news, at_ns, key=lambda entry: entry.from_ns) - 1
    found: dict[int, int] = {}
    indices = sorted(told, reverse=True)
    for count, index in enumerate(indices):
        entry, due_ns = told[index]
        at = next((p for p in range(place, -1, -1) if _same(news[p], entry, at_ns)), -1)
        if at < 0 or (not found and at != last):
            older = [told[other] for other in indices[count:]]
            over = all(not item.must or by_ns <= at_ns for item, by_ns in older)
            like = place >= 0 and all(item.calls == news[place].calls for item, _ in older)
            if over and like and due[place] <= at_ns:
                return found | dict.fromkeys(indices[count:], place)
            return None
        if due[at] != due_ns and min(due[at], due_ns) <= at_ns:
            return None
        found[index], place = at, at - 1
    return found


def _same(entry: News, other: News, at_ns: int) -> bool:
    """Whether two items are the same, as far as can be told at an instant: until when news is open
    that still is may turn out later.
    """
    return entry == other or (
        entry._replace(by_ns=0) == other._replace(by_ns=0) and min(entry.by_ns, other.by_ns) > at_ns
    )


@dataclass(slots=True)
class Walked:
    """What a walk found, and where it stood at the instant that was asked for."""

    breaches: list[Breach] = field(default_factory=list)
    kept: list[Kept] = field(default_factory=list)
    segments: list[Segment] = field(default_factory=list)
    stand: Stand | None = None


STEADY = "steady"
BEHIND = "shortest_off"
"""News of this rule begins 1 ns after the change that causes it."""
SOON_NS = 100_000_000
"""A change at most this long before the news that calls for it is reported as too soon, under the
rule of that news.
"""

_FROM, _CHANGE, _BY, _MARK = 0, 1, 2, 3
_FEW = 4


def walk(
    sources: Sequence[Source],
    combine: Combine,
    changes: Sequence[tuple[int, Shown]],
    end_ns: int,
    start_ns: int = 0,
    flash_ns: int = 0,
    *,
    start: Start | None = None,
    stand_ns: int | None = None,
) -> Walked:
    """Follow a subject through [start_ns, end_ns).

    ``combine`` makes one state out of what one news item of each source calls for. ``changes`` are
    (instant in ns, what is shown from there on), in order. What happens before ``start_ns`` is
    followed but not judged. ``flash_ns`` is how long a subject that must flash has to be watched
    before one that does not is found out, by the judge of the pattern (0: it never flashes).
    The walk goes on from ``start``, which must lie before ``start_ns``, and tells where it stood
    after everything that happened up to ``stand_ns``, if that lies before ``start_ns`` too.
    """
    walked = _Walk(sources, combine, changes, end_ns, start_ns, flash_ns)
    if start is not None:
        walked.go_on(start)
    return walked.run(stand_ns)


class _Walk:
    def __init__(
        self,
        sources: Sequence[Source],
        combine: Combine,
        changes: Sequence[tuple[int, Shown]],
        end_ns: int,
        start_ns: int,
        flash_ns: int,
    ) -> None:
        self.news = [source.news for source in sources]
        self.due = [source.due for source in sources]
        self.combine = combine
        self.start_ns, self.end_ns, self.flash_ns = start_ns, end_ns, flash_ns
        self.changes = changes
        found = [mark for source in sources for mark in source.marks]
        self.tests = sorted(
            (mark, place)
            for place, source in enumerate(sources)
            for mark in source.marks
            if mark.forbids is not None
        )
        found += [Mark(news.from_ns, news.rule) for part in self.news for news in part[1:]]
        self.marks = sorted(found, key=lambda mark: mark.from_ns)
        self.steps = sorted(self._steps())
        self.states: dict[Position, State] = {}
        self.open: dict[int, list[int]] = {}
        """The news that may be noted, by source; only sources that have some are in it."""
        self.begun = [0] * len(sources)
        self.least = [0] * len(sources)
        """For each source, the last item that had to be noted."""
        self.positions: set[Position] = {tuple(self.begun)}
        self.shown: Shown = 0.0
        self.wrong: Breach | None = None
        self.result = Walked()
        self.since_ns = start_ns
        self.mark = 0
        self.steady = self.moved = False
        self.lit: list[Kept] = []
        self.first = 0
        """The place of the first step to be taken."""

    def _steps(self) -> Iterator[tuple[int, int, int, int]]:
        end_ns = self.end_ns
        for source, news in enumerate(self.news):
            for index in range(1, len(news)):
                if news[index].from_ns < end_ns:
                    yield news[index].from_ns, _FROM, source, index
                    if self.due[source][index] < end_ns:
                        yield self.due[source][index], _BY, source, index
        for index, (at_ns, _) in enumerate(self.changes):
            if at_ns < end_ns:
                yield at_ns, _CHANGE, index, 0
        for index, (mark, _) in enumerate(self.tests):
            if self.start_ns <= mark.from_ns < end_ns:
                yield mark.from_ns, _MARK, index, 0

    def go_on(self, start: Start) -> None:
        """Begin where another walk stood."""
        self.first = bisect_left(self.steps, (start.at_ns + 1,))
        self.positions = set(start.positions)
        self.open = {k: [*entries] for k, entries in enumerate(start.open) if entries}
        self.begun, self.least = list(start.begun), list(start.least)
        self.shown, self.wrong, self.moved = start.shown, start.wrong, start.moved

    def _stand(self, at_ns: int) -> Stand:
        """Where the walk stands, after everything that happened up to an instant."""
        positions = frozenset(self.positions)
        still = dict(self._still_open(at_ns))
        entries = tuple(tuple(still.get(source, ())) for source in range(len(self.news)))
        begun, least = tuple(self.begun), tuple(self.least)
        told = []
        for source, (news, due) in enumerate(zip(self.news, self.due, strict=True)):
            spoken = {begun[source], least[source], *entries[source]}
            spoken |= {position[source] for position in positions}
            told.append({index: (news[index], due[index]) for index in spoken})
        start = Start(at_ns, positions, entries, begun, least, self.shown, self.wrong, self.moved)
        return Stand(start, tuple(told))

    def run(self, stand_ns: int | None = None) -> Walked:
        """Take all steps. ``stand_ns`` as in :func:`walk`."""
        steps = self.steps[self.first :] if self.first else self.steps
        for place, (at_ns, kind, which, index) in enumerate(steps, self.first):
            if stand_ns is not None and at_ns > stand_ns and self.result.stand is None:
                self.result.stand = self._stand(stand_ns)
            if at_ns > self.since_ns:
                self._segment(at_ns)
            if kind == _CHANGE:
                self._change(at_ns, self.changes[which][1])
            elif kind == _FROM:
                self._begin(at_ns, which, index, place)
            elif kind == _BY:
                self._must(at_ns, which, index)
            else:
                self._test(*self.tests[which])
        if stand_ns is not None and self.result.stand is None:
            self.result.stand = self._stand(stand_ns)
        if self.since_ns < self.end_ns:
            self._segment(self.end_ns)
        self._right_again(self.end_ns)
        kept, breaches = self.result.kept, self.result.breaches
        flashes = [part for part in self.result.segments if part.states == {FLASH}]
        kept += [
            entry
            for entry in self.lit
            if any(
                part.to_ns - entry.due_ns > self.flash_ns
                for part in flashes
                if part.from_ns <= entry.due_ns < part.to_ns
            )
        ]
        self.result.kept = [
            entry
            for entry in kept
            if not any(b.to_ns > entry.at_ns and b.at_ns <= entry.due_ns for b in breaches)
        ]
        return self.result

    # ---- positions ----

    def state(self, position: Position) -> State:
        """The state that the items of a position make together."""
        state = self.states.get(position)
        if state is None:
            calls = tuple([self.news[k][q].calls for k, q in enumerate(position)])
            state = self.states[position] = self.combine(calls)
        return state

    def reached(
        self,
        positions: Iterable[Position],
        at_ns: int,
        shown: Shown,
        moved: int = -1,
        fits: Callable[[State, Shown], bool] = admits,
    ) -> set[Position]:
        """All positions that fit what is shown and can be reached by noting open news at this
        instant; with ``moved``, only those that note the latest item of that source. ``fits`` tells
        which states go with what is shown.
        """
        still = self._still_open(at_ns)
        latest = self.open[moved][-1] if moved in self.open else -1
        found: set[Position] = set()
        states = self.states
        for position in positions:
            if moved >= 0:
                if latest <= position[moved]:
                    continue
                position = (*position[:moved], latest, *position[moved + 1 :])
            for candidate in _onward(position, still) if still else (position,):
                if candidate not in found:
                    state = states.get(candidate)
                    if fits(self.state(candidate) if state is None else state, shown):
                        found.add(candidate)
        return found

    def _still_open(self, at_ns: int) -> dict[int, list[int]]:
        """The indices of the news that may be noted at an instant, by source."""
        for source in list(self.open):
            news, entries = self.news[source], self.open[source]
            still = [q for q in entries if news[q].by_ns >= at_ns]
            if not still:
                del self.open[source]
            elif len(still) < len(entries):
                self.open[source] = still
        return self.open

    def _current(self) -> set[Position]:
        """The positions from which the walk goes on after a breach: for each source, the last item
        that had to be noted, or one that began since (of many, only the latest).
        """
        ways = [
            [least, *range(least + 1, begun + 1)] if begun - least < _FEW else [least, begun]
            for least, begun in zip(self.least, self.begun, strict=True)
        ]
        return set(product(*ways))

    # ---- what happens ----

    def _begin(self, at_ns: int, source: int, index: int, place: int) -> None:
        """A news item may be acted on from now on."""
        self.open.setdefault(source, []).append(index)
        self.begun[source] = index
        own = self.news[source][index].rule == BEHIND and self.news[source][index].calls
        late = self.wrong is not None and not self.wrong.unpaid and self.wrong.at_ns == at_ns - 1
        if own and late:
            self.wrong, self.positions = None, self._current()  # it was late by this 1 ns only
            self.positions = self.reached(self.positions, at_ns, self.shown) or self.positions
        if self.wrong is None:
            before = set(self.positions)
            self.positions |= self.reached(before, at_ns, self.shown, source)
            self._try_idle(at_ns, source, index, place, before)
            return
        self._look(at_ns)

    def _look(self, at_ns: int) -> None:
        """End the breach if what is shown is right by now."""
        self.positions = self._current()
        right = self.reached(self.positions, at_ns, self.shown)
        if right:
            self._right_again(at_ns)
            self.positions = right

    def _change(self, at_ns: int, shown: Shown) -> None:
        """The subject shows something else."""
        positions = self._current() if self.wrong is not None else self.positions
        if self.wrong is None:
            positions = positions | self.reached(positions, at_ns, self.shown)
        before, self.shown = self.shown, shown
        new = self.reached(positions, at_ns, shown)
        if new:
            self._right_again(at_ns)
            self.positions = new
            self.moved = self.moved or at_ns > self.start_ns
            self._try_more(at_ns, before)
        elif self.wrong is None:
            self._break(at_ns, self._unpaid_rule(at_ns, positions, shown), unpaid=True)

    def _must(self, at_ns: int, source: int, index: int) -> None:
        """A news item must have been noted by now."""
        self.least[source] = max(self.least[source], index)
        if self.wrong is not None:
            self._look(at_ns)
            return
        self.positions |= self.reached(self.positions, at_ns, self.shown)
        kept = {position for position in self.positions if position[source] >= index}
        if kept:
            self.positions = kept
            self._try_more(at_ns, 0.0 if self.shown > 0 else 100.0)
            return
        self._break(at_ns, self.news[source][index].rule, unpaid=False)

    def _test(self, mark: Mark, source: int) -> None:
        """Exercise the rule of a mark if showing what it forbids would be a breach because of the
        mark's own source.
        """
        forbidden = mark.forbids
        if forbidden is None or self.wrong or self.reached(self.positions, mark.from_ns, forbidden):
            return
        others = {OFF if forbidden <= 0 else ON, *(news.calls for news in self.news[source])}
        for position in self.positions:
            calls = [self.news[k][q].calls for k, q in enumerate(position)]
            for calls[source] in others:
                if admits(self.combine(tuple(calls)), forbidden):
                    self.result.kept.append(Kept(mark.rule, mark.from_ns, mark.from_ns, None))
                    return

    # ---- breaches ----

    def _break(self, at_ns: int, rule: str, *, unpaid: bool) -> None:
        right = self.positions if unpaid else [tuple(self.begun)]
        states = frozenset(self.state(position) for position in right)
        self.wrong = Breach(rule, at_ns, self.end_ns, self.shown, states, unpaid)
        self.positions = self._current()

    def _right_again(self, at_ns: int) -> None:
        if self.wrong is not None and at_ns > self.start_ns:
            self.result.breaches.append(replace(self.wrong, to_ns=at_ns))
        self.wrong = None

    def _unpaid_rule(self, at_ns: int, positions: Iterable[Position], shown: Shown) -> str:
        """The rule under which an unpaid change is reported. *steady*, if news open at this instant
        could make the new state had it not been noted already. Else, if the next item of a source
        calls for the new state, the rule of that item: too soon. Else the rule of what began last.
        """
        ways = [
            [
                *dict.fromkeys(
                    (begun, *(q for q in self.open.get(k, ()) if self._stands(k, q, at_ns)))
                )
            ]
            for k, begun in enumerate(self.begun)
        ]
        if any(admits(self.state(candidate), shown) for candidate in product(*ways)):
            return STEADY
        soon: tuple[int, str] | None = None
        bases = {*positions, tuple(self.begun)}
        for k, begun in enumerate(self.begun):
            if begun + 1 == len(self.news[k]):
                continue
            news = self.news[k][begun + 1]
            own = news.from_ns == news.by_ns  # caused by the change itself
            if own or (soon is not None and soon[0] <= news.from_ns):
                continue
            if any(admits(self.state((*p[:k], begun + 1, *p[k + 1 :])), shown) for p in bases):
                soon = news.from_ns, news.rule
        if soon is not None and soon[0] - at_ns <= SOON_NS:
            return soon[1]
        place = bisect_left(self.marks, at_ns + 1, key=lambda mark: mark.from_ns)
        return self.marks[place - 1].rule if place else STEADY

    def _stands(self, source: int, index: int, at_ns: int) -> bool:
        """Whether an item is open, and nothing such as a reset has made it void."""
        return index >= self.least[source] and self.news[source][index].by_ns >= at_ns

    # ---- what was exercised ----

    def _try_more(self, at_ns: int, shown: Shown) -> None:
        """Exercise *steady* if one more change, to ``shown``, would be unpaid at this instant."""
        if self.moved and not self.steady and not self.reached(self.positions, at_ns, shown):
            self.steady = True
            self.result.kept.append(Kept(STEADY, at_ns, at_ns, None))

    def _try_idle(
        self, at_ns: int, source: int, index: int, place: int, before: set[Position]
    ) -> None:
        """Exercise the rule of an item if a subject that stayed as it was would have broken it."""
        due_ns, news = self.due[source][index], self.news[source][index]
        moved_ns = states.moved_between(self.changes, at_ns, due_ns)
        if due_ns >= self.end_ns or at_ns < self.start_ns or moved_ns is None:
            return
        found, fits = self.result.kept, admits
        flashing = self.flash_ns and any(self.state(p) == FLASH for p in before)
        if flashing and news.calls != FLASH:
            fits = states.goes_on_flashing
            state = self.state(tuple(self.begun))
            seen_ns = states.seen_flashing(self.changes, at_ns, due_ns, self.flash_ns, state)
            begins = (begun.from_ns for entries in self.news for begun in entries)
            if seen_ns >= self.end_ns or any(due_ns < from_ns <= seen_ns for from_ns in begins):
                return
        elif self.flash_ns and not flashing and news.calls == FLASH:
            found, fits = self.lit, states.stays_dark
        if self._idle_breaks(place, source, index, before, fits):
            margin_ns = due_ns - moved_ns if due_ns > news.from_ns else None
            found.append(Kept(news.rule, at_ns, due_ns, margin_ns))

    def _idle_breaks(
        self,
        place: int,
        source: int,
        index: int,
        before: set[Position],
        fits: Callable[[State, Shown], bool],
    ) -> bool:
        """Whether a subject that stays as it is from here on is wrong by the deadline of an
        item.
        """
        due_ns = self.due[source][index]
        saved = {number: list(entries) for number, entries in self.open.items()}
        try:
            shown = self.shown
            before = {position for position in before if fits(self.state(position), shown)}
            positions = before | self.reached(before, self.steps[place][0], shown, fits=fits)
            for next_place in range(place + 1, len(self.steps)):
                at_ns, kind, which, number = self.steps[next_place]
                if at_ns > due_ns:
                    break
                if kind == _FROM:
                    self.open.setdefault(which, []).append(number)
                    positions |= self.reached(positions, at_ns, shown, which, fits)
                elif kind == _BY:
                    positions |= self.reached(positions, at_ns, shown, fits=fits)
                    positions = {p for p in positions if p[which] >= number}
                    if not positions:
                        return True
            return False
        finally:
            self.open = saved

    # ---- what was right ----

    def _segment(self, to_ns: int) -> None:
        from_ns = self.since_ns
        while self.mark < len(self.marks) and self.marks[self.mark].from_ns <= from_ns:
            self.mark += 1
        rule = self.marks[self.mark - 1].rule if self.mark else STEADY
        states = self._may_show(from_ns) if self.wrong is None else self.wrong.states
        last = self.result.segments[-1] if self.result.segments else None
        if last is not None and last.states == states and last.rule == rule:
            self.result.segments[-1] = last._replace(to_ns=to_ns)
        else:
            self.result.segments.append(Segment(from_ns, to_ns, states, rule))
        self.since_ns = to_ns

    def _may_show(self, at_ns: int) -> frozenset[State]:
        """The states of all positions, and of those that can be reached at an instant. Many
        positions differ only by items that call for the same state; each such state is combined
        once.
        """
        still = self._still_open(at_ns)
        if len(self.positions) == 1 and not still:
            return frozenset(map(self.state, self.positions))
        calls: list[dict[int, tuple[Any, ...]]] = [{} for _ in self.news]
        for place, known in enumerate(calls):
            news, entries = self.news[place], still.get(place, [])
            for own in {position[place] for position in self.positions}:
                later = [news[q].calls for q in entries if q > own]
                known[own] = tuple(dict.fromkeys([news[own].calls, *later]))
        alike = {
            tuple([known[own] for known, own in zip(calls, position, strict=True)])
            for position in self.positions
        }
        return frozenset({self.combine(way) for ways in alike for way in product(*ways)})


def _onward(position: Position, still: Mapping[int, Sequence[int]]) -> Iterable[Position]:
    """The positions that can be reached from one by noting open news of any of the sources, the one
    itself included.
    """
    ways = [position]
    for source, entries in still.items():
        own = position[source]
        if entries[-1] > own:
            ways += [
                (*way[:source], news, *way[source + 1 :])
                for way in ways
                for news in entries
                if news > own
            ]
    return ways
