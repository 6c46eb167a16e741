"""The command ``linkloss``: arguments in, a result on the screen and in files, an exit code out.

Everything but the argument parser is imported only once a command needs it, so that help is quick.
Exit codes: 0 all kept, 1 something broke, 2 an input cannot be used, 3 not everything was
exercised, 130 interrupted.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import App, CycloptsError, Parameter

if TYPE_CHECKING:
    from bench.campaign.result import CheckReport, RunResult

EXIT_BAD_USAGE, EXIT_INTERRUPTED, EXIT_PIPE_CLOSED = 2, 130, 141
Words = Annotated[list[str] | None, Parameter(consume_multiple=True, negative=())]
Flag = Annotated[bool, Parameter(negative=())]


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version  # noqa: PLC0415

    try:
        return f"linkloss {version('linkloss')}"
    except PackageNotFoundError:
        return "linkloss, not installed"


app = App(
    name="linkloss",
    help="Runs a car's CAN nodes on a simulated wire, breaks things, and judges every load.",
    version=_version,
    help_format="plaintext",
    suppress_keyboard_interrupt=False,
)


@app.command
def check(
    vehicle: Path | None = None,
    /,
    *,
    case: str | None = None,
    only: Words = None,
    situation: Words = None,
    jobs: int | None = None,
    seed: int = 0,
    json: Path | None = None,
    junit: Path | None = None,
    quiet: Annotated[Flag, Parameter(alias="-q")] = False,
    verbose: Annotated[Flag, Parameter(alias="-v")] = False,
) -> int:
    """Run a vehicle through every situation and every fault, and judge every load.

    Parameters
    ----------
    vehicle
        The vehicle file. Default: the bundled demo vehicle, Wren.
    case
        Run one case only, by its name as a report shows it.
    only
        Kinds of faults to try; 'none' stands for no fault.
    situation
        Situations to try.
    jobs
        Processes to use. Default: all cores.
    seed
        Seed of everything that is left to chance.
    json
        Write the report as JSON to this file.
    junit
        Write the rules as JUnit XML to this file.
    quiet
        No progress and no table: what broke, the totals.
    verbose
        List every rule.
    """
    _check_targets([json, junit])
    for word in (*(only or ()), *(situation or ())):
        if word.endswith(".toml"):
            raise _bad("check", f"'{word}' stands behind an option; put the vehicle file first")
    if jobs is not None and jobs < 1:
        raise _bad("--jobs", f"got {jobs}; expected at least 1")
    report = _checked(
        vehicle, quiet=quiet, case=case, only=only, situations=situation, jobs=jobs, seed=seed
    )
    _write_check(report, json, junit)
    from bench.report.screen import make_console  # noqa: PLC0415
    from bench.report.terminal import show_check  # noqa: PLC0415

    console = make_console()
    if vehicle is None:
        console.print("No vehicle file was named: this is the bundled demo vehicle.")
    show_check(console, report, quiet=quiet, verbose=verbose)
    return report.exit_code


@app.command
def run(
    scenario: Path,
    /,
    *,
    log: Words = None,
    json: Path | None = None,
    quiet: Annotated[Flag, Parameter(alias="-q")] = False,
) -> int:
    """Run one scenario and show what happened, in order of time, with the verdicts.

    Parameters
    ----------
    scenario
        The scenario file.
    log
        Write all frames as a log: .log .asc .blf .csv .trc .mf4 (and .log.gz .asc.gz .csv.gz).
    json
        Write the whole recording and the verdicts as JSON to this file.
    quiet
        No timeline: what broke, the totals.
    """
    logs = [Path(path) for path in log or ()]
    _check_targets([json])
    _check_logs(logs)
    from bench.campaign.run import run as run_scenario  # noqa: PLC0415
    from bench.scenario import load_scenario  # noqa: PLC0415

    result = run_scenario(load_scenario(scenario))
    _write_run(result, logs, json)
    from bench.report.screen import make_console  # noqa: PLC0415
    from bench.report.timeline import show_run  # noqa: PLC0415

    show_run(make_console(), result, quiet=quiet)
    return result.exit_code


@app.command
def faults() -> int:
    """List the faults with their parameters."""
    from bench.report.catalogue import show_catalogue  # noqa: PLC0415
    from bench.report.screen import make_console  # noqa: PLC0415

    show_catalogue(make_console())
    return 0


@app.command
def schema(kind: Literal["vehicle", "scenario"], /) -> int:
    """Print the JSON Schema of a vehicle or scenario file, for editors.

    Parameters
    ----------
    kind
        Which file: vehicle or scenario.
    """
    from bench.schema import schema_text  # noqa: PLC0415

    sys.stdout.write(schema_text(kind))
    return 0


# ---- what the commands share ----


def _bad(where: str, text: str) -> Exception:
    from bench.model.problem import BadInput  # noqa: PLC0415

    return BadInput.one("linkloss", where, text)


def _check_targets(paths: Iterable[Path | None]) -> None:
    from bench.report.files import ensure_writable  # noqa: PLC0415

    for path in paths:
        if path is not None:
            ensure_writable(path)


def _check_logs(paths: Sequence[Path]) -> None:
    if paths:
        from bench.report.log import ensure_format  # noqa: PLC0415

        for path in paths:
            ensure_format(path)
        _check_targets(paths)


def _checked(vehicle: Path | None, *, quiet: bool, **choice: Any) -> CheckReport:
    from bench.campaign.check import check as check_vehicle  # noqa: PLC0415
    from bench.demo import demo_vehicle  # noqa: PLC0415
    from bench.model.loading import load_vehicle  # noqa: PLC0415
    from bench.report.progress import progress_of_check  # noqa: PLC0415

    loaded = load_vehicle(demo_vehicle() if vehicle is None else vehicle)
    with progress_of_check(quiet=quiet) as progress:
        return check_vehicle(loaded, progress=progress, **choice)


def _write_check(report: CheckReport, json: Path | None, junit: Path | None) -> None:
    from bench.report.files import write_whole  # noqa: PLC0415
    from bench.report.junit import junit_xml  # noqa: PLC0415
    from bench.report.machine import check_json  # noqa: PLC0415

    if json is not None:
        write_whole(json, check_json(report))
    if junit is not None:
        write_whole(junit, junit_xml(report))


def _write_run(result: RunResult, logs: Sequence[Path], json: Path | None) -> None:
    channel = result.scenario.vehicle.wire.channel
    for path in logs:
        from bench.report.log import write_log  # noqa: PLC0415

        write_log(result.recording, channel, path)
    if json is not None:
        from bench.report.files import write_whole  # noqa: PLC0415
        from bench.report.machine import run_json  # noqa: PLC0415

        write_whole(json, run_json(result))


# ---- the way in and out ----


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code. Arguments default to the process's own."""
    _forgive_encoding()
    try:
        return _run(list(sys.argv[1:] if arguments is None else arguments))
    except KeyboardInterrupt:
        _drop_ports_silently()
        print("linkloss: interrupted, there is no result", file=sys.stderr)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # else the flush at exit fails once more
        return EXIT_PIPE_CLOSED


