"""What a request allows a load to do: the rules *fresh*, *stale*, *then* and *reset*.

Worked out life by life from the good messages that reached the load's node, with no knowledge
of its program.

    good messages   |  |  |              |  |  |
    fresh           ==========.          ===========   what the last good one asked for
    stale                   ============ . . . .       fail-safe state; it stays allowed after
                            a  b         c      d      the return, until `rejoin` has passed

a: last good message + stale_after - early      b: last good message + stale_after + reaction
c: the first good message is back               d: c + rejoin
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from bench.judge.arrivals import Link, Run
from bench.judge.case import Case
from bench.judge.lives import Life
from bench.judge.masks import FLASH, OFF, ON, bit
from bench.judge.paint import Paint, Probe, shown
from bench.judge.supply import boot_paints
from bench.model.vehicle import LoadTable

FOREVER = 1 << 62


class Asked(NamedTuple):
    """A run as the states that it can have brought about; ``lost``: the link was surely lost
    before it; ``waits``: it asks for the load, but a latch may still hold it off.
    """

    at_ns: int
    last_ns: int
    states: int
    sure: bool
    lost: bool
    waits: bool


class Absence(NamedTuple):
    """A time without a sure request, and what is allowed because of it from ``from_ns`` on.

    ``back_ns`` is the surely good message that ends it.
    """

    from_ns: int
    back_ns: int
    paints: tuple[Paint, ...]


class Memory(NamedTuple):
    """What outlived a reset: the states last asked for (0: none), and when that may be stale."""

    states: int
    lost_ns: int


@dataclass(slots=True)
class Requested:
    """Paints and probes of one load; ``fresh`` holds the spans with a surely fresh request."""

    paints: list[Paint] = field(default_factory=list)
    probes: list[Probe] = field(default_factory=list)
    fresh: list[tuple[int, int]] = field(default_factory=list)


def requested(case: Case, name: str, load: LoadTable) -> Requested:
    """Work out what the request of a load allows over the whole run."""
    assert load.request is not None
    result = Requested()
    message, _ = case.vehicle.signal(load.request)
    link = case.link(message.name, load)
    held, lost_ns = 0, FOREVER
    lives = case.lives[load.node].lives
    for life, runs in zip(lives, case.runs(load), strict=True):
        actual = case.actual(name)
        before = shown(actual, life.reset_ns - 1, load.cycle_ns) if life.reset_ns else OFF
        memory = Memory(held, lost_ns) if load.survives_reset else Memory(0, FOREVER)
        chapter = _Chapter(load, link, life, before, memory)
        asked = chapter.through_latch(runs)
        chapter.tell(asked, result)
        for entry in asked:
            held = entry.states
            lost_ns = entry.last_ns + link.maybe_stale_ns if entry.sure else lost_ns
    return result


class _Chapter:
    """One life of the load's node."""

    def __init__(
        self, load: LoadTable, link: Link, life: Life, before: int, memory: Memory
    ) -> None:
        assert load.on_reset is not None
        self.load = load
        self.link = link
        self.life = life
        self.before = before
        self.memory = memory
        self.rest = memory.states or bit(load.on_reset)
        self.hardware = ON if load.hardware_default == "on" else OFF

    def tell(self, asked: Sequence[Asked], result: Requested) -> None:
        """Add this life's paints, probes and fresh spans."""
        absences = [self._boot(asked), *self._losses(asked)]
        paints = [*self._service(asked), *self._carried(absences)]
        probes = [
            *self._reset_probes(asked), *self._change_probes(asked), *self._loss_probes(asked)
        ]  # fmt: skip
        end_ns = self.life.end_ns
        for paint in paints:
            if paint.from_ns < min(paint.to_ns, end_ns):
                result.paints.append(paint._replace(to_ns=min(paint.to_ns, end_ns)))
        for probe in probes:
            if probe.from_ns < min(probe.to_ns, end_ns):
                result.probes.append(probe._replace(to_ns=min(probe.to_ns, end_ns)))
        result.fresh.extend(self._fresh(asked))

    # ---- what the messages ask for ----

    def through_latch(self, runs: Sequence[Run[bool]]) -> list[Asked]:
        """What each run can bring about: a latched load waits until it was asked to be off,
        and a message that may have been refused leaves the earlier request possible.
        """
        asked: list[Asked] = []
        latched = {True} if self.load.latch else {False}
        sure_ns: int | None = None
        for run in runs:
            last = asked[-1] if asked else None
            state = bit(self.load.asked_state) if run.value else OFF
            lost = last is not None and run.at_ns > last.last_ns + self.link.surely_stale_ns
            if self.load.latch:
                if lost:
                    latched = {True}
                elif sure_ns is not None and run.at_ns >= sure_ns + self.link.maybe_stale_ns:
                    latched = latched | {True}
                if state == OFF:
                    latched = {False} if run.sure else latched | {False}
            possible = (state if False in latched else 0) | (OFF if True in latched else 0)
            if not run.sure and last is not None and not lost:
                possible |= last.states
            waits = run.value and True in latched
            asked.append(Asked(run.at_ns, run.last_ns, possible, run.sure, lost, waits))
            sure_ns = run.last_ns if run.sure else sure_ns
        return asked

    def _slack(self, slack_ns: int, states: int) -> int:
        """A load that flashes may finish its cycle."""
        return slack_ns + (self.load.cycle_ns if states & FLASH else 0)

    def _service(self, asked: Sequence[Asked]) -> Iterator[Paint]:
        """What was asked for, up to ``latency`` behind a change or ``reaction`` behind a loss."""
        for entry, following in _with_next(asked):
            until_ns = entry.last_ns + self._slack(self.link.surely_stale_ns, entry.states)
            if following is not None and not following.lost:
                until_ns = following.at_ns  # one that asks the same says the rest itself
                if following.states != entry.states:
                    until_ns += self._slack(self.load.latency, entry.states)
            rule = "latched" if entry.waits else "fresh"
            yield Paint(entry.at_ns, until_ns, entry.states, rule)

    def _fresh(self, asked: Sequence[Asked]) -> Iterator[tuple[int, int]]:
        """A doubtful message counts only where the link was not yet in danger of being lost."""
        lost_ns = 0
        for entry in asked:
            if entry.sure:
                lost_ns = entry.last_ns + self.link.maybe_stale_ns
            if entry.sure or entry.at_ns < lost_ns:
                yield entry.at_ns, min(self.life.end_ns, entry.last_ns + self.link.stale_after_ns)

    # ---- absences ----

    def _boot(self, asked: Sequence[Asked]) -> Absence:
        """The reset and the time until a request is there."""
        life, back_ns = self.life, _first_sure(asked)
        started_ns = life.boot_end_ns if life.up_ns is None else life.up_ns
        lost_ns = min(started_ns, life.boot_end_ns) + self.link.maybe_stale_ns
        lost_ns = max(life.reset_ns, min(lost_ns, self.memory.lost_ns))
        paints = (
            *boot_paints(self.load, life, self.before, self.hardware | self.rest),
            Paint(life.boot_end_ns, FOREVER, self.rest, "reset"),
            *self._failsafe(lost_ns, FOREVER, self.rest, "reset", "reset"),
        )
        return Absence(life.reset_ns, back_ns, paints)

    def _losses(self, asked: Sequence[Asked]) -> Iterator[Absence]:
        """The times between two surely good messages in which the link may count as lost."""
        sure = [index for index, entry in enumerate(asked) if entry.sure]
        for here, following in pairwise([*sure, len(asked)]):
            last_sure, last = asked[here], asked[following - 1]
            back_ns = asked[following].at_ns if following < len(asked) else FOREVER
            from_ns = last_sure.last_ns + self.link.maybe_stale_ns
            if from_ns <= min(back_ns, self.life.end_ns):
                held = 0  # by whatever message between them the receiver took to be the last
                for entry in asked[here:following]:
                    held |= entry.states
                surely_ns = last.last_ns + self.link.surely_stale_ns
                paints = self._failsafe(from_ns, surely_ns, held, "stale", "then", back_ns)
                yield Absence(from_ns, back_ns, tuple(paints))

    def _failsafe(
        self,
        maybe_ns: int,
        surely_ns: int,
        held: int,
        rule: str,
        then_rule: str,
        back_ns: int = FOREVER,
    ) -> Iterator[Paint]:
        """The state on stale from when it may be taken, and the state that follows it. What a
        load still is in when the link comes back it may be in until it follows again.
        """
        load = self.load
        state = self._stale_states(held)
        if load.hold_for is None or load.then is None:
            yield Paint(maybe_ns, FOREVER, state, rule)
            return
        until_ns = surely_ns + self._slack(load.hold_for, state)
        yield Paint(maybe_ns, FOREVER if back_ns < until_ns else until_ns, state, rule)
        yield Paint(maybe_ns + load.hold_for, FOREVER, bit(load.then), then_rule)

    def _stale_states(self, held: int) -> int:
        assert self.load.on_stale is not None
        return held if self.load.on_stale == "hold" else bit(self.load.on_stale)

    def _carried(self, absences: Sequence[Absence]) -> Iterator[Paint]:
        """Each absence's states, up to ``rejoin`` behind its end; a new absence that begins
        before that moment starts the waiting again.
        """
        later_from_ns, later_until_ns = FOREVER, FOREVER
        for absence in reversed(absences):
            until_ns = min(FOREVER, absence.back_ns + self.load.rejoin)
            if later_from_ns < until_ns:
                until_ns = max(until_ns, later_until_ns)
            for paint in absence.paints:
                yield paint._replace(to_ns=min(paint.to_ns, until_ns))
            later_from_ns, later_until_ns = absence.from_ns, until_ns

    # ---- what puts the rules to the test ----

    def _reset_probes(self, asked: Sequence[Asked]) -> Iterator[Probe]:
        life = self.life
        until_ns = asked[0].at_ns if asked else FOREVER
        for idle in dict.fromkeys((self.before, self.hardware)):
            assumed = idle == self.hardware
            yield Probe("reset", life.reset_ns, life.boot_end_ns, until_ns, idle, assumed)

    def _change_probes(self, asked: Sequence[Asked]) -> Iterator[Probe]:
        for before, (changed, following) in zip(asked, [*_with_next(asked)][1:], strict=False):
            if changed.sure and not changed.lost and changed.states != before.states:
                deadline_ns = changed.at_ns + self._slack(self.load.latency, before.states)
                until_ns = changed.last_ns + self.link.maybe_stale_ns
                if following is not None:
                    until_ns = min(until_ns, following.at_ns)
                yield Probe("fresh", changed.at_ns, deadline_ns, until_ns, before.states)

    def _loss_probes(self, asked: Sequence[Asked]) -> Iterator[Probe]:
        load = self.load
        for entry, following in _with_next(asked):
            back_ns = following.at_ns if following is not None else FOREVER
            surely_ns = entry.last_ns + self._slack(self.link.surely_stale_ns, entry.states)
            if surely_ns >= back_ns:
                continue
            holds = load.on_stale == "hold"
            idle = self.hardware if holds else entry.states
            until_ns = back_ns
            if load.hold_for is not None:
                still = self._stale_states(entry.states)
                held_ns = self.link.surely_stale_ns + self._slack(load.hold_for, still)
                then_ns = entry.last_ns + held_ns
                until_ns = min(back_ns, then_ns)
                yield Probe("then", surely_ns, then_ns, back_ns, still)
            yield Probe("stale", entry.last_ns, surely_ns, until_ns, idle, assumed=holds)


def _with_next(asked: Sequence[Asked]) -> Iterator[tuple[Asked, Asked | None]]:
    return zip(asked, [*asked[1:], None], strict=False)


def _first_sure(asked: Sequence[Asked]) -> int:
    return next((entry.at_ns for entry in asked if entry.sure), FOREVER)
