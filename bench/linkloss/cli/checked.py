"""Running a check from the command line, finding out why what broke did, and remembering what did:
what ``linkloss check`` does once, and ``--watch`` after every save.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from linkloss.clock.wallclock import monotonic_seconds

if TYPE_CHECKING:
    from linkloss.campaign.result import CheckReport
    from linkloss.campaign.stories import Stories
    from linkloss.report.findings import Told
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


MOST_REMEMBERED = 300
"""How many cases are remembered; the one that shows a rule best comes before others."""


class Remembered:
    """The cases of a vehicle, with one seed and drive, that broke when they last ran: kept in the
    user's folder for caches, never beside the car. A check takes out of it the cases that it ran,
    and puts in those of them that broke.
    """

    def __init__(self, vehicle: Path, seed: int = 0, drive: Path | None = None) -> None:
        from linkloss.shipped import cache_folder

        places = [str(path.resolve()) for path in (vehicle, drive) if path is not None]
        name = sha256("\n".join([*places, str(seed)]).encode()).hexdigest()[:32]
        self._vehicle = places[0]
        self._file = cache_folder("broken") / f"{name}.json"

    def names(self) -> tuple[str, ...]:
        """Their names, that of the best case of each broken rule first."""
        try:
            return tuple(map(str, json.loads(self._file.read_text(encoding="utf-8"))["cases"]))
        except (OSError, ValueError, KeyError, TypeError):  # there is none, or it is not ours
            return ()

    def note(self, report: CheckReport, gone: Collection[str] = ()) -> None:
        """Take in a report, and forget the cases ``gone``: the vehicle has them no more.

        Raises BadInput if it cannot be kept.
        """
        from linkloss.problem import BadInput
        from linkloss.report.files import write_whole

        ran = {*gone, *(case.name for case in report.cases)}
        best = [finding.case.name for finding in report.findings]
        broken = [case.name for case in report.cases if case.is_broken]
        before = [name for name in self.names() if name not in ran]
        kept = list(dict.fromkeys([*best, *broken, *before]))[:MOST_REMEMBERED]
        try:
            if kept:
                self._file.parent.mkdir(parents=True, exist_ok=True)
            else:
                self._file.unlink(missing_ok=True)
        except OSError as error:
            raise BadInput.one(self._file, "", f"cannot be written: {error.strerror}") from None
        if kept:
            text = json.dumps({"vehicle": self._vehicle, "cases": kept}, indent=1)
            write_whole(self._file, text + "\n")
            _forget_those_of_gone_vehicles(self._file.parent)


def _forget_those_of_gone_vehicles(folder: Path) -> None:
    for file in folder.glob("*.json"):
        with suppress(OSError, ValueError, KeyError, TypeError):
            if not Path(json.loads(file.read_text(encoding="utf-8"))["vehicle"]).exists():
                file.unlink()


def note(memory: Remembered, report: CheckReport, gone: Collection[str]) -> None:
    """Remember what broke; a folder that cannot be written changes no result."""
    from linkloss.problem import BadInput, printable

    try:
        memory.note(report, gone)
    except BadInput as error:
        text = f"linkloss: what broke is not remembered: {error}"
        print(printable(text), file=sys.stderr)
