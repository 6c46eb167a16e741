"""*Tries*: how a node may switch a load off and on again after its protected switch has tripped.

    command   __|~~~~~~~|___|~~~~~|___|~~~~~|____________________|~~~
    switch    ......TTTTT.......TTT.......TTT                           it reports a trip
    tries                   1         2         given up             from the beginning
              |-- pause at least -|                      request off

While the switch reports a trip, the node may switch the load off: every try begins with that. Then
it has to try again: a pause later where ``tries`` is declared, else as soon as the switch itself
would. From one switching on to the next at least a pause passes. After ``most`` tries in a row that
all ended in a trip the node goes to ``then``, and stays there until the request was off, or until
the condition of ``until`` holds. Tries that a switch makes by itself do not count as the node's,
and the node may wait for them until the switch has latched.

A row of tries ends when the load has worked for at least the longest time that a trip takes. Where
the node may count either way (the request may have been off as far as it knows), it may give up or
go on.

This file also turns what a node commands into what its load shows:

    command   _|~|_|~|_|~|____      pwm: edges less than 1.5 periods apart are one stretch, its
    shown     ___30 %____|____      level the mean of each period, its change the first edge
    command   ___,,--~~~~~~~~~      ramp: the change is the first step, where it goes the level
    shown     ___|~~~~~~~~~~~~      that is reached, in one direction and by the end of the ramp
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from linkloss.judge.case import Case, Waiting
from linkloss.judge.states import Shown, Towards, seen
from linkloss.judge.verdict import Cause, Verdict
from linkloss.judge.walk import BEFORE_NS, NEVER, Mark, News, Source
from linkloss.recording import Series
from linkloss.units import show_duration
from linkloss.vehicle.electrical import SolidStateTable
from linkloss.vehicle.load import LoadTable, TriesTable

Change = tuple[int, float]


def _at_once(begin_ns: int, lasts_ns: int) -> int:
    return begin_ns + lasts_ns


def _instant(change: Change) -> int:
    return change[0]


def shown_changes(
    command: Series[float],
    load: LoadTable,
    end_ns: int,
    over: Callable[[int, int], int] = _at_once,
) -> list[tuple[int, Shown]]:
    """The changes of a commanded level from 0 to 1 as what the load shows, in percent, up to the
    end of the recording. A load without levels shows off, on or something in between.
    ``over(instant, lasts)``: when a fade is over that begins then and lasts this long, in ns.
    """
    changes: Sequence[Change] = command.changes()
    if load.pwm is not None:
        changes = _averaged(changes, round(1e9 / load.pwm))
    if load.ramp_up or load.ramp_down:
        return _once(_ramped(changes, load, end_ns, over))
    return _once((at_ns, _shown(level, load)) for at_ns, level in changes)


def _shown(level: float, load: LoadTable) -> Shown:
    return seen(level) if load.level is None else 100.0 * level


def _once(changes: Iterable[tuple[int, Shown]]) -> list[tuple[int, Shown]]:
    """Without those that change nothing; the last of several at one instant counts."""
    found: list[tuple[int, Shown]] = []
    for at_ns, shown in changes:
        if found and found[-1][0] == at_ns:
            found.pop()
        if not found or found[-1][1] != shown:
            found.append((at_ns, shown))
    return found


def _averaged(changes: Sequence[Change], period_ns: int) -> list[Change]:
    """With the means of whole periods where fast switching makes a level."""
    found: list[Change] = []
    place = 0
    while place < len(changes):
        last = place
        while (
            last + 1 < len(changes)
            and 2 * (changes[last + 1][0] - changes[last][0]) < 3 * period_ns
        ):
            last += 1
        if last - place < 2:
            found.append(changes[place])
            place += 1
            continue
        from_ns, to_ns = changes[place][0], changes[last][0]
        while from_ns + period_ns <= to_ns:
            found.append((from_ns, _mean(changes, from_ns, from_ns + period_ns)))
            from_ns += period_ns
        found.append(changes[last])
        place = last + 1
    return found


def _mean(changes: Sequence[Change], from_ns: int, to_ns: int) -> float:
    """The mean level of [from_ns, to_ns), which begins no sooner than the changes."""
    first = bisect_right(changes, from_ns, key=_instant) - 1
    there = changes[first : bisect_left(changes, to_ns, lo=first, key=_instant)]
    ends = [*(at_ns for at_ns, _ in there[1:]), to_ns]
    area = sum(
        level * (end_ns - max(at_ns, from_ns))
        for (at_ns, level), end_ns in zip(there, ends, strict=True)
    )
    return area / (to_ns - from_ns)


def _ramped(
    changes: Sequence[Change], load: LoadTable, end_ns: int, over: Callable[[int, int], int]
) -> Iterator[tuple[int, Shown]]:
    """A fade as one change to where it goes. A fade that other news turns, or that the end of the
    recording cuts off, goes somewhere beyond what it has reached. A fade that is late counts as the
    level that it has reached by its deadline.
    """
    if changes:
        yield changes[0][0], _shown(changes[0][1], load)
    place = 1
    while place < len(changes):
        before = changes[place - 1][1]
        up = changes[place][1] > before
        lasts_ns = (load.ramp_up if up else load.ramp_down) or 0
        begin_ns = changes[place][0]
        over_ns = over(begin_ns, lasts_ns) if lasts_ns else begin_ns
        last = place
        while (
            last + 1 < len(changes)
            and (changes[last + 1][1] > changes[last][1]) == up
            and changes[last + 1][0] <= over_ns
        ):
            last += 1
        reached = changes[last][1]
        if last + 1 < len(changes):
            next_ns, other_way = changes[last + 1][0], (changes[last + 1][1] > reached) != up
        else:
            next_ns, other_way = end_ns, True
        turned = other_way and next_ns < over_ns
        shown = _shown(reached, load)
        if turned and shown not in (0.0, 100.0):
            yield begin_ns, Towards(100.0 * reached, up=up)
        else:
            yield begin_ns, shown
        place = last + 1


RULE = "tries"
LATCHED = "latched off"
"""What a switch reports that has given up by itself."""
_TIME_CONSTANTS = 5
"""A junction has reached its temperature after so many of its time constants (99 %)."""
_US = 1_000

Spans = Sequence[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Asked:
    """When a load may not have been asked for, as far as its node may know; when it surely was not;
    and when something else may have kept it off.
    """

    perhaps_off: Spans
    surely_off: Spans
    barred: Spans


@dataclass(slots=True)
class Tried:
    """The result of the tries of one load: a source for the walk, verdicts on what was wrong in
    itself, and the instants at which a node that knows no limit would have been wrong.
    """

    source: Source
    wrong: list[Verdict] = field(default_factory=list)
    limits: set[int] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class _Report:
    """A trip that a switch reported, from when to when, and when it latched (None: it did not)."""

    at_ns: int
    until_ns: int
    latched_ns: int | None


@dataclass(slots=True)
class _On:
    """When a load was switched on. Its node may have counted up to ``most`` tries in a row, and has
    surely counted ``least``.
    """

    from_ns: int
    to_ns: int
    reports: list[_Report] = field(default_factory=list)
    most: int = 0
    least: int = 0


def can_try(load: LoadTable) -> bool:
    """Whether a load has a switch that reports its trips. A load that flashes, or is dimmed by fast
    switching, is switched on again all the time: it has tries only where they are declared.
    """
    table = load.electrical
    if table is None or table.solid_state is None:
        return False
    return load.tries is not None or (load.flash is None and load.pwm is None)


def follow_tries(case: Case, name: str, asked: Asked, waiting: Waiting) -> Tried:
    """Follow the tries of a load that can have any."""
    return _Follower(case, name, asked, waiting).run()


class _Follower:
    def __init__(self, case: Case, name: str, asked: Asked, waiting: Waiting) -> None:
        load = case.vehicle.loads[name]
        assert load.electrical is not None
        assert load.electrical.solid_state is not None
        self.case, self.name, self.asked, self.waiting = case, name, asked, waiting
        self.load: LoadTable = load
        self.switch: SolidStateTable = load.electrical.solid_state
        self.table: TriesTable | None = load.tries
        self.pause_ns = self.switch.retry_after if self.table is None else self.table.pause
        self.slack_ns = case.slack(load.node, self.pause_ns)
        self.works_ns = (
            self.switch.blanking
            + _TIME_CONSTANTS * self.switch.thermal_time
            + load.electrical.soft_start
        )
        """A load that has been on for longer than this without a trip works, in ns."""
        self.resets = [uptime.anew_ns for uptime in case.histories[load.node].uptimes]
        self.until = self._until()
        self.by_condition = self.table is not None and not isinstance(self.table.until, str)
        self.tried = Tried(Source([News(False, BEFORE_NS, BEFORE_NS, RULE)]))

    def run(self) -> Tried:
        news = [News(False, at_ns, at_ns, "reset") for at_ns in self.resets]
        before: _On | None = None
        for on in self._switched_on():
            if before is not None:
                self._count(before, on)
            for report in on.reports:
                news += self._behind(on, report)
            before = on
        self.tried.source = Source([*self.tried.source.news, *news], self.tried.source.marks)
        return self.tried

    # ---- what happened ----

    def _switched_on(self) -> list[_On]:
        """The times in which the load was switched on, each with the trips that its switch
        reported. A load that is switched off and on at one instant was on twice.
        """
        trips = self.case.recording.trips.get(self.name)
        if trips is None or len(trips.times) < 2:
            return []
        found: list[_On] = []
        for at_ns, shown in shown_changes(
            self.case.command(self.name), self.load, self.case.end_ns
        ):
            if shown > 0 and (not found or found[-1].to_ns < NEVER):
                found.append(_On(at_ns, NEVER))
            elif shown <= 0 and found and found[-1].to_ns == NEVER:
                found[-1].to_ns = at_ns
        for report in _reports(trips, self.case.end_ns):
            place = next(
                (k for k, on in enumerate(found) if on.from_ns <= report.at_ns < on.to_ns), None
            )
            if place is None:
                continue
            on = found[place]
            on.reports.append(report)
            own = report.latched_ns is None and (
                report.until_ns - report.at_ns >= self.switch.retry_after - _US
            )
            if report.until_ns < min(on.to_ns, self.case.end_ns) and not own:
                found.insert(place + 1, _On(report.until_ns, on.to_ns))
                on.to_ns = report.until_ns
        return found

    def _until(self) -> Spans:
        """When the condition holds that lets a node try from the beginning."""
        if self.table is None or isinstance(self.table.until, str):
            return []
        changes = self.case.condition(self.table.until, self.load.node).changes()
        ends = [*(at_ns for at_ns, _ in changes[1:]), NEVER]
        return [(at, to) for (at, holds), to in zip(changes, ends, strict=True) if holds]

    # ---- how often, and how soon ----

    def _count(self, before: _On, on: _On) -> None:
        """Whether a load was switched on once more, and how many tries that makes."""
        off_ns, at_ns = before.to_ns, on.from_ns
        if any(off_ns <= reset <= at_ns for reset in self.resets):
            return
        tripped = any(
            report.at_ns <= off_ns <= self._acts_until(report) for report in before.reports
        )
        given_up = self.by_condition and self._must_give_up(before)
        if not tripped or (_overlap(self.asked.surely_off, off_ns, at_ns) and not given_up):
            return
        if any(
            min(to_ns, at_ns) - max(from_ns, before.from_ns) >= self.load.latency
            for from_ns, to_ns in self.until
        ):
            return  # the condition let it start afresh
        on.most = before.most + 1
        unsure = () if given_up else (*self.asked.perhaps_off, *self.asked.barred)
        if _overlap(unsure, off_ns, at_ns) or _overlap(self.until, before.from_ns, at_ns):
            return
        on.least = 1 if self._worked(before) else before.least + 1
        if self.table is None or at_ns < self.case.start_ns:
            return
        if on.least > self.table.most:
            most = str(self.table.most)
            self._wrong(at_ns, None, Cause.TRIED_TOO_OFTEN, str(on.least), most)
        missing_ns = self.pause_ns - self.slack_ns - (at_ns - before.from_ns)
        if missing_ns > 0:
            after, pause = show_duration(at_ns - before.from_ns), show_duration(self.pause_ns)
            self._wrong(at_ns, missing_ns, Cause.TRIED_TOO_SOON, after, pause)

    def _worked(self, on: _On) -> bool:
        """Whether a load worked before its switch tripped."""
        return on.reports[0].at_ns - on.from_ns > self.works_ns

    def _must_give_up(self, on: _On) -> bool:
        """Whether a trip ended the last try of a row."""
        if self.table is None or not on.reports or self._worked(on):
            return False
        return on.least >= self.table.most

    # ---- what it may do ----

    def _behind(self, on: _On, report: _Report) -> Iterator[News]:
        """What a node may and must do after a trip."""
        table, load = self.table, self.load
        acts_ns = self._acts_until(report)
        off_ns = on.to_ns if report.at_ns <= on.to_ns <= acts_ns else None
        may_give_up = table is not None and on.most >= table.most
        must_give_up = self._must_give_up(on)
        stays_on = table is not None and table.then == "on"
        rest_ns = self.pause_ns + self.slack_ns
        if must_give_up and stays_on:
            self._limit(report.at_ns, 0.0)
            return
        if must_give_up:
            yield self._gives_up(report, acts_ns)
            if off_ns is not None:
                self.tried.source.marks.append(Mark(off_ns, RULE))
                again_ns = off_ns + rest_ns + load.latency
                if not _overlap(self.asked.perhaps_off, off_ns, again_ns):
                    self._limit(again_ns, 100.0)
            yield from self._begins_anew(report.at_ns)
            return
        yield News(True, report.at_ns, acts_ns, RULE, must=False)
        if off_ns is not None:
            self.tried.source.marks.append(Mark(off_ns, RULE))
            behind_ns = off_ns + 1  # so that it does not explain the switching off itself
            by_ns = self.waiting.until(behind_ns, off_ns + rest_ns + load.latency)
            gives_up = may_give_up and not stays_on
            yield News(False, behind_ns, by_ns, RULE, must=not gives_up)
            if gives_up:
                yield from self._begins_anew(off_ns)

    def _gives_up(self, report: _Report, acts_ns: int) -> News:
        """The last try has ended in a trip: from then on the load may be off, and once the switch
        has latched as well it must be, a pause and a latency later.
        """
        if report.latched_ns is None:
            return News(True, report.at_ns, acts_ns, RULE, must=False)
        self.tried.limits.add(report.at_ns)
        due_ns = report.latched_ns + self.pause_ns + self.slack_ns + self.load.off_latency_ns
        return News(True, report.at_ns, self.waiting.until(report.at_ns, due_ns), RULE)

    def _begins_anew(self, from_ns: int) -> Iterator[News]:
        """What ends the state in which a node has given up. It may note this where the request may
        have been off, and must where it surely was; with a condition, while it holds, and once it
        has held for a latency.
        """
        latency_ns = self.load.latency
        assert self.table is not None
        if isinstance(self.table.until, str):
            perhaps, surely = self.asked.perhaps_off, self.asked.surely_off
        else:
            perhaps = self.until
            surely = [(at, to) for at, to in perhaps if to - max(at, from_ns) >= latency_ns]
        sure_ns = min((max(at, from_ns) for at, to in surely if to > from_ns), default=NEVER)
        for at_ns, to_ns in perhaps:
            if to_ns > from_ns and at_ns < sure_ns:
                yield News(False, max(at_ns, from_ns), NEVER, RULE, must=False)
        if sure_ns < NEVER:
            by_ns = self.waiting.until(sure_ns, sure_ns + latency_ns)
            yield News(False, sure_ns, by_ns, RULE)

    def _acts_until(self, report: _Report) -> int:
        """Until when a node may act on a trip: a latency after it was last reported."""
        return self.waiting.until(report.at_ns, report.until_ns + self.load.off_latency_ns)

    def _limit(self, at_ns: int, forbids: float) -> None:
        """At this instant one change more would be wrong."""
        self.tried.source.marks.append(Mark(at_ns, RULE, forbids))
        self.tried.limits.add(at_ns)

    def _wrong(
        self, at_ns: int, missing_ns: int | None, cause: Cause, observed: str, allowed: str
    ) -> None:
        margin_ns = None if missing_ns is None else -missing_ns
        self.tried.wrong.append(
            Verdict.wrong(
                self.name, RULE, at_ns, missing_ns, cause, observed, allowed,
                margin_ns=margin_ns, culprit=self.load.node,
            )
        )  # fmt: skip


def _reports(trips: Series[str], end_ns: int) -> list[_Report]:
    """The trips that a switch reported, one by one. A switch that had latched and then reports
    another trip was switched off in between.
    """
    found: list[_Report] = []
    before = ""
    for at_ns, to_ns, told in trips.stretches(end_ns):
        latched_ns = at_ns if told == LATCHED else None
        if told and before and before != LATCHED:
            found[-1] = _Report(found[-1].at_ns, to_ns, latched_ns)
        elif told:
            found.append(_Report(at_ns, to_ns, latched_ns))
        before = told
    return found


def _overlap(spans: Spans, from_ns: int, to_ns: int) -> bool:
    return any(at_ns <= to_ns and end_ns >= from_ns for at_ns, end_ns in spans)
