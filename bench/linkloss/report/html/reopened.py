"""A result that was read from a file, as a page."""

from __future__ import annotations

from linkloss.campaign.result import RunResult
from linkloss.report.html.check import check_page
from linkloss.report.html.run import run_page
from linkloss.report.html.sheet import Page
from linkloss.report.reopen import CHANGED, Reopened


def reopened_page(found: Reopened, *, jobs: int | None = None) -> Page:
    """The page of a check or of a run; where the vehicle has changed since, it says so."""
    warnings = (CHANGED,) if found.changed else ()
    if isinstance(found.result, RunResult):
        return run_page(found.result, warnings=warnings)
    return check_page(found.result, jobs=jobs, warnings=warnings, space=found.space)
