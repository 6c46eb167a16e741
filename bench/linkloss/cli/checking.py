"""``linkloss check``: a vehicle through every situation and every fault.

How a check builds programs in C, and what it then shows of their lines.

What a check found, shrunk to stories that stand in files of their own.
"""

from __future__ import annotations

import atexit
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import Parameter

from linkloss.cli.common import (
    Flag,
    Quiet,
    Verbose,
    Words,
    bad,
    check_folder,
    check_one_screen,
    check_targets,
    console_beside,
    duration_ns,
    write_target,
)
from linkloss.clock.wallclock import monotonic_seconds

if TYPE_CHECKING:
    from rich.console import Console

    from linkloss.campaign.result import CheckReport
    from linkloss.campaign.store import CaseStore
    from linkloss.firmware.build import BuildOptions
    from linkloss.report.findings import Told
    from linkloss.vehicle.loading import Vehicle


def build_options(*, sanitize: bool, coverage: bool, workers: str | None) -> BuildOptions | None:
    """How programs in C are built. What they count is kept until this process ends."""
    if not sanitize and not coverage:
        return None
    if coverage and workers is not None:
        raise bad("--coverage", "counts on this machine only; expected no '--workers' beside it")
    from linkloss.firmware.build import BuildError, BuildOptions
    from linkloss.firmware.coverage import counting

    held = ExitStack()
    atexit.register(held.close)
    try:
        folder = held.enter_context(counting()) if coverage else None
    except BuildError as error:
        raise bad("--coverage", str(error)) from None
    return BuildOptions(sanitize=sanitize, coverage=folder)


def lines_part(report: CheckReport) -> Iterator[Callable[[Console], None]]:
    """The part of the screen that lists the lines of firmware, if they were counted."""
    build = report.vehicle.build
    if build is None or build.coverage is None:
        return
    from linkloss.firmware.coverage import lines_run
    from linkloss.report.terminal import show_coverage
    from linkloss.vehicle.programs import program_file

    compiled = [name for name, node in report.vehicle.nodes.items() if node.c]
    files = [program_file(report.vehicle.programs[name]) for name in compiled]
    sources = lines_run(build.coverage, [path for path in files if path is not None])
    yield lambda console: show_coverage(console, sources)


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
        from linkloss.report.findings import ensure_folder

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
    from linkloss.campaign.shrink import BUDGET
    from linkloss.campaign.stories import find_stories
    from linkloss.problem import BadInput
    from linkloss.report.findings import Told, write_findings
    from linkloss.report.terminal import progress_of_check

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


EXIT_BROKEN, EXIT_INTERRUPTED = 1, 130


