"""What a check found, shrunk to stories that stand in files of their own."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from linkloss.cli.common import bad

if TYPE_CHECKING:
    from linkloss.campaign.result import CheckReport
    from linkloss.report.findings import Told

FINDINGS = Path("findings")
"""Where stories go, in the current folder, unless the user says otherwise."""


def ensure_tellable(findings: Path | None, budget: int | None, *, no_shrink: bool) -> None:
    """Find out before a long check what would go wrong behind it. Raises BadInput."""
    if no_shrink:
        for option, value in (("--findings", findings), ("--budget", budget)):
            if value is not None:
                raise bad(option, "has no use with '--no-shrink'; expected one of them")
    if budget is not None and budget < 1:
        raise bad("--budget", f"got {budget}; expected at least 1 run")
    if findings is not None:
        from linkloss.report.findings import ensure_folder  # noqa: PLC0415

        ensure_folder(findings)


def tell(
    report: CheckReport,
    findings: Path | None,
    *,
    budget: int | None,
    jobs: int | None,
    limit_s: float,
    quiet: bool,
) -> Told:
    """The stories of a report and their files. Where the usual folder cannot be written to, there
    are no files.
    """
    from linkloss.campaign.shrink import BUDGET  # noqa: PLC0415
    from linkloss.campaign.stories import find_stories  # noqa: PLC0415
    from linkloss.model.problem import BadInput  # noqa: PLC0415
    from linkloss.report.findings import Told, write_findings  # noqa: PLC0415
    from linkloss.report.progress import progress_of_check  # noqa: PLC0415

    with progress_of_check(quiet=quiet, doing="shrinking", unit="rules") as progress:
        stories = find_stories(
            report, budget=budget or BUDGET, jobs=jobs, limit_s=limit_s, progress=progress
        )
    if stories.interrupted:
        print("linkloss: interrupted while shrinking what broke", file=sys.stderr)
    try:
        return Told(stories, write_findings(stories, findings or FINDINGS))
    except BadInput as error:
        if findings is not None:
            raise
        print(f"linkloss: the shrunk scenarios are not kept: {error}", file=sys.stderr)
        return Told(stories)