def _run(arguments: list[str]) -> int:
    try:
        code = app(
            arguments,
            exit_on_error=False,
            print_error=False,
            help_on_error=False,
            result_action="return_value",
        )
        sys.stdout.flush()
    except CycloptsError as error:
        print(f"linkloss: {_usage_text(error)}", file=sys.stderr)
        return EXIT_BAD_USAGE
    except Exception as error:
        problems = _problems(error)
        if not problems:
            raise
        print("\n".join(problems), file=sys.stderr)
        return EXIT_BAD_USAGE
    return code if isinstance(code, int) else 0


def _usage_text(error: CycloptsError) -> str:
    """The parser's words in one line, without the names of Python's types."""
    return " ".join(str(error).split()).replace(" into int.", " into a number.")


def _problems(error: Exception) -> list[str]:
    """The lines for an input that cannot be used; none for any other error."""
    from bench.model.problem import BadInput  # noqa: PLC0415

    return [str(problem) for problem in error.problems] if isinstance(error, BadInput) else []


def _drop_ports_silently() -> None:
    """The ports of a run that was broken off would each complain that nobody shut them down."""
    import logging  # noqa: PLC0415

    logging.getLogger("can.bus").setLevel(logging.ERROR)


def _forgive_encoding() -> None:
    """A terminal that lacks a character of a title shows a question mark instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")


if __name__ == "__main__":
    sys.exit(main())
