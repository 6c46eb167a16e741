"""``linkloss run``: one scenario, as a timeline."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bench.cli.common import (
    Flag,
    Quiet,
    Verbose,
    Words,
    bad,
    check_targets,
    console_beside,
    write_target,
)

if TYPE_CHECKING:
    from bench.campaign.result import RunResult


def run(
    scenario: Path,
    /,
    *,
    log: Words = None,
    json: Path | None = None,
    apart: Flag = False,
    watch: Flag = False,
    speed: float | None = None,
    quiet: Quiet = False,
    verbose: Verbose = False,
) -> int:
    """Run one scenario and show what happened, in order of time, with the verdicts.

    Parameters
    ----------
    scenario
        The scenario file.
    log
        Write all frames as a log: .log .asc .blf .csv .trc .mf4 (and .log.gz .asc.gz .csv.gz).
    json
        Write the whole recording and the verdicts as JSON to this file; - is the standard output.
    apart
        Run in a process of its own: a program that crashes it or hangs is a broken rule.
    watch
        First play the run on the terminal: inputs, loads, nodes, faults, the last frames.
    speed
        How fast to play it: 1 is real time and the default, 0.1 a tenth of it.
    quiet
        No timeline: what broke, the totals.
    verbose
        List the rules that the run did not put to the test, too.
    """
    pace = _pace(speed, watch=watch)
    logs = [Path(path) for path in log or ()]
    check_targets([json])
    _check_logs(logs)
    from bench.campaign.run import run as run_here  # noqa: PLC0415
    from bench.campaign.run_apart import run_apart  # noqa: PLC0415
    from bench.scenario import load_scenario  # noqa: PLC0415

    loaded = load_scenario(scenario)
    result = run_apart(loaded) if apart else run_here(loaded)
    _write_run(result, logs, json)
    from bench.report.timeline import show_run  # noqa: PLC0415

    console = console_beside([json])
    if watch:
        from bench.report.player import play  # noqa: PLC0415

        play(console, result, pace)
    show_run(console, result, quiet=quiet, verbose=verbose)
    return result.exit_code


def _pace(speed: float | None, *, watch: bool) -> float:
    """How fast to play a run. Raises BadInput where there is nothing to play, or nowhere."""
    if speed is not None and not watch:
        raise bad("--speed", "says how fast --watch plays; expected '--watch' too")
    if speed is not None and not 0 < speed < math.inf:
        raise bad("--speed", f"got {speed:g}; expected a number above 0, such as 0.25")
    if watch and not sys.stdout.isatty():
        raise bad("--watch", "plays on a terminal, and the output goes elsewhere; leave it out")
    return 1.0 if speed is None else speed


def _check_logs(paths: Sequence[Path]) -> None:
    if paths:
        from bench.report.log import ensure_format  # noqa: PLC0415

        for path in paths:
            ensure_format(path)
        check_targets(paths)


def _write_run(result: RunResult, logs: Sequence[Path], json: Path | None) -> None:
    channel = result.scenario.vehicle.wire.channel
    for path in logs:
        from bench.report.log import write_log  # noqa: PLC0415

        write_log(result.recording, channel, path)
    if json is not None:
        from bench.report.machine import run_json  # noqa: PLC0415

        write_target(json, lambda: run_json(result))
