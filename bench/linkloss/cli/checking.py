"""``linkloss check``: a vehicle in every situation, under every fault.

This file also says how a check builds programs in C, and writes what broke as shrunk stories to
files of their own.
"""

from __future__ import annotations

import atexit
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import Parameter

from linkloss.cli.checked import Remembered, checked, note, tell
from linkloss.cli.common import (
    Flag,
    Quiet,
    Verbose,
    Words,
    bad,
    check_targets,
    compiled,
    console_beside,
    duration_ns,
    load,
    refuse,
    write_target,
)

if TYPE_CHECKING:
    from rich.console import Console

    from linkloss.campaign.result import CheckReport
    from linkloss.firmware.build import BuildOptions
    from linkloss.report.findings import Told
    from linkloss.vehicle.loading import Vehicle


def build_options(*, sanitize: bool, coverage: bool, workers: str | None) -> BuildOptions | None:
    """How programs in C are built. Their coverage counts are kept until this process ends."""
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


First = Annotated[bool, Parameter(negative=(), alias="-x")]
EXIT_BROKEN, EXIT_INTERRUPTED = 1, 130


def check(
    vehicle: Path | None = None,
    /,
    *,
    watch: Flag = False,
    depth: Literal["quick", "full", "pairs", "hunt"] | None = None,
    for_: Annotated[str | None, Parameter(name="--for")] = None,
    cases: int | None = None,
    case: str | None = None,
    last: Flag = False,
    first: First = False,
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
    dry_run: Flag = False,
    table: Flag = False,
    quiet: Quiet = False,
    verbose: Verbose = False,
    real: str | None = None,
    interface: str | None = None,
    channel: str | None = None,
    io: str | None = None,
    delay: str | None = None,
) -> int:
    """Run a vehicle through every situation and every fault, and judge every load.

    A vehicle file is code: the programs that it names run. Open only files that you trust.

    Parameters
    ----------
    vehicle
        The vehicle file. Default: the bundled demo vehicle, Wren.
    watch
        Check again whenever a file of the car is saved, what broke last first, at depth quick
        unless told. Ctrl-C ends it (extra 'watch').
    depth
        quick: a selection, for use between changes; full: every fault alone; pairs: two faults at
        a time; hunt: random sequences of faults and actions, guided by what earlier ones reached.
    for_
        Real time after which a hunt draws no further cases, or a check of a real node runs none,
        such as "10 min".
    cases
        Number of cases after which a hunt ends.
    case
        Run one case only, by its name as a report shows it.
    last
        Run what broke last time only. The rest has to be run again as well.
    first
        Stop at the first case that breaks a rule, and tell only of that.
    only
        Kinds of faults to try; 'none' stands for no fault.
    situation
        Situations to try.
    drive
        A logged drive: its windows are the situations, and faults come at its own events. What
        breaks is told with why, and is not shrunk: no scenario file can hold the log's frames.
    logged
        The nodes whose frames come from that log, beside those without a program. Default: those
        that drive no load.
    seed
        Seed of everything that is left to chance.
    jobs
        Processes to use. Default: all cores.
    workers
        Run the cases on a cluster instead: dask://HOST:PORT (extra 'cluster').
    no_branch
        Run every case from power-up, even where cases begin alike. The results are the same.
    limit
        A case counts as hung once it has computed for so long without an end, or has been blocked
        for so long in calls of the system; a second more for each that it simulates beyond a
        minute. On a busy machine, time in which it waits for a processor does not count.
    results
        Keep the result of each case in this file as it comes.
    resume
        Continue where an interrupted check with the same --results stopped.
    json
        Write the report as JSON to this file; - is the standard output.
    junit
        Write the rules as JUnit XML to this file; - is the standard output.
    markdown
        Write a summary for a pull request to this file; - is the standard output.
    html
        Write the report as one HTML file that opens offline.
    keep_all
        Write an HTML file for every case, and an index, into this folder; the cases run again.
    margins
        List the rules that were kept, the smallest margin first.
    fail_under
        Exit 1 when a rule was kept with less margin than this, such as "20 ms".
    save
        Save how every rule stands, for a later --against.
    against
        Say what has changed since a saved check.
    sanitize
        Build programs in C with checks for undefined behaviour.
    coverage
        List the lines of programs in C that no case reached.
    effort
        Write the time that the check took, and the machine, as JSON to this file.
    findings
        Folder for the shortest scenarios of what broke. Default: findings
    budget
        The most runs for shrinking one of them. Default: 200
    no_shrink
        Do not shrink what broke.
    dry_run
        Read and compile everything, and say which cases there are and how long they take here;
        only one short case runs, and nothing is judged.
    table
        Show the outcome of every load, request, notice, message and node under each kind of fault.
    quiet
        No progress: only the result.
    verbose
        List every rule, and everything that was not exercised.
    real
        This node is a real one on the desk, wired to an I/O board as '[io.NODE]' says; all others
        are simulated. Cases run one after the other in real time, those first that show most of it.
    interface
        The interface of the real node's CAN adapter, as python-can calls it: slcan, socketcan, ...
    channel
        The channel of that adapter: /dev/ttyACM0, can0, ...
    io
        The serial line of the I/O board: /dev/ttyUSB0, ...
    delay
        The longest time that a frame takes through an adapter that cannot be asked, one way.
        Default: 20 ms.
    """
    if watch or real or io:
        return _otherwise(locals())
    depth = depth or "full"
    results_of = (json, junit, markdown, save, effort)
    _ensure_dry((*results_of, html, keep_all, results, findings), dry_run=dry_run)
    check_targets([*results_of, html], folder=keep_all)
    _ensure_tellable(findings, budget, no_shrink=no_shrink)
    _ensure_fitting([only, situation], jobs, results, drive, logged, resume=resume)
    _ensure_free(last, {"--case": case, "--only": only, "--situation": situation, "--for": for_})
    under_ns, for_s = duration_ns("--fail-under", fail_under), _hunt_ends(depth, for_, cases)
    limit_s = (duration_ns("--limit", limit) or 1) / 1e9
    from linkloss.campaign.store import CaseStore, compare, identity, read_baseline, standings
    from linkloss.report.terminal import show_check

    baseline = None if against is None else read_baseline(against)
    build = build_options(sanitize=sanitize, coverage=coverage, workers=workers)
    loaded = compiled(load(vehicle, build))
    _ensure_nodes(loaded, logged or ())
    choice: dict[str, Any] = {"seed": seed} | ({"drive": drive, "logged": logged} if drive else {})
    memory = Remembered(loaded.path, seed, drive)
    names = memory.names() if last else ()
    named = _still_there(loaded, names, **choice) if last else case
    choice |= {"depth": depth, "case": named, "only": only, "situations": situation}
    if last and not named:
        return _nothing_broke(loaded, vehicle, names)
    if dry_run:
        return _dry_run(loaded, vehicle, jobs=jobs, cases=cases, for_s=for_s, **choice)
    store = results and CaseStore.at(results, identity(loaded, choice), resume=resume)
    spread: dict[str, Any] = {"jobs": jobs, "branch": not no_branch}
    _warn_of_branching(wanted=not (quiet or no_branch or workers is not None))
    choice |= {"cases": cases, "for_s": for_s, "store": store}
    choice |= {"limit_s": limit_s, "cluster": _scheduler(workers), "first": first}
    report, interrupted, wall_s = checked(loaded, quiet=quiet, **spread, **choice)
    note(memory, report, set(names).difference(named or ()))
    told = None
    if report.findings and not interrupted:
        effort_of: dict[str, Any] = {"budget": 0 if no_shrink or drive else budget, "jobs": jobs}
        told = tell(report, findings, first=first, limit_s=limit_s, quiet=quiet, **effort_of)
        interrupted = told.stories.interrupted
    _write(report, told, json, junit, markdown, save)
    _write_effort(effort, report, told, wall_s, {**spread, "workers": workers})
    _draw(report, told, html, keep_all, jobs)
    shown: dict[str, Any] = {"table": table, "verbose": verbose, "told": told}
    shown["changes"] = None if baseline is None else compare(baseline, standings(report))
    shown["further"] = list(_further(report, under_ns, margins=margins))
    show_check(console_beside(results_of, vehicle), report, **shown)
    return EXIT_INTERRUPTED if interrupted else _exit_code(report, under_ns)


