"""``linkloss run``, ``report``, ``faults`` and ``schema``.

``run`` shows one scenario as a timeline. ``report`` makes a page of a result that was written as
JSON. ``faults`` and ``schema`` list what files can say.
"""

from __future__ import annotations

import atexit
import math
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Literal

from linkloss.cli.common import (
    Flag,
    Quiet,
    Verbose,
    Words,
    check_targets,
    compiled,
    console_beside,
    duration_ns,
    refuse,
    write_target,
)

if TYPE_CHECKING:
    from linkloss.campaign.result import RunResult
    from linkloss.vehicle.loading import Vehicle


def run(
    scenario: Path,
    /,
    *,
    log: Words = None,
    bits: Path | None = None,
    bits_from: str | None = None,
    bits_to: str | None = None,
    signals: Path | None = None,
    json: Path | None = None,
    here: Flag = False,
    watch: Flag = False,
    speed: float | None = None,
    html: Path | None = None,
    trust: Flag = False,
    quiet: Quiet = False,
    verbose: Verbose = False,
) -> int:
    """Run one scenario and show what happened, in order of time, with the verdicts.

    Parameters
    ----------
    scenario
        The scenario file, or a bundle of one (.zip, see 'linkloss bundle').
    log
        Write all frames as a log: .log .asc .blf .csv .trc .mf4 .db .pcap .log.gz .asc.gz .csv.gz.
    bits
        Write the bits on the bus as a waveform (.vcd): the bus, and what each node drives.
    bits_from
        Begin the waveform at this instant, such as "1.5 s". Default: the beginning.
    bits_to
        End the waveform at this instant. Default: the end.
    signals
        Write all decoded signals as columns: .csv, or .parquet (extra 'parquet').
    json
        Write the whole recording and the verdicts as JSON to this file; - is the standard output.
    here
        Run in this process, for a debugger, not in one of its own: a program that ends the process
        ends the judge, too.
    watch
        First play the run on the terminal: inputs, loads, nodes, faults, the last frames.
    speed
        How fast to play it: 1 is real time (the default), 0.1 a tenth of that.
    html
        Write what happened as one HTML file that opens offline.
    trust
        Run the programs that a bundle holds.
    quiet
        No timeline: only what broke, and the totals.
    verbose
        List the rules that the run did not put to the test, too, and what is wrong with messages
        that the vehicle does not use.
    """
    refuse(
        (speed is not None and not watch, "--speed",
         "says how fast --watch plays; expected '--watch' too"),
        (speed is not None and not 0 < speed < math.inf, "--speed",
         f"got {speed or 0:g}; expected a number above 0, such as 0.25"),
        (watch and not sys.stdout.isatty(), "--watch",
         "plays on a terminal, and the output goes elsewhere; leave it out"),
    )  # fmt: skip
    logs = [Path(path) for path in log or ()]
    check_targets([json, html, bits], logs, signals)
    from_ns, to_ns = _window(bits, bits_from, bits_to)
    from linkloss.campaign.causes import diagnose_run
    from linkloss.campaign.isolation import run_apart
    from linkloss.campaign.run import run as run_here
    from linkloss.scenario import load_scenario

    loaded = load_scenario(_unbundled(scenario, trust=trust))
    compiled(loaded.vehicle)
    _ensure_it_holds_all(loaded.vehicle, logs, bits)
    late = bits is not None and from_ns >= loaded.lasts_ns
    refuse((late, "--bits-from", f"{bits_from} lies after the end of the scenario"))
    runner = run_here if here else run_apart
    result = runner(loaded, bits=bits is not None)
    write_run(result, logs, json, signals)
    if bits is not None:
        _write_bits(result, bits, from_ns, to_ns)
    if html is not None:
        from linkloss.report.html import write_run_page

        write_run_page(result, html, command=shlex.join(["linkloss", "run", str(scenario)]))
    from linkloss.report.timeline import show_run

    console = console_beside([json])
    if watch:
        from linkloss.report.picture import play

        play(console, result, 1.0 if speed is None else speed)
    causes = [] if here else diagnose_run(result)
    show_run(console, result, quiet=quiet, verbose=verbose, causes=causes)
    return result.exit_code


def _unbundled(path: Path, *, trust: bool) -> Path:
    """The scenario file; that of a bundle is unpacked until this process ends."""
    from linkloss.report.bundle import is_bundle, unpack

    if not is_bundle(path):
        refuse((trust, "--trust", "is for a bundle; expected a file that ends in .zip with it"))
        return path
    folder = TemporaryDirectory(prefix="linkloss-bundle-")
    atexit.register(folder.cleanup)
    return unpack(path, Path(folder.name), trusted=trust)


def bundle(finding: Path, /, *, to: Path | None = None) -> int:
    """Write one file with all that a finding needs: car, sources, messages, recording, versions.

    Parameters
    ----------
    finding
        The scenario file of a finding, or any other.
    to
        The file to write, which ends in .zip. Default: the name of the scenario.
    """
    from linkloss.campaign.isolation import run_apart
    from linkloss.report.bundle import is_bundle, write_bundle
    from linkloss.scenario import load_scenario

    target = to or Path(finding.with_suffix(".zip").name)
    refuse((not is_bundle(target), "--to", f"got '{target}'; expected a name that ends in .zip"))
    check_targets([target])
    loaded = load_scenario(finding)
    compiled(loaded.vehicle)
    names = write_bundle(run_apart(loaded), finding, target)
    print(f"{target} holds {len(names)} files, with the programs of the car: {', '.join(names)}")
    return 0