def check(
    vehicle: Path | None = None,
    /,
    *,
    depth: Literal["quick", "full", "pairs", "hunt"] = "full",
    for_: Annotated[str | None, Parameter(name="--for")] = None,
    cases: int | None = None,
    case: str | None = None,
    only: Words = None,
    situation: Words = None,
    drive: Path | None = None,
    logged: Words = None,
    seed: int = 0,
    jobs: int | None = None,
    workers: str | None = None,
    no_branch: Flag = False,
    limit: str = "60 s",
    results: Path | None = None,
    resume: Flag = False,
    json: Path | None = None,
    junit: Path | None = None,
    markdown: Path | None = None,
    html: Path | None = None,
    keep_all: Path | None = None,
    margins: Flag = False,
    fail_under: str | None = None,
    save: Path | None = None,
    against: Path | None = None,
    sanitize: Flag = False,
    coverage: Flag = False,
    effort: Path | None = None,
    findings: Path | None = None,
    budget: int | None = None,
    no_shrink: Flag = False,
    quiet: Quiet = False,
    verbose: Verbose = False,
) -> int:
    """Run a vehicle through every situation and every fault, and judge every load.

    Parameters
    ----------
    vehicle
        The vehicle file. Default: the bundled demo vehicle, Wren.
    depth
        quick: a selection, for in between; full: every fault alone; pairs: two faults at a time;
        hunt: sequences of faults and actions at random, guided by what earlier ones reached.
    for_
        Real time after which a hunt draws no further cases, such as "10 min".
    cases
        Number of cases after which a hunt ends.
    case
        Run one case only, by its name as a report shows it.
    only
        Kinds of faults to try; 'none' stands for no fault.
    situation
        Situations to try.
    drive
        A logged drive: its windows are the situations, and faults come at its own events. What
        breaks is not made shorter: no scenario file can hold the log's frames.
    logged
        The nodes whose frames come from that log. Default: those that drive no load.
    seed
        Seed of everything that is left to chance.
    jobs
        Processes to use. Default: all cores.
    workers
        Run the cases on a cluster instead: dask://HOST:PORT (extra 'cluster').
    no_branch
        Run every case from power-up, even where cases begin alike. The results are the same.
    limit
        Real time after which a case that gave no sign counts as hung.
    results
        Keep the result of every case in this file as it comes.
    resume
        Go on where an interrupted check with the same --results stopped.
    json
        Write the report as JSON to this file; - is the standard output.
    junit
        Write the rules as JUnit XML to this file; - is the standard output.
    markdown
        Write a summary for a pull request to this file; - is the standard output.
    html
        Write the report as one HTML file that opens offline.
    keep_all
        Write an HTML file for every case into this folder, beside an index; they run again.
    margins
        List the rules that were kept by their margin, the smallest first.
    fail_under
        Exit 1 when a rule was kept with less margin than this, such as "20 ms".
    save
        Save how every rule stands, to compare with later.
    against
        Say what has changed since a check that was saved.
    sanitize
        Build programs in C with checks for undefined behaviour.
    coverage
        List the lines of programs in C that no case reached.
    effort
        Write the time that the check took, and the machine, as JSON to this file.
    findings
        Folder for the shortest scenarios of what broke. Default: findings
    budget
        Runs to spend at most on making one of them short. Default: 200
    no_shrink
        Leave what broke as it was found.
    quiet
        No progress and no table: what broke, the totals.
    verbose
        List every rule.
    """
    results_of = (json, junit, markdown, save, effort)
    check_targets([*results_of, html])
    check_one_screen(results_of)
    check_folder(keep_all)
    under_ns = duration_ns("--fail-under", fail_under)
    baseline = _baseline(against)
    _sensible(only, situation, jobs, results, resume=resume)
    ensure_tellable(findings, budget, no_shrink=no_shrink)
    for_ns = _hunt_ends(depth, for_, cases)
    loaded = _load(vehicle, build_options(sanitize=sanitize, coverage=coverage, workers=workers))
    _ensure_nodes(loaded, logged, drive)
    choice: dict[str, Any] = {"depth": depth, "case": case, "only": only}
    choice |= {"situations": situation, "seed": seed}
    if drive is not None:
        choice |= {"drive": drive, "logged": logged}
    spread: dict[str, Any] = {"jobs": jobs, "branch": not no_branch}
    _say_if_plain(quiet=quiet or no_branch or workers is not None)
    limit_s = (duration_ns("--limit", limit) or 1) / 1e9
    begun_s = monotonic_seconds()
    report, interrupted = _checked(
        loaded,
        quiet=quiet,
        cases=cases,
        for_s=None if for_ns is None else for_ns / 1e9,
        limit_s=limit_s,
        cluster=_scheduler(workers),
        store=_store(loaded, results, choice, resume=resume),
        **spread,
        **choice,
    )
    wall_s = monotonic_seconds() - begun_s
    told = None
    if report.findings and drive is None and not (no_shrink or interrupted):
        told = tell(report, findings, budget=budget, jobs=jobs, limit_s=limit_s, quiet=quiet)
        interrupted = told.stories.interrupted
    _write(report, told, json, junit, markdown, save)
    _write_effort(effort, report, told, wall_s, {**spread, "workers": workers})
    _draw(report, told, html, keep_all, jobs)
    further = list(_further(report, baseline, under_ns, margins=margins))
    console = console_beside(results_of)
    _show(console, report, vehicle, told, further, quiet=quiet, verbose=verbose)
    if interrupted:
        return EXIT_INTERRUPTED
    from linkloss.report.terminal import narrowest

    if under_ns is not None and narrowest(report, under_ns):
        return EXIT_BROKEN
    return report.exit_code


def _sensible(
    only: list[str] | None,
    situation: list[str] | None,
    jobs: int | None,
    results: Path | None,
    *,
    resume: bool,
) -> None:
    for word in (*(only or ()), *(situation or ())):
        if word.endswith(".toml"):
            raise bad("check", f"'{word}' stands behind an option; put the vehicle file first")
    if jobs is not None and jobs < 1:
        raise bad("--jobs", f"got {jobs}; expected at least 1")
    if resume and results is None:
        raise bad("--resume", "goes on with a file; expected '--results FILE' too")


def _say_if_plain(*, quiet: bool) -> None:
    """A check that cannot run a common beginning once, or a case apart, says so."""
    from linkloss.campaign.isolation import no_branching

    why = no_branching()
    if why and not quiet:
        text = "every case runs from power-up, and one that crashes ends the check"
        print(f"linkloss: {why}: {text}", file=sys.stderr)