def _exit_code(report: CheckReport, under_ns: int | None) -> int:
    """That of the report, or 1 for a rule that was kept with a smaller margin than ``under_ns``."""
    from linkloss.report.totals import narrowest

    return EXIT_BROKEN if under_ns and narrowest(report, under_ns) else report.exit_code


def _ensure_nodes(vehicle: Vehicle, logged: Sequence[str]) -> None:
    """Raises BadInput for a node that the vehicle does not have."""
    from linkloss.problem import unknown

    for name in logged:
        refuse((name not in vehicle.nodes, "--logged", unknown("node", name, vehicle.nodes)))


def _warn_of_branching(*, wanted: bool) -> None:
    """Say why cases do not branch off one another here, if that is wanted and they cannot."""
    from linkloss.campaign.isolation import no_branching

    why = no_branching()
    if why and wanted:
        text = "every case runs from power-up, and one that crashes ends the check"
        print(f"linkloss: {why}: {text}", file=sys.stderr)


def _ensure_fitting(
    lists: Sequence[Sequence[str] | None],
    jobs: int | None,
    results: Path | None,
    drive: Path | None,
    logged: Sequence[str] | None,
    *,
    resume: bool,
) -> None:
    """Refuse options that do not go together; ``lists`` are names behind options. Raises
    BadInput.
    """
    for word in (name for names in lists for name in names or ()):
        text = f"'{word}' stands after an option; put the vehicle file first"
        refuse((word.endswith(".toml"), "check", text))
    no_file, no_log = resume and results is None, logged is not None and drive is None
    refuse(
        (jobs is not None and jobs < 1, "--jobs", f"got {jobs}; expected at least 1"),
        (no_file, "--resume", "continues a file; expected '--results FILE' too"),
        (no_log, "--logged", "names nodes that come from a log; expected '--drive LOG' too"),
    )


