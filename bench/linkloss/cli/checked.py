"""Running a check from the command line and finding out why what broke did: what ``linkloss check``
does once, and ``--watch`` after every save.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from linkloss.clock.wallclock import monotonic_seconds

if TYPE_CHECKING:
    from linkloss.campaign.result import CheckReport
    from linkloss.campaign.stories import Stories
    from linkloss.report.findings import Told
    from linkloss.report.remembered import Remembered
    from linkloss.vehicle.loading import Vehicle

FINDINGS = Path("findings")
"""Where stories go by default, in the current folder."""


@contextmanager
def ended_like_ctrl_c() -> Iterator[None]:
    """While it lasts, SIGTERM ends this process as Ctrl-C does: what was done is reported. Its
    workers, which are ended by the same signal, end at once.
    """
    own = os.getpid()

    def end(number: int, _: object) -> None:
        if os.getpid() == own:
            raise KeyboardInterrupt
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


class Checked(NamedTuple):
    """A report, whether the check was interrupted, and how long it took in seconds."""

    report: CheckReport
    interrupted: bool
    wall_s: float


def checked(vehicle: Vehicle, *, quiet: bool, **choice: Any) -> Checked:
    """Run the check. One that stopped early says so."""
    from linkloss.campaign.check import Interrupted
    from linkloss.campaign.check import check as check_vehicle
    from linkloss.report.terminal import progress_of_check

    begun_s = monotonic_seconds()
    try:
        with progress_of_check(quiet=quiet, vehicle=vehicle) as progress, ended_like_ctrl_c():
            tell = None if progress is None else progress.tell
            report = check_vehicle(vehicle, progress=progress, tell=tell, **choice)
    except Interrupted as interrupted:
        print(f"linkloss: {interrupted}", file=sys.stderr)
        return Checked(interrupted.report, True, monotonic_seconds() - begun_s)
    if choice["first"] and report.findings:
        print("linkloss: stopped at the first case that breaks a rule", file=sys.stderr)
    return Checked(report, False, monotonic_seconds() - begun_s)


def tell(
    report: CheckReport,
    findings: Path | None,
    *,
    first: bool,
    budget: int | None,
    jobs: int | None,
    limit_s: float,
    quiet: bool,
) -> Told:
    """The stories of a report, their files, and the causes; with ``first`` one story only. If the
    usual folder is not writable, there are no files. With a ``budget`` of no runs nothing is
    shrunk.
    """
    from linkloss.campaign.causes import diagnose_findings
    from linkloss.campaign.shrink import BUDGET
    from linkloss.campaign.stories import MOST_STORIES, Stories, find_stories
    from linkloss.report.findings import Told
    from linkloss.report.terminal import progress_of_check

    stories, files = Stories(), dict[str, Path]()
    if budget != 0:
        with (
            progress_of_check(quiet=quiet, doing="shrinking", unit="rules") as progress,
            ended_like_ctrl_c(),
        ):
            stories = find_stories(
                report,
                budget=budget or BUDGET,
                most=1 if first else MOST_STORIES,
                jobs=jobs,
                limit_s=limit_s,
                progress=progress,
            )
        if stories.interrupted:
            print("linkloss: interrupted while shrinking what broke", file=sys.stderr)
        files = _kept(stories, findings)
    if stories.interrupted:
        return Told(stories, files)
    with (
        progress_of_check(quiet=quiet, doing="looking for causes", unit="findings") as progress,
        ended_like_ctrl_c(),
    ):
        found = diagnose_findings(report, stories, jobs=jobs, limit_s=limit_s, progress=progress)
    return Told(stories, files, found)


def _kept(stories: Stories, findings: Path | None) -> dict[str, Path]:
    """The files of the stories. Raises BadInput if a folder that was asked for cannot be written
    to.
    """
    from linkloss.problem import BadInput, printable
    from linkloss.report.findings import write_findings

    try:
        return write_findings(stories, findings or FINDINGS)
    except BadInput as error:
        if findings is not None:
            raise
        text = f"linkloss: the shrunk scenarios are not kept: {error}"
        print(printable(text), file=sys.stderr)
        return {}


def note(memory: Remembered, report: CheckReport, gone: Collection[str]) -> None:
    """Remember what broke; a folder that cannot be written changes no result."""
    from linkloss.problem import BadInput, printable

    try:
        memory.note(report, gone)
    except BadInput as error:
        text = f"linkloss: what broke is not remembered: {error}"
        print(printable(text), file=sys.stderr)