def _ensure_it_holds_all(vehicle: Vehicle, logs: Sequence[Path], bits: Path | None) -> None:
    """Raises BadInput, before anything runs, for a form that cannot hold more than one bus."""
    from linkloss.report.export import names_channels

    if bits is not None:
        vehicle.only_bus("a waveform")
    for path in logs:
        if not names_channels(path):
            vehicle.only_bus(f"a log in the format '{path.suffix}'")


def write_run(
    result: RunResult,
    logs: Sequence[Path] = (),
    json: Path | None = None,
    signals: Path | None = None,
) -> None:
    """Write a run's frames, recording and decoded signals to the requested files."""
    from linkloss.report.export import losses, write_columns, write_log

    vehicle = result.scenario.vehicle
    for path in logs:
        channels = {name: bus.channel for name, bus in vehicle.file.bus.items()}
        write_log(result.recording, vehicle.buses[0].channel, path, channels)
        print(losses(path), file=sys.stderr)
    if json is not None:
        from linkloss.report.machine import run_json

        write_target(json, lambda: run_json(result))
    if signals is not None:
        write_columns(result.recording, vehicle.messages, signals)


def _window(
    bits: Path | None, from_text: str | None, to_text: str | None
) -> tuple[int, int | None]:
    """Beginning and end of a waveform in ns; the end is None for the end of the run."""
    from_ns, to_ns = duration_ns("--bits-from", from_text) or 0, duration_ns("--bits-to", to_text)
    refuse(
        (bits is None and (from_text or to_text), "--bits-from, --bits-to",
         "belong to a waveform; expected '--bits FILE.vcd' too"),
        (bits is not None and bits.suffix.lower() != ".vcd", "--bits",
         f"got '{bits}'; expected a name that ends in .vcd"),
        (to_ns is not None and to_ns <= from_ns, "--bits-to",
         f"{to_text} does not lie after the beginning of the waveform"),
    )  # fmt: skip
    return from_ns, to_ns


def _write_bits(result: RunResult, path: Path, from_ns: int, to_ns: int | None) -> None:
    from linkloss.report.files import write_whole
    from linkloss.report.waveform import vcd, waveform

    bus, end_ns = result.scenario.vehicle.buses[0], result.recording.end_ns
    until_ns = end_ns if to_ns is None else min(to_ns, end_ns)
    channels = waveform(result.recording, bus.bit_rate, bus.cable, bus.data_bit_rate)
    write_whole(path, vcd(channels, from_ns, until_ns, scope=bus.channel))


def report(
    result: Path,
    /,
    *,
    html: Path | None = None,
    again: Flag = False,
    jobs: int | None = None,
) -> int:
    """Make an HTML report of a result that 'check --json' or 'run --json' has written, and show
    again what a check found.

    It runs none of the vehicle's programs, and imports none, unless '--again' is given. Exits with
    the code of the command that made the result.

    Parameters
    ----------
    result
        The result, a JSON file.
    html
        The file to write. Default: the name of the result, with .html.
    again
        Run again what broke in a check, to draw it. This runs the programs that the vehicle file
        names: give it only for files that you trust.
    jobs
        Processes to use for --again. Default: all cores.
    """
    refuse((jobs is not None and not again, "--jobs", "runs cases; expected '--again' too"))
    target = result.with_suffix(".html") if html is None else html
    check_targets([target])
    from linkloss.campaign.check import Failed, looked
    from linkloss.campaign.result import CheckReport
    from linkloss.report.files import write_whole
    from linkloss.report.html import looks, render, reopened_page
    from linkloss.report.reopen import reopen
    from linkloss.report.terminal import show_check

    found = reopen(result, programs=again)
    wanted = looks(found.result, found.told) if isinstance(found.result, CheckReport) else {}
    asleep = Failed("'linkloss report' runs no program; with '--again' it does, and draws it")
    seen = looked(wanted, jobs=jobs) if again else dict.fromkeys(wanted, asleep)
    write_whole(target, render(reopened_page(found, seen)))
    if isinstance(found.result, CheckReport):
        show_check(console_beside(), found.result, told=found.told)
    print(f"written: {shlex.quote(str(target))}")
    return found.result.exit_code


def faults() -> int:
    """List the faults with their parameters."""
    from linkloss.report.screen import make_console
    from linkloss.report.terminal import show_catalogue

    show_catalogue(make_console())
    return 0


def schema(kind: Literal["vehicle", "scenario", "check", "run", "mutants"], /) -> int:
    """Print a JSON Schema: of a vehicle or scenario file, for editors, or of a result, for
    programs.

    Parameters
    ----------
    kind
        vehicle or scenario: the file that you write; check, run or mutants: what --json writes.
    """
    import json

    from linkloss.report.schemas import RESULT_SCHEMAS, schema_text

    if kind == "vehicle" or kind == "scenario":  # noqa: PLR1714 - mypy follows this form
        sys.stdout.write(schema_text(kind))
    else:
        sys.stdout.write(json.dumps(RESULT_SCHEMAS[kind](), indent=2) + "\n")
    return 0