def _otherwise(given: Mapping[str, Any]) -> int:
    """A check that is not run once and in virtual time."""
    if not given["watch"]:
        from linkloss.cli.desk_checking import check_on_desk

        alone = given["real"] is None
        refuse((alone, "--io", "is that of a real node; expected '--real NODE' too"))
        return check_on_desk(given)
    from linkloss.cli.watching import watch, watched_as

    return watch(watched_as(given))


def _ensure_free(last: bool, others: Mapping[str, object]) -> None:
    """What broke last is a choice of its own. Raises BadInput for another one beside it."""
    for option, value in others.items():
        text = "runs what broke last time, whatever it was; expected no other choice of cases"
        refuse((last and value is not None, "--last", f"{text}, got '{option}' too"))


def _still_there(
    vehicle: Vehicle,
    names: Sequence[str],
    *,
    seed: int,
    drive: Path | None = None,
    logged: Sequence[str] | None = None,
) -> list[str]:
    """The cases among these that the vehicle still has."""
    from linkloss.campaign.check import cases_named

    nodes = None if logged is None else tuple(logged)
    return list(cases_named(vehicle, seed, names, drive, nodes))


def _nothing_broke(vehicle: Vehicle, named: Path | None, names: Sequence[str]) -> int:
    """Say that ``--last`` has nothing to run: no rule is put to the test."""
    from linkloss.problem import EXIT_NOT_EXERCISED

    told = "no case is known that broke last time"
    if names:
        told = f"it has none of the {len(names)} cases any more that broke last time"
    console = console_beside(vehicle=named)
    console.print(f"{vehicle.path}: {told}. Nothing was run; run it without --last.")
    return EXIT_NOT_EXERCISED