def _hunt_ends(depth: str, for_: str | None, cases: int | None) -> int | None:
    """When a hunt ends, in ns of real time. Raises BadInput for an end that cannot be one."""
    given = [name for name, value in (("--for", for_), ("--cases", cases)) if value is not None]
    if depth != "hunt" and given:
        raise bad(given[0], f"ends a hunt; expected '--depth hunt' with it, not '{depth}'")
    if cases is not None and cases < 1:
        raise bad("--cases", f"got {cases}; expected at least 1")
    return duration_ns("--for", for_)


def _ensure_nodes(vehicle: Vehicle, logged: list[str] | None, drive: Path | None) -> None:
    """Nodes that come from a log need one, and must exist."""
    from linkloss.problem import unknown

    if logged is not None and drive is None:
        raise bad("--logged", "names nodes that come from a log; expected '--drive LOG' too")
    for name in logged or ():
        if name not in vehicle.nodes:
            raise bad("--logged", unknown("node", name, vehicle.nodes))


def _load(vehicle: Path | None, build: BuildOptions | None) -> Vehicle:
    from linkloss.shipped import demo_vehicle
    from linkloss.vehicle.loading import load_vehicle

    return load_vehicle(demo_vehicle() if vehicle is None else vehicle, build)


def _baseline(against: Path | None) -> Any:
    if against is None:
        return None
    from linkloss.campaign.store import read_baseline

    return read_baseline(against)


def _scheduler(workers: str | None) -> str | None:
    if workers is None:
        return None
    if not workers.startswith("dask://"):
        raise bad("--workers", f"got '{workers}'; expected 'dask://HOST:PORT'")
    return "tcp://" + workers.removeprefix("dask://")


def _store(
    vehicle: Vehicle, results: Path | None, choice: dict[str, Any], *, resume: bool
) -> CaseStore | None:
    if results is None:
        return None
    from linkloss.campaign.store import CaseStore, identity

    return CaseStore.at(results, identity(vehicle, choice), resume=resume)


def _checked(vehicle: Vehicle, *, quiet: bool, **choice: Any) -> tuple[CheckReport, bool]:
    """The report, and whether the check was interrupted before its end."""
    from linkloss.campaign.check import Interrupted
    from linkloss.campaign.check import check as check_vehicle
    from linkloss.report.terminal import progress_of_check

    try:
        with progress_of_check(quiet=quiet) as progress:
            return check_vehicle(vehicle, progress=progress, **choice), False
    except Interrupted as interrupted:
        print(f"linkloss: {interrupted}", file=sys.stderr)
        return interrupted.report, True


def _write(
    report: CheckReport,
    told: Told | None,
    json: Path | None,
    junit: Path | None,
    markdown: Path | None,
    save: Path | None,
) -> None:
    from linkloss.campaign.store import baseline_json
    from linkloss.report.junit import junit_xml
    from linkloss.report.machine import check_json_parts
    from linkloss.report.markdown import check_markdown

    write_target(json, lambda: check_json_parts(report, told))
    write_target(junit, lambda: junit_xml(report, told))
    write_target(markdown, lambda: check_markdown(report))
    write_target(save, lambda: baseline_json(report))


def _write_effort(
    effort: Path | None,
    report: CheckReport,
    told: Told | None,
    wall_s: float,
    spread: dict[str, Any],
) -> None:
    from linkloss.report.machine import effort_json

    write_target(effort, lambda: effort_json(report, wall_s, spread, told))


def _draw(
    report: CheckReport,
    told: Told | None,
    html: Path | None,
    keep_all: Path | None,
    jobs: int | None,
) -> None:
    """Write what is to be looked at."""
    if html is None and keep_all is None:
        return
    from linkloss.report.files import write_whole
    from linkloss.report.html import check_page, keep_cases, render

    if keep_all is not None:
        keep_cases(report, keep_all, jobs=jobs)
    if html is not None:
        write_whole(html, render(check_page(report, jobs=jobs, told=told)))


def _further(
    report: CheckReport,
    baseline: Any,
    under_ns: int | None,
    *,
    margins: bool,
) -> Iterator[Callable[[Console], None]]:
    """What the screen shows beside the verdicts, because it was asked for."""
    from linkloss.campaign.store import compare, standings
    from linkloss.report.terminal import show_changes, show_margins

    yield from lines_part(report)
    if margins or under_ns is not None:
        below_ns = None if margins else under_ns
        yield lambda console: show_margins(console, report, below_ns)
    if baseline is not None:
        yield lambda console: show_changes(console, compare(baseline, standings(report)))


def _show(
    console: Console,
    report: CheckReport,
    vehicle: Path | None,
    told: Told | None,
    further: Sequence[Callable[[Console], None]],
    *,
    quiet: bool,
    verbose: bool,
) -> None:
    from linkloss.report.terminal import show_check

    if vehicle is None:
        console.print("No vehicle file was named: this is the bundled demo vehicle.")
    show_check(console, report, quiet=quiet, verbose=verbose, told=told, further=further)
