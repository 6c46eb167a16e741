"""Which rules of a live session are broken now, and which were before.

The judge repeatedly looks at the last seconds only; earlier parts of the recording serve only as
evidence, and most of them are left out (:mod:`linkloss.live.window`), so that a look costs the same
however long the session has lasted. A rule counts as broken now if it was still broken at the last
instant judged.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from linkloss.campaign.result import RunResult
from linkloss.judge import Outcome, Verdict
from linkloss.judge.case import Case, zones
from linkloss.judge.evidence import Evidence
from linkloss.judge.judging import judge_case
from linkloss.judge.loads import LoadView, Stood, view_from, view_load, walked_from
from linkloss.judge.states import state_words
from linkloss.live.window import Window
from linkloss.recording import Recording
from linkloss.report.html.lanes import band
from linkloss.report.words import count, run_sentence
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

LOOK_BACK_NS = 5_000_000_000
"""Long enough for two cycles of the slowest flasher (30 per minute) and for rejoining."""
_CLOSE_NS = 700_000_000
MOST_PAST = 50


@dataclass(frozen=True, slots=True)
class Break:
    """A rule that is or was broken: from when, until when (None: still), and why in a sentence."""

    subject: str
    rule: str
    since_ns: int
    until_ns: int | None
    text: str


class Band(NamedTuple):
    """What was right for a load in the last ten seconds: when it might be lit, when dark (in ns),
    when it showed neither, and which states are right at the end, in words.
    """

    lit: tuple[tuple[int, int], ...]
    dark: tuple[tuple[int, int], ...]
    wrong: tuple[tuple[int, int], ...]
    may: str


@dataclass(frozen=True, slots=True)
class Standing:
    """The judge's latest result, up to ``at_ns``; ``bands`` has each load's."""

    at_ns: int = 0
    now: tuple[Break, ...] = ()
    past: tuple[Break, ...] = ()
    bands: Mapping[str, Band] = field(default_factory=dict)


STRIP_NS = 10_000_000_000
"""How far a strip reaches back."""


_STAND_NS = 12_000_000_000
"""How far back walks go on: what happened up to there is settled, and no strip reaches so far."""


class _Follows(NamedTuple):
    """How loads followed, each with the case that tells it."""

    case: Case
    views: dict[str, tuple[Case, LoadView]]


class Watcher:
    """Judges a recording that grows. ``recording`` is a copy that must not change during a look."""

    def __init__(self, vehicle: Vehicle, base: Scenario, recording: Recording) -> None:
        self._vehicle = vehicle
        self._base = base
        self._recording = recording
        self.window = Window(vehicle, recording)
        """The part of the recording that is looked at."""
        self.stood: dict[str, Stood] = {}
        """Where the walk over each load stood some time before the last look."""
        self._evidence: Evidence | None = None
        self._now: dict[tuple[str, str], Break] = {}
        self._past: list[Break] = []

    def look(self) -> Standing:
        """Judge the recording up to now."""
        end_ns = self._recording.end_ns
        stood = (stood.stand.start.at_ns for stood in self.stood.values())
        self.window.keep_up(min(stood, default=end_ns - _STAND_NS))
        follows = self._follow(end_ns - LOOK_BACK_NS)
        found = [*self._broken(follows)]
        if not all(_lasts(verdict, end_ns) for verdict in found):
            # A rule reports its first break only: look at a shorter span for rules broken again.
            found += self._broken(self._follow(end_ns - _CLOSE_NS))
        now: dict[tuple[str, str], Break] = {}
        over: list[Verdict] = []
        for verdict in found:
            if _lasts(verdict, end_ns):
                now[verdict.subject, verdict.rule] = self._ongoing(verdict, end_ns)
            else:
                over.append(verdict)
        ended = {(verdict.subject, verdict.rule): verdict for verdict in over}
        for place, entry in self._now.items():
            if place not in now:
                self._past.append(self._ended(entry, ended.get(place), end_ns))
        self._now = now
        self._note_past(over)
        del self._past[:-MOST_PAST]
        shown = {name: self._band(name, *follow) for name, follow in follows.views.items()}
        return Standing(end_ns, tuple(now.values()), tuple(self._past), shown)

    def _follow(self, start_ns: int) -> _Follows:
        """How each load followed, judged from an instant on."""
        window, start_ns = self.window, max(0, start_ns)
        case = Case(self._vehicle, window.recording, window.evidence, start_ns, window.since_ns)
        views: dict[str, tuple[Case, LoadView]] = {}
        for name, load in self._vehicle.loads.items():
            if case.simulated(load.node):
                stood = self.stood.get(name) if window.since_ns else None
                view = view_from(case, name, stood)
                views[name] = self._from_all(name, case) if view is None else (case, view)
        return _Follows(case, views)

    def _from_all(self, name: str, window: Case) -> tuple[Case, LoadView]:
        """The same for one load from the whole recording, where the window does not tell how it
        stands. Its link is looked at in the window all the same.
        """
        if self._evidence is None:
            self._evidence = Evidence(self._vehicle, self._recording)
        case = Case(self._vehicle, self._recording, self._evidence, window.start_ns)
        view = view_load(case, name)
        view.strict = zones(window, view.load.node, view.load.rejoin)
        return case, view

    @staticmethod
    def _broken(follows: _Follows) -> Iterator[Verdict]:
        views = {name: view for name, (_, view) in follows.views.items()}
        return (verdict for verdict in judge_case(follows.case, views) if verdict.broken)

    def _band(self, name: str, case: Case, view: LoadView) -> Band:
        from_ns = max(0, case.end_ns - STRIP_NS)
        stand_ns = case.end_ns - _STAND_NS
        walked, stood = walked_from(case, view, from_ns, None if stand_ns < 0 else stand_ns)
        if stood is not None:
            self.stood[name] = stood
        spans = band(walked.segments)
        may = "".join(state_words(part.states) for part in walked.segments[-1:])
        wrong = tuple((breach.at_ns, breach.to_ns) for breach in walked.breaches)
        return Band(tuple(spans["lit"]), tuple(spans["dark"]), wrong, may)

    def _ongoing(self, verdict: Verdict, end_ns: int) -> Break:
        """A rule that was already broken at the last look is still the same break."""
        known = self._now.get((verdict.subject, verdict.rule))
        since_ns = end_ns if verdict.at_ns is None else verdict.at_ns
        if known is not None:
            since_ns = min(since_ns, known.since_ns)
        whole = replace(verdict, at_ns=since_ns, wrong_for_ns=end_ns - since_ns)
        return Break(verdict.subject, verdict.rule, since_ns, None, self._sentence(whole))

    def _ended(self, entry: Break, verdict: Verdict | None, end_ns: int) -> Break:
        """A break that was there at the last look and is over. If the judge no longer reports it,
        it ended at some time before this look.
        """
        if verdict is None or verdict.at_ns is None or verdict.wrong_for_ns is None:
            return replace(entry, until_ns=end_ns)
        until_ns = verdict.at_ns + verdict.wrong_for_ns
        whole = replace(verdict, at_ns=entry.since_ns, wrong_for_ns=until_ns - entry.since_ns)
        return replace(entry, until_ns=until_ns, text=self._sentence(whole))

    def _note_past(self, verdicts: Iterable[Verdict]) -> None:
        """Note breaks that came and went between two looks, except those that are noted already."""
        for verdict in verdicts:
            since_ns = verdict.at_ns or 0
            place = (verdict.subject, verdict.rule)
            told = [b for b in self._past if (b.subject, b.rule) == place]
            if place in self._now or any(since_ns <= (b.until_ns or 0) for b in told):
                continue
            until_ns = since_ns + (verdict.wrong_for_ns or 0)
            self._past.append(Break(*place, since_ns, until_ns, self._sentence(verdict)))

    def _sentence(self, verdict: Verdict) -> str:
        return run_sentence(RunResult(self._base, self._recording, (verdict,), ()), verdict)


def _lasts(verdict: Verdict, end_ns: int) -> bool:
    """Whether a rule is still broken at the end. A verdict without a length means broken for
    good.
    """
    if verdict.at_ns is None or verdict.wrong_for_ns is None:
        return True
    return verdict.at_ns + verdict.wrong_for_ns >= end_ns


def tally(result: RunResult) -> str:
    """How many rules of a run were kept, broken and not exercised, in a sentence."""
    outcomes = [verdict.outcome for verdict in result.verdicts]
    kept, broken = outcomes.count(Outcome.KEPT), outcomes.count(Outcome.BROKEN)
    rest = len(outcomes) - kept - broken
    return f"{count(kept, 'rule')} kept, {broken} broken, {rest} not exercised."
