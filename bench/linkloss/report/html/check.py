"""From a check to a page."""

from __future__ import annotations

from collections.abc import Sequence

from linkloss.campaign.result import CAUTION, EXIT_KEPT, CheckReport
from linkloss.report.findings import Told
from linkloss.report.html.facts import MODEL, check_facts, digests
from linkloss.report.html.failsafe import load_sheets, untested_lines
from linkloss.report.html.matrix import check_matrix, tried_matrix
from linkloss.report.html.sheet import Fact, Page
from linkloss.report.html.stories import Looker, grouped, links, margin_lines
from linkloss.report.reach import reach_sentences
from linkloss.report.words import count, outcome_line

CUT_SHORT = "The check was interrupted:"


def check_page(
    report: CheckReport,
    *,
    jobs: int | None = None,
    warnings: Sequence[str] = (),
    space: Sequence[str] | None = None,
    told: Told | None = None,
) -> Page:
    """The page of a check. The cases that it shows pictures of are run again, ``jobs`` at a time
    (default: all cores). ``warnings`` stand right under the verdict; ``space`` says what the
    cases were chosen from where the report itself does not know. ``told`` holds the
    shortest stories of what broke, where they were looked for: then these are what is shown.
    """
    groups = grouped(report, told)
    full, rest, narrow, bus = Looker(report, told, jobs=jobs).stories(groups)
    if space is None:
        space = () if report.space is None else report.space.sentences()
    about = (*space, *reach_sentences(report.tally.coverage), MODEL)
    missing = (report.planned or 0) - len(report.cases)
    if missing > 0:
        warnings = (*warnings, f"{CUT_SHORT} {count(missing, 'case')} not run.")
    return Page(
        title=report.vehicle.title,
        subtitle=report.vehicle.file.about,
        state=_state(report),
        verdict=outcome_line(report),
        facts=(*check_facts(report), *(Fact("", sentence) for sentence in about)),
        inputs=digests(report.vehicle),
        caution=CAUTION,
        vehicle=str(report.vehicle.path),
        warnings=tuple(warnings),
        matrix=check_matrix(report, links(groups)) if report.cases else None,
        stories=full,
        summarised=rest,
        narrow=narrow,
        margins=tuple(margin_lines(report)),
        untested=untested_lines(report.vehicle, report.not_exercised),
        unjudged=tuple((entry.what, entry.reason, entry.allowed) for entry in report.unjudged),
        tried=tried_matrix(report),
        loads=load_sheets(report.vehicle, (entry.verdict for entry in report.rules)),
        traffic=bus,
    )


def _state(report: CheckReport) -> str:
    if report.findings:
        return "broken"
    if (report.planned or 0) > len(report.cases):
        return "untested"
    return "kept" if report.exit_code == EXIT_KEPT else "untested"
