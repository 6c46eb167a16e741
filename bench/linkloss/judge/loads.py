"""Judging one load: whether what it was told explains what its node commands."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from linkloss.judge.case import Case, Zone, first_gap, missing_sender, zones
from linkloss.judge.evidence import WAYS, AfterJump
from linkloss.judge.flashing import judge_flashing
from linkloss.judge.message_rules import LATE_CYCLES
from linkloss.judge.news import LoadSources, decides_alone, sources_of
from linkloss.judge.requested import Receiver
from linkloss.judge.states import Shown, shown_word, state_words
from linkloss.judge.tries import RULE as TRIES
from linkloss.judge.tries import shown_changes
from linkloss.judge.uptimes import within
from linkloss.judge.verdict import Cause, Outcome, Verdict, smallest, worst
from linkloss.judge.walk import Breach, Segment, Source, Stand, Start, Walked, found_places, walk
from linkloss.vehicle.expression import Condition
from linkloss.vehicle.load import LoadTable


@dataclass(slots=True)
class LoadView:
    """A load over a run: all that could call for a state of it, and how its node followed."""

    name: str
    load: LoadTable
    sources: LoadSources
    changes: list[tuple[int, Shown]]
    """What its node commanded, in percent."""
    walked: Walked
    strict: list[Zone]
    start: Start | None = None
    """Where the walk went on, if it did not begin at power-up."""

    @property
    def segments(self) -> list[Segment]:
        """The states that were right, and when."""
        return self.walked.segments

    @property
    def asks(self) -> Condition | None:
        """The request that the load follows, if any."""
        return None if decides_alone(self.load) else self.load.request


def view_load(case: Case, name: str) -> LoadView:
    """Follow a load through a run."""
    view = view_from(case, name, None)
    assert view is not None
    return view


class Stood(NamedTuple):
    """Where the walk over a load stood, the names of its sources, and what those that hear of it by
    messages had told.
    """

    stand: Stand
    names: tuple[str, ...]
    heard: Mapping[str, Source]

    def found_in(self, sources: LoadSources) -> Start | None:
        """Where a walk over other news of the same sources goes on (:meth:`Stand.found_in`)."""
        stand, names, at_ns = self.stand, self.names, self.stand.start.at_ns
        for name, source in sources.heard.items():
            if name == "request":
                agrees = found_places(stand.told[names.index(name)], source, at_ns) is not None
            else:
                agrees = source.calls_at(at_ns) == self.heard[name].calls_at(at_ns)
            if not agrees:
                return None
        for name, source in sources.named.items():
            if name not in names:
                stand, names = stand.and_new(source), (*names, name)
        start = stand.found_in([sources.named.get(name) for name in names])
        there = [name for name in names if name in sources.named]
        return None if start is None else start.in_order([there.index(n) for n in sources.named])


def view_from(case: Case, name: str, stood: Stood | None) -> LoadView | None:
    """Follow a load from where an earlier walk stood. None where the recording, which may lack what
    was long before, does not tell of the news that this walk knew.
    """
    load = case.vehicle.loads[name]
    start = None
    if stood is None:
        sources = sources_of(case, name)
    else:
        sources = sources_of(case, name, known=stood.heard, known_ns=stood.stand.start.at_ns)
        start = stood.found_in(sources)
        if start is None:
            return None
    changes = shown_changes(case.command(name), load, case.end_ns, sources.fade_over)
    mixed = _walked(case, sources, changes, start)
    walked = _one_receiver(case, sources, changes, mixed)
    return LoadView(
        name, load, sources, changes, walked, zones(case, load.node, load.rejoin), start
    )


def walked_from(
    case: Case, view: LoadView, start_ns: int, stand_ns: int | None = None
) -> tuple[Walked, Stood | None]:
    """The walk over a load that is judged from another instant on, and where it stood after
    everything that happened up to ``stand_ns``.
    """
    other = copy(case)
    other.start_ns = start_ns
    mixed = _walked(other, view.sources, view.changes, view.start, stand_ns)
    named, heard = view.sources.named, view.sources.heard
    stood = None
    if mixed.stand is not None:
        stood = Stood(mixed.stand, tuple(named), {name: named[name] for name in heard})
    return _one_receiver(other, view.sources, view.changes, mixed), stood


def _walked(
    case: Case,
    sources: LoadSources,
    changes: Sequence[tuple[int, Shown]],
    start: Start | None = None,
    stand_ns: int | None = None,
) -> Walked:
    return walk(
        sources.sources, sources.combine(), changes, case.end_ns, case.start_ns,
        sources.load.cycle_ns, start=start, stand_ns=stand_ns,
    )  # fmt: skip


def _one_receiver(
    case: Case, sources: LoadSources, changes: Sequence[tuple[int, Shown]], mixed: Walked
) -> Walked:
    """The walk over a load, for a receiver that always acts alike.

    The ``mixed`` walk lets a receiver treat each jump of a counter differently. What it finds right
    must also be right for a receiver that treats all jumps alike, and whose latch, where it may
    have held the load off, did so or did not until off was asked for. A rule counts as exercised
    only where any receiver had to follow it, and a state as the only right one only where it is for
    all of them.
    """
    jumps: tuple[AfterJump | None, ...] = (None,)
    if sources.load.after_jump == "either" and (asked := sources.named.get("request")) is not None:
        pure = (sources_of(case, sources.name, Receiver(way)) for way in WAYS)
        if any(way.named["request"].news != asked.news for way in pure):  # a counter has jumped
            jumps = WAYS
    if jumps == (None,) and not sources.doubts:
        return mixed
    each = (walked for jump in jumps for walked in _receivers(case, sources.name, changes, jump))
    found = min(each, key=_wrongness)
    if mixed.breaches and found.breaches:
        return mixed
    tested = {entry.at_ns for entry in mixed.kept}
    found.kept = [entry for entry in found.kept if entry.at_ns in tested]
    if not mixed.breaches:
        found.segments = mixed.segments
    return found


MOST_DOUBTS = 6
"""Up to this many times a latch that may have held is followed both ways; after that the two may
mix.
"""


def _receivers(
    case: Case, name: str, changes: Sequence[tuple[int, Shown]], jump: AfterJump | None
) -> Iterator[Walked]:
    """The walks for one receiver after another, which differ by when their latches held, up to the
    first that explains the load.
    """
    ways: list[tuple[bool, ...]] = [()]
    while ways:
        way = ways.pop()
        sources = sources_of(case, name, Receiver(jump, way))
        if len(way) < min(sources.doubts, MOST_DOUBTS):
            ways += [(*way, True), (*way, False)]
            continue
        walked = _walked(case, sources, changes)
        yield walked
        if not walked.breaches:
            return


def _wrongness(walked: Walked) -> tuple[int, int]:
    return len(walked.breaches), sum(breach.to_ns - breach.at_ns for breach in walked.breaches)


def judge_load(case: Case, view: LoadView) -> list[Verdict]:
    """All verdicts on a load's own rules, one for each rule on which the run gives evidence. What
    the load shows while its node sleeps is reported under the node.
    """
    tried = view.sources.tried
    found = [] if tried is None else [*tried.wrong]
    told = {verdict.at_ns for verdict in found}
    asleep_at = case.histories[view.load.node].asleep_at
    breaches = [b for b in view.walked.breaches if b.at_ns not in told and not asleep_at(b.at_ns)]
    found += [_broken(view, breach) for breach in breaches]
    if view.load.flash is not None:
        stops = [(a, b + view.load.latency) for a, b in view.sources.waiting.spans]
        found += judge_flashing(
            view.name, view.load.flash, view.segments, case.command(view.name), stops
        )
    kept: dict[str, list[int | None]] = {}
    for entry in view.walked.kept:
        # A load that may be tried once more has not reached the limit of its tries.
        tries = entry.rule != TRIES or (tried is not None and entry.at_ns in tried.limits)
        if tries and entry.rule != "asleep":
            kept.setdefault(entry.rule, []).append(entry.margin_ns)
    found += [
        Verdict(view.name, rule, Outcome.KEPT, smallest(margins)) for rule, margins in kept.items()
    ]
    found += _missing(case, view)
    by_rule: dict[str, list[Verdict]] = {}
    for verdict in found:
        by_rule.setdefault(verdict.rule, []).append(verdict)
    return [worst(verdicts) for verdicts in by_rule.values()]


def _broken(view: LoadView, breach: Breach) -> Verdict:
    """A breach as a verdict."""
    others = sum(other.unpaid for other in view.walked.breaches) - 1 if breach.unpaid else 0
    return Verdict.missed(
        view.name, breach.rule, breach.at_ns, breach.to_ns - breach.at_ns,
        Cause.UNCAUSED if breach.unpaid else Cause.OTHER_STATE,
        shown_word(breach.shown), state_words(breach.states),
        more=others, culprit=view.load.node,
    )  # fmt: skip


def _missing(case: Case, view: LoadView) -> Iterator[Verdict]:
    """The rule *rejoin*: no fault is left, the time to rejoin is over, and the request still does
    not arrive.
    """
    load = view.load
    if view.asks is None or load.stale_after is None:
        return
    there = _there(case, load)
    for zone in view.strict:
        gap_ns = first_gap(there, zone.from_ns, zone.to_ns)
        held_back = False
        while gap_ns is not None and (over_ns := _held_back_to(case, load, there, gap_ns)):
            held_back, gap_ns = True, first_gap(there, over_ns, zone.to_ns)
        if gap_ns is None:
            if zone.after_fault and not held_back:
                back_ns = next(from_ns for from_ns, to_ns in there if to_ns > zone.from_ns)
                faults = [fault.applied_ns for fault in case.faults_near(load.node)]
                if any(at_ns < back_ns for at_ns in faults) and back_ns > 0:
                    yield Verdict(view.name, "rejoin", Outcome.KEPT, zone.from_ns - back_ns)
            continue
        back_ns = min((at for at, _ in there if at > gap_ns), default=zone.to_ns)
        missed_ns = min(back_ns, zone.to_ns) - gap_ns
        message, culprit = missing_sender(case, load, gap_ns, gap_ns - load.stale_after)
        if not case.simulated(culprit):  # the log has a gap; what the load makes of it is judged
            continue
        yield Verdict.missed(
            view.name, "rejoin", gap_ns, missed_ns,
            Cause.UNREACHED, about=(message, load.node), culprit=culprit,
        )  # fmt: skip


def _held_back_to(
    case: Case, load: LoadTable, there: Sequence[tuple[int, int]], gap_ns: int
) -> int | None:
    """When messages count again that arrive in sequence but are not good: a receiver that took a
    wrong one refuses them until its link is lost. None where something else is missing.
    """
    back_ns = next((from_ns for from_ns, _ in there if from_ns > gap_ns), case.end_ns)
    for message in load.watched:
        info, link = case.vehicle.messages[message], case.link(message, load)
        if info.counter is None:
            return None
        taken = [e.at_ns for uptime in case.arrivals(message, load.node, link) for e in uptime]
        last_ns = max((at_ns for at_ns in taken if at_ns <= gap_ns), default=0)
        period_ns = case.vehicle.period_ns(link.page or message)
        longest_ns = link.surely_stale_ns + round(LATE_CYCLES * period_ns)
        came = [
            seen.counter
            for seen in case.traffic(message).frames
            if last_ns < seen.at_ns < back_ns and load.node in seen.receivers
        ]
        span = 1 << info.counter.length_bits
        follows = all(1 <= (b - a) % span <= link.max_step for a, b in pairwise(came))
        if len(came) < 2 or not follows or back_ns - last_ns > longest_ns:
            return None
    return back_ns


def _there(case: Case, load: LoadTable) -> list[tuple[int, int]]:
    """When a good message was there and not yet stale, uptime by uptime; with several messages,
    when all of them were. A message that may be refused counts only where the link was not yet in
    danger of being lost.
    """
    spans = [_there_of(case, load, message) for message in load.watched]
    found = spans[0]
    for others in spans[1:]:
        found = [part for span in found for part in within(*span, others)]
    return found


def _there_of(case: Case, load: LoadTable, message: str) -> list[tuple[int, int]]:
    found: list[tuple[int, int]] = []
    link = case.link(message, load)
    uptimes = case.histories[load.node].uptimes
    for uptime, entries in zip(uptimes, case.arrivals(message, load.node, link), strict=True):
        lost_ns = 0
        for entry in entries:
            if entry.elsewhere:
                continue
            if entry.sure:
                lost_ns = entry.at_ns + link.maybe_stale_ns
            if entry.sure or entry.at_ns < lost_ns:
                to_ns = min(uptime.end_ns, entry.at_ns + link.stale_after_ns)
                if found and entry.at_ns <= found[-1][1]:
                    found[-1] = (found[-1][0], max(found[-1][1], to_ns))
                else:
                    found.append((entry.at_ns, to_ns))
    return found