def _ensure_dry(targets: Sequence[Path | None], *, dry_run: bool) -> None:
    """A dry run has no results to write. Raises BadInput."""
    text = "judges nothing; expected no file or folder for results beside it"
    refuse((dry_run and any(path is not None for path in targets), "--dry-run", text))


def _dry_run(vehicle: Vehicle, named: Path | None, **choice: Any) -> int:
    """Say what a check would run. It is an error if that is nothing, as in a check."""
    from linkloss.campaign.forecast import forecast
    from linkloss.problem import EXIT_BAD_INPUT, EXIT_KEPT
    from linkloss.report.terminal import show_forecast

    found = forecast(vehicle, **choice)
    show_forecast(console_beside(vehicle=named), found)
    return EXIT_KEPT if found.cases or found.depth == "hunt" else EXIT_BAD_INPUT


def _ensure_tellable(findings: Path | None, budget: int | None, *, no_shrink: bool) -> None:
    """Find out before a long check what would fail after it. Raises BadInput."""
    text = "has no effect with '--no-shrink'; expected only one of them"
    refuse(
        (no_shrink and findings is not None, "--findings", text),
        (no_shrink and budget is not None, "--budget", text),
        (budget is not None and budget < 1, "--budget", f"got {budget}; expected at least 1 run"),
    )
    if findings is not None:
        from linkloss.report.findings import ensure_folder

        ensure_folder(findings)


def _hunt_ends(depth: str, for_: str | None, cases: int | None) -> float | None:
    """When a hunt ends, in seconds of real time. Raises BadInput for an impossible end."""
    text = f"ends a hunt; expected '--depth hunt' with it, not '{depth}'"
    refuse(
        (depth != "hunt" and for_ is not None, "--for", text),
        (depth != "hunt" and cases is not None, "--cases", text),
        (cases is not None and cases < 1, "--cases", f"got {cases}; expected at least 1"),
    )
    for_ns = duration_ns("--for", for_)
    return None if for_ns is None else for_ns / 1e9


def _scheduler(workers: str | None) -> str | None:
    if workers is None:
        return None
    text = f"got '{workers}'; expected 'dask://HOST:PORT'"
    refuse((not workers.startswith("dask://"), "--workers", text))
    return "tcp://" + workers.removeprefix("dask://")


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
    """Write the HTML files."""
    if html is None and keep_all is None:
        return
    from linkloss.campaign.check import looked
    from linkloss.report.files import write_whole
    from linkloss.report.html import case_files, check_page, index_page, looks, render

    if keep_all is not None:
        written = looked(case_files(report, keep_all), jobs=jobs)
        write_whole(keep_all / "index.html", render(index_page(report, written)))
    if html is not None:
        seen = looked(looks(report, told), jobs=jobs)
        write_whole(html, render(check_page(report, seen, told=told)))


def _further(
    report: CheckReport,
    under_ns: int | None,
    *,
    margins: bool,
) -> Iterator[Callable[[Console], None]]:
    """What the screen shows after the verdicts because an option asks for it."""
    from linkloss.report.terminal import show_coverage, show_margins

    build = report.vehicle.build
    if build is not None and build.coverage is not None:
        from linkloss.firmware.coverage import lines_run
        from linkloss.vehicle.programs import program_file

        compiled = [name for name, node in report.vehicle.nodes.items() if node.c]
        files = [program_file(report.vehicle.programs[name]) for name in compiled]
        sources = lines_run(build.coverage, [path for path in files if path is not None])
        yield lambda console: show_coverage(console, sources)
    if margins or under_ns is not None:
        below_ns = None if margins else under_ns
        yield lambda console: show_margins(console, report, below_ns)
