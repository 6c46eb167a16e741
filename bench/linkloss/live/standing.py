"""Which rules are broken at this moment of a live session, and which were.

The judge looks at the last seconds again and again; what came before it only knows. A rule counts
as broken now if it was still broken at the last instant that was judged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from linkloss.campaign.result import RunResult
from linkloss.judge import Verdict, judge
from linkloss.judge.evidence import Evidence
from linkloss.live.session import LiveSession
from linkloss.live.snapshot import empty_copy
from linkloss.model.loading import Vehicle
from linkloss.recording import Recording
from linkloss.report.words import run_sentence
from linkloss.scenario import Scenario
from linkloss.wallclock import Wall, monotonic_seconds

LOOK_BACK_NS = 5_000_000_000
"""Long enough for two cycles of the slowest flasher (30 per minute) and for rejoining."""
_CLOSE_NS = 700_000_000
MOST_PAST = 50
_REST_NS = 250_000_000
_SHARE = 4
"""Judging rests for so many times as long as it took: it leaves the session its processor."""

Place = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Break:
    """A rule that is or was broken: from when, until when (None: still), and why in a sentence."""

    subject: str
    rule: str
    since_ns: int
    until_ns: int | None
    text: str


@dataclass(frozen=True, slots=True)
class Standing:
    """What the judge said last: of everything up to ``at_ns``."""

    at_ns: int = 0
    now: tuple[Break, ...] = ()
    past: tuple[Break, ...] = ()


class Watcher:
    """Judges a recording that grows. ``recording`` is a copy that nobody changes during a look."""

    def __init__(self, vehicle: Vehicle, base: Scenario, recording: Recording) -> None:
        self._vehicle = vehicle
        self._base = base
        self._recording = recording
        self._evidence = Evidence(vehicle, recording)
        self._now: dict[Place, Break] = {}
        self._past: list[Break] = []

    def look(self) -> Standing:
        """Judge what has come since the last look."""
        end_ns = self._recording.end_ns
        found = self._broken(end_ns - LOOK_BACK_NS)
        if not all(_lasts(verdict, end_ns) for verdict in found):
            # A rule speaks for its first break: look closer for those that are broken again.
            found += self._broken(end_ns - _CLOSE_NS)
        now: dict[Place, Break] = {}
        for verdict in found:
            if _lasts(verdict, end_ns):
                entry = self._ongoing(verdict, end_ns)
                now[(entry.subject, entry.rule)] = entry
        ended = {
            (verdict.subject, verdict.rule): verdict
            for verdict in found
            if not _lasts(verdict, end_ns)
        }
        for place, entry in self._now.items():
            if place not in now:
                self._past.append(self._ended(entry, ended.get(place), end_ns))
        self._now = now
        self._note_past(verdict for verdict in found if not _lasts(verdict, end_ns))
        del self._past[:-MOST_PAST]
        return Standing(end_ns, tuple(now.values()), tuple(self._past))

    def _broken(self, start_ns: int) -> list[Verdict]:
        verdicts = judge(self._vehicle, self._recording, self._evidence, max(0, start_ns))
        return [verdict for verdict in verdicts if verdict.broken]

    def _ongoing(self, verdict: Verdict, end_ns: int) -> Break:
        """What was broken at the last look already is still the same break."""
        known = self._now.get((verdict.subject, verdict.rule))
        since_ns = end_ns if verdict.at_ns is None else verdict.at_ns
        if known is not None:
            since_ns = min(since_ns, known.since_ns)
        whole = replace(verdict, at_ns=since_ns, wrong_for_ns=end_ns - since_ns)
        return Break(verdict.subject, verdict.rule, since_ns, None, self._sentence(whole))

    def _ended(self, entry: Break, verdict: Verdict | None, end_ns: int) -> Break:
        """A break that was there at the last look. Where the judge no longer speaks of it, it ended
        somewhere before this one.
        """
        if verdict is None or verdict.at_ns is None or verdict.wrong_for_ns is None:
            return replace(entry, until_ns=end_ns)
        until_ns = verdict.at_ns + verdict.wrong_for_ns
        whole = replace(verdict, at_ns=entry.since_ns, wrong_for_ns=until_ns - entry.since_ns)
        return replace(entry, until_ns=until_ns, text=self._sentence(whole))

    def _note_past(self, verdicts: Iterable[Verdict]) -> None:
        """Breaks that came and went between two looks. One that has been told ends no sooner."""
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
    """Whether a rule is still broken at the end; one that says no length broke for good."""
    if verdict.at_ns is None or verdict.wrong_for_ns is None:
        return True
    return verdict.at_ns + verdict.wrong_for_ns >= end_ns


def watch(live: LiveSession, told: Callable[[Standing], object]) -> None:
    """Judge a live session again and again until it ends; for a thread of its own."""
    copy = empty_copy(live.session.recording)
    watcher = Watcher(live.vehicle, live.journal.base, copy)
    wall = Wall()
    while live.bring_up_to_date(copy):
        begun_s = monotonic_seconds()
        told(watcher.look())
        took_ns = round((monotonic_seconds() - begun_s) * 1e9)
        wall.wait(max(_REST_NS, _SHARE * took_ns))
