"""The figures of a check that the screen and the files for machines both show."""

from __future__ import annotations

from dataclasses import dataclass

from linkloss.campaign.result import CaseResult, CheckReport
from linkloss.judge import Outcome, Verdict


@dataclass(frozen=True, slots=True)
class Smallest:
    """The smallest margin of all kept rules, and the case in which it was that small."""

    margin_ns: int
    verdict: Verdict
    case: CaseResult


@dataclass(frozen=True, slots=True)
class Totals:
    """A check in figures. Rules are counted once each, by their worst verdict."""

    cases: int
    simulated_ns: int
    frames: int
    kept: int
    broken: int
    not_exercised: int
    smallest: Smallest | None


def totals(report: CheckReport) -> Totals:
    """Count a check's cases and rules."""
    outcomes = [entry.verdict.outcome for entry in report.rules]
    return Totals(
        cases=len(report.cases),
        simulated_ns=report.simulated_ns,
        frames=report.tally.frames,
        kept=outcomes.count(Outcome.KEPT),
        broken=outcomes.count(Outcome.BROKEN),
        not_exercised=outcomes.count(Outcome.NOT_EXERCISED),
        smallest=_smallest(report),
    )


def _smallest(report: CheckReport) -> Smallest | None:
    found = report.tally.smallest
    if found is None or found[0].margin_ns is None:
        return None
    return Smallest(found[0].margin_ns, *found)
