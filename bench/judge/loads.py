"""Judging one load: what was allowed at every instant, and what its output really did."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from bench.judge.case import Case
from bench.judge.exercise import exercised, margin
from bench.judge.flashing import judge_flashing
from bench.judge.local import Local, decides_alone, plain_boots
from bench.judge.masks import ANY, OFF, ON, admits, level_bit, names
from bench.judge.paint import (
    Breach,
    Paint,
    Probe,
    Segment,
    Span,
    blend,
    breaches,
    overlapping,
    shown,
)
from bench.judge.requested import Requested, requested
from bench.judge.supply import supply_excuses
from bench.judge.verdict import Outcome, Verdict, smallest, worst
from bench.judge.zones import Zone, cut_out, first_gap, missing_sender, zones
from bench.model.units import show_duration
from bench.model.vehicle import LoadTable
from bench.recording import Series

AWAY = frozenset({"stale", "then", "reset"})
"""The rules that allow something else than what is asked for."""


@dataclass(slots=True)
class LoadView:
    """All that is allowed to one load over a run, and what puts its rules to the test."""

    name: str
    load: LoadTable
    segments: list[Segment] = field(default_factory=list)
    paints: list[Paint] = field(default_factory=list)
    probes: list[Probe] = field(default_factory=list)
    fresh: list[tuple[int, int]] = field(default_factory=list)
    strict: list[Zone] = field(default_factory=list)
    excuses: list[tuple[int, int, int]] = field(default_factory=list)
    boots: list[tuple[int, int]] = field(default_factory=list)
    local: Local | None = None
    plain: list[Segment] = field(default_factory=list)
    """Beside a local input: what the request alone allows."""

    def besides(self, probe: Probe) -> Sequence[Span]:
        """What a load without the reaction may show for another reason: because its local input
        asks for it, or, where that input is tested, because its request does.
        """
        if self.local is None or self.asks is None:
            return ()
        if probe.rule != "local":
            return self.local.asking()
        if probe.idle == self.local.asked:
            return ()
        return [Span(part.from_ns, part.to_ns, part.mask) for part in self.plain]

    def tests(self, probe: Probe, segments: Sequence[Segment], actual: Series[float]) -> bool:
        """Whether a probe put its rule to the test, given what was allowed."""
        return exercised(probe, segments, actual, self.load.cycle_ns, self.besides(probe))

    @property
    def asks(self) -> str | None:
        """The request that the load obeys, if it obeys any."""
        return None if decides_alone(self.load) else self.load.request

    @property
    def edges(self) -> list[int]:
        """The instants at which excuses, boots and the local input change what is allowed."""
        found = [edge for from_ns, to_ns, _ in self.excuses for edge in (from_ns, to_ns)]
        found += [edge for boot in self.boots for edge in boot]
        return found + (self.local.edges() if self.local is not None else [])


def join_local(view: LoadView, at_ns: int, mask: int) -> int:
    """The allowed states with a local input beside the request; booting, it need not be obeyed."""
    if view.local is None or view.asks is None:
        return mask
    booting = any(from_ns <= at_ns < to_ns for from_ns, to_ns in view.boots)
    return view.local.join(at_ns, mask) | (mask if booting else 0)


def view_load(case: Case, name: str) -> LoadView:
    """Work out what is allowed to a load at every instant of a run."""
    load = case.vehicle.loads[name]
    view = LoadView(name, load, strict=zones(case, load.rejoin))
    base = requested(case, name, load) if view.asks is not None else Requested()
    view.fresh = base.fresh
    view.local = Local(case, load) if load.local is not None else None
    probes = [*base.probes, *(view.local.probes() if view.local is not None else [])]
    view.probes = case.judged(probes)
    paints = base.paints
    if view.asks is None and view.local is not None:
        paints = [*view.local.paints(), *plain_boots(case, name, load)]
    view.paints = cut_out(paints, _in_service(view), AWAY)
    view.excuses = [
        *_hang_excuses(case, name, load),
        *_never_excuses(case, load),
        *supply_excuses(case, load),
    ]
    view.boots = [
        (life.reset_ns, life.boot_end_ns + load.switching_ns)
        for life in case.lives[load.node].lives
    ]

    def adjust(at_ns: int, mask: int) -> int:
        mask = join_local(view, at_ns, mask)
        for from_ns, to_ns, states in view.excuses:
            if from_ns <= at_ns < to_ns:
                mask |= states
        return mask or ANY

    view.segments = blend(view.paints, case.end_ns, adjust, view.edges, case.start_ns)
    if view.local is not None and view.asks is not None:
        view.plain = blend(view.paints, case.end_ns, start_ns=case.start_ns)
    actual = case.actual(name)
    view.probes += [
        Probe("rejoin", zone.quiet_ns, zone.from_ns, zone.to_ns, idle)
        for zone in view.strict
        if zone.after_fault
        for idle in [shown(actual, zone.quiet_ns, load.cycle_ns)]
    ]
    return view


def _in_service(view: LoadView) -> list[Zone]:
    """The strict times up to where the request stays away all the same: for that its sender is
    to blame, and the load may be away as at any other loss.
    """
    if view.asks is None:
        return view.strict
    reach = [(from_ns, to_ns - view.load.early_ns) for from_ns, to_ns in view.fresh]
    gaps = [first_gap(reach, zone.from_ns, zone.to_ns) for zone in view.strict]
    return [
        zone if gap_ns is None else zone._replace(to_ns=gap_ns)
        for zone, gap_ns in zip(view.strict, gaps, strict=True)
    ]


def _hang_excuses(case: Case, name: str, load: LoadTable) -> Iterator[tuple[int, int, int]]:
    """A stopped program cannot obey: what it left on the pins is allowed for the watchdog time,
    and, where the program goes on by itself, until it has had time to follow again. A relay that
    was about to move still does.
    """
    watchdog_ns = case.vehicle.nodes[load.node].watchdog or 0
    actual, driven = case.actual(name), case.driven(name)
    for hang in case.lives[load.node].hangs:
        to_ns = min(hang.to_ns, hang.from_ns + watchdog_ns)
        if hang.ended_by == "running" and to_ns == hang.to_ns:
            to_ns += load.rejoin
        yield hang.from_ns, to_ns, level_bit(driven.at(hang.from_ns))
        moved_ns = hang.from_ns + load.switching_ns
        yield hang.from_ns, min(moved_ns, to_ns), level_bit(actual.at(hang.from_ns))


def _never_excuses(case: Case, load: LoadTable) -> Iterator[tuple[int, int, int]]:
    """While a never rule forbids a state, a load need not be in it, whatever asks for it; nor
    at once when the condition has passed.
    """
    for rule in load.never:
        changes = case.condition(rule.when, load.node if case.pins_at_fault else None).changes()
        ends = [at_ns for at_ns, _ in changes[1:]] + [case.end_ns]
        for (from_ns, holds), to_ns in zip(changes, ends, strict=True):
            if holds:
                yield from_ns, to_ns + load.rejoin, OFF if rule.state == "on" else ON


def judge_load(case: Case, view: LoadView) -> list[Verdict]:
    """All verdicts on a load's own rules, one for each rule that the run has something to say
    about.
    """
    actual = case.actual(view.name)
    found = [_broken(case, view, breach) for breach in breaches(view.segments, actual)]
    if view.load.flash is not None:
        found += judge_flashing(view.name, view.load.flash, view.segments, actual)
    wrong_ns = [verdict.at_ns for verdict in found if verdict.broken and verdict.at_ns is not None]
    found += _tested(view, actual, wrong_ns)
    found += _missing(case, view)
    by_rule: dict[str, list[Verdict]] = {}
    for verdict in found:
        by_rule.setdefault(verdict.rule, []).append(verdict)
    return [worst(verdicts) for verdicts in by_rule.values()]


def _tested(view: LoadView, actual: Series[float], wrong_ns: Sequence[int]) -> Iterator[Verdict]:
    """The rules that were put to the test and kept. One within whose reach the load went wrong,
    by whatever rule, was not.
    """
    by_rule: dict[str, list[Probe]] = {}
    for probe in view.probes:
        by_rule.setdefault(probe.rule, []).append(probe)
    for rule, probes in by_rule.items():
        tested = [
            probe
            for probe in probes
            if not any(probe.since_ns <= at_ns < probe.to_ns for at_ns in wrong_ns)
            and view.tests(probe, view.segments, actual)
        ]
        if not tested:
            yield Verdict(view.name, rule, Outcome.NOT_EXERCISED)
            continue
        margins = [margin(probe, view.segments, actual) for probe in tested]
        yield Verdict(view.name, rule, Outcome.KEPT, smallest(margins))


def _broken(case: Case, view: LoadView, breach: Breach) -> Verdict:
    """A breach as a verdict. One that begins where an excuse ended is a failure to rejoin."""
    actual = case.actual(view.name)
    level = actual.at(breach.from_ns)
    rule = "fresh" if breach.rule == "latched" else breach.rule
    previous = _segment_before(view.segments, breach.from_ns)
    began = any(zone.from_ns == breach.from_ns for zone in view.strict)
    if rule in ("fresh", "local") and (began or (previous and previous.rule in AWAY)):
        rule = "rejoin"
    if _against_local(view, breach.from_ns, level):
        rule = "local"
    wrong_for = breach.to_ns - breach.from_ns
    was = names(level_bit(level))
    text = f"was {was} instead of {names(breach.mask)}; wrong for {show_duration(wrong_for)}"
    return Verdict(
        view.name,
        rule or "fresh",
        Outcome.BROKEN,
        margin_ns=-wrong_for,
        at_ns=breach.from_ns,
        wrong_for_ns=wrong_for,
        text=text,
        culprit=view.load.node,
    )


def _against_local(view: LoadView, at_ns: int, level: float) -> bool:
    """Whether a load that may obey a request or its local input disregards the input: the request
    alone would allow its level, or it was the input alone that allowed it up to now.
    """
    if view.local is None or not view.plain:
        return False
    if admits(_mask_at(view.plain, at_ns), level):
        return True
    before = _mask_at(view.plain, at_ns - 1)
    return not admits(before, level) and admits(view.local.join(at_ns - 1, before), level)


def _mask_at(segments: Sequence[Segment], at_ns: int) -> int:
    return next((part.mask for part in overlapping(segments, at_ns, at_ns + 1)), 0)


def _segment_before(segments: Iterable[Segment], at_ns: int) -> Segment | None:
    previous = None
    for segment in segments:
        if segment.from_ns >= at_ns:
            break
        previous = segment
    return previous


def _missing(case: Case, view: LoadView) -> Iterator[Verdict]:
    """No fault is left, the time to rejoin is over, and the request still does not arrive."""
    load = view.load
    if view.asks is None or load.stale_after is None:
        return
    for zone in view.strict:
        gap_ns = first_gap(view.fresh, zone.from_ns, zone.to_ns)
        if gap_ns is None:
            continue
        back_ns = min((at for at, _ in view.fresh if at > gap_ns), default=zone.to_ns)
        missed_ns = min(back_ns, zone.to_ns) - gap_ns
        culprit = missing_sender(case, load, gap_ns, gap_ns - load.stale_after)
        if not case.simulated(culprit):  # the log has a gap; what the load makes of it is judged
            continue
        message = view.asks.partition(".")[0]
        text = (
            f"message {message} did not reach node {load.node} although no fault was left;"
            f" look at node {culprit}"
        )
        yield Verdict(
            view.name,
            "rejoin",
            Outcome.BROKEN,
            margin_ns=-missed_ns,
            at_ns=gap_ns,
            wrong_for_ns=missed_ns,
            text=text,
            culprit=culprit,
        )
