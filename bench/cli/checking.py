"""``linkloss check``: a vehicle through every situation and every fault."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from bench.cli.common import Flag, Quiet, Verbose, Words, bad, check_targets, duration_ns

if TYPE_CHECKING:
    from rich.console import Console

    from bench.campaign.result import CheckReport
    from bench.campaign.store import CaseStore
    from bench.firmware.build import BuildOptions
    from bench.model.loading import Vehicle

EXIT_BROKEN, EXIT_INTERRUPTED = 1, 130


def check(
    vehicle: Path | None = None,
    /,
    *,
    depth: Literal["quick", "full", "pairs"] = "full",
    case: str | None = None,
    only: Words = None,
    situation: Words = None,
    seed: int = 0,
    jobs: int | None = None,
    workers: str | None = None,
    no_branch: Flag = False,
    limit: str = "60 s",
    results: Path | None = None,
    resume: Flag = False,
    json: Path | None = None,
    junit: Path | None = None,
    margins: Flag = False,
    fail_under: str | None = None,
    save: Path | None = None,
    against: Path | None = None,
    sanitize: Flag = False,
    coverage: Flag = False,
    quiet: Quiet = False,
    verbose: Verbose = False,
) -> int:
    """Run a vehicle through every situation and every fault, and judge every load.

    Parameters
    ----------
    vehicle
        The vehicle file. Default: the bundled demo vehicle, Wren.
    depth
        quick: a selection, for in between; full: every fault alone; pairs: two faults at a time.
    case
        Run one case only, by its name as a report shows it.
    only
        Kinds of faults to try; 'none' stands for no fault.
    situation
        Situations to try.
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
        Write the report as JSON to this file.
    junit
        Write the rules as JUnit XML to this file.
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
    quiet
        No progress and no table: what broke, the totals.
    verbose
        List every rule.
    """
    check_targets([json, junit, save])
    under_ns = duration_ns("--fail-under", fail_under)
    baseline = _baseline(against)
    _sensible(only, situation, jobs, results, resume=resume)
    with _counting(coverage=coverage) as lines:
        build = _build_options(lines, sanitize=sanitize)
        loaded = _load(vehicle, build)
        choice = {
            "depth": depth, "case": case, "only": only, "situations": situation, "seed": seed,
        }  # fmt: skip
        report, interrupted = _checked(
            loaded,
            quiet=quiet,
            jobs=jobs,
            branch=not no_branch,
            limit_s=(duration_ns("--limit", limit) or 1) / 1e9,
            cluster=_scheduler(workers),
            store=_store(loaded, results, choice, resume=resume),
            build=build,
            **choice,
        )
        _write(report, json, junit, save)
        further = list(_further(report, baseline, under_ns, lines, margins=margins))
    _show(report, vehicle, further, quiet=quiet, verbose=verbose)
    if interrupted:
        return EXIT_INTERRUPTED
    from bench.report.changes import narrowest  # noqa: PLC0415

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


@contextmanager
def _counting(*, coverage: bool) -> Iterator[Path | None]:
    """The folder in which programs in C keep count of their lines, if they are to."""
    if not coverage:
        yield None
        return
    from bench.firmware.build import BuildError  # noqa: PLC0415
    from bench.firmware.coverage import counting  # noqa: PLC0415

    try:
        with counting() as folder:
            yield folder
    except BuildError as error:
        raise bad("--coverage", str(error)) from None


def _build_options(lines: Path | None, *, sanitize: bool) -> BuildOptions | None:
    if lines is None and not sanitize:
        return None
    from bench.firmware.build import BuildOptions  # noqa: PLC0415

    return BuildOptions(sanitize=sanitize, coverage=lines)


def _load(vehicle: Path | None, build: BuildOptions | None) -> Vehicle:
    from bench.demo import demo_vehicle  # noqa: PLC0415
    from bench.model.loading import load_vehicle  # noqa: PLC0415

    return load_vehicle(demo_vehicle() if vehicle is None else vehicle, build)


def _baseline(against: Path | None) -> Any:
    if against is None:
        return None
    from bench.campaign.baseline import read_baseline  # noqa: PLC0415

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
    from bench.campaign.store import CaseStore, identity  # noqa: PLC0415

    return CaseStore.at(results, identity(vehicle, choice), resume=resume)


def _checked(vehicle: Vehicle, *, quiet: bool, **choice: Any) -> tuple[CheckReport, bool]:
    """The report, and whether the check was interrupted before its end."""
    from bench.campaign.check import Interrupted  # noqa: PLC0415
    from bench.campaign.check import check as check_vehicle  # noqa: PLC0415
    from bench.report.progress import progress_of_check  # noqa: PLC0415

    try:
        with progress_of_check(quiet=quiet) as progress:
            return check_vehicle(vehicle, progress=progress, **choice), False
    except Interrupted as interrupted:
        print(f"linkloss: {interrupted}", file=sys.stderr)
        return interrupted.report, True


def _write(report: CheckReport, json: Path | None, junit: Path | None, save: Path | None) -> None:
    from bench.campaign.baseline import baseline_json  # noqa: PLC0415
    from bench.report.files import write_whole  # noqa: PLC0415
    from bench.report.junit import junit_xml  # noqa: PLC0415
    from bench.report.machine import check_json_parts  # noqa: PLC0415

    if json is not None:
        write_whole(json, check_json_parts(report))
    if junit is not None:
        write_whole(junit, junit_xml(report))
    if save is not None:
        write_whole(save, baseline_json(report))


def _further(
    report: CheckReport,
    baseline: Any,
    under_ns: int | None,
    lines: Path | None,
    *,
    margins: bool,
) -> Iterator[Callable[[Console], None]]:
    """What the screen shows beside the verdicts, because it was asked for."""
    from bench.campaign.baseline import compare, standings  # noqa: PLC0415
    from bench.report.changes import show_changes, show_margins  # noqa: PLC0415

    if lines is not None:
        from bench.firmware.coverage import lines_run  # noqa: PLC0415
        from bench.report.coverage import show_coverage  # noqa: PLC0415

        programs = {
            name: report.vehicle.programs[name].path  # type: ignore[attr-defined]
            for name, node in report.vehicle.nodes.items()
            if node.c
        }
        sources = lines_run(lines, programs)
        yield lambda console: show_coverage(console, sources)
    if margins or under_ns is not None:
        below_ns = None if margins else under_ns
        yield lambda console: show_margins(console, report, below_ns)
    if baseline is not None:
        yield lambda console: show_changes(console, compare(baseline, standings(report)))


def _show(
    report: CheckReport,
    vehicle: Path | None,
    further: Sequence[Callable[[Console], None]],
    *,
    quiet: bool,
    verbose: bool,
) -> None:
    from bench.report.screen import make_console  # noqa: PLC0415
    from bench.report.terminal import show_check  # noqa: PLC0415

    console = make_console()
    if vehicle is None:
        console.print("No vehicle file was named: this is the bundled demo vehicle.")
    show_check(console, report, quiet=quiet, verbose=verbose, further=further)
