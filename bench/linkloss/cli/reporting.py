"""``linkloss report``: a result that was written as JSON, as a page to look at."""

from __future__ import annotations

import shlex
from pathlib import Path

from linkloss.cli.common import check_targets


def report(result: Path, /, *, html: Path | None = None, jobs: int | None = None) -> int:
    """Make an HTML report of a result that 'check --json' or 'run --json' has written.

    Exits as the command did that made the result.

    Parameters
    ----------
    result
        The result, a JSON file.
    html
        The file to write. Default: the name of the result, with .html.
    jobs
        Processes to use for running what broke again. Default: all cores.
    """
    target = result.with_suffix(".html") if html is None else html
    check_targets([target])
    from linkloss.report.files import write_whole  # noqa: PLC0415
    from linkloss.report.html import render, reopened_page  # noqa: PLC0415
    from linkloss.report.reopen import reopen  # noqa: PLC0415

    found = reopen(result)
    write_whole(target, render(reopened_page(found, jobs=jobs)))
    print(f"written: {shlex.quote(str(target))}")
    return found.result.exit_code
