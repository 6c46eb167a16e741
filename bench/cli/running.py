"""``linkloss run``: one scenario, as a timeline."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bench.cli.common import Quiet, Words, check_logs, check_signals, check_targets

if TYPE_CHECKING:
    from bench.campaign.result import RunResult


def run(
    scenario: Path,
    /,
    *,
    log: Words = None,
    signals: Path | None = None,
    json: Path | None = None,
    quiet: Quiet = False,
) -> int:
    """Run one scenario and show what happened, in order of time, with the verdicts.

    Parameters
    ----------
    scenario
        The scenario file.
    log
        Write all frames as a log: .log .asc .blf .csv .trc .mf4 .db (and .log.gz .asc.gz .csv.gz).
    signals
        Write all decoded signals as columns: .csv, or .parquet (extra 'parquet').
    json
        Write the whole recording and the verdicts as JSON to this file.
    quiet
        No timeline: what broke, the totals.
    """
    logs = [Path(path) for path in log or ()]
    check_targets([json])
    check_signals(signals)
    check_logs(logs)
    from bench.campaign.run import run as run_scenario  # noqa: PLC0415
    from bench.scenario import load_scenario  # noqa: PLC0415

    result = run_scenario(load_scenario(scenario))
    write_run(result, logs, json)
    write_signals(result, signals)
    from bench.report.screen import make_console  # noqa: PLC0415
    from bench.report.timeline import show_run  # noqa: PLC0415

    show_run(make_console(), result, quiet=quiet)
    return result.exit_code


def write_run(result: RunResult, logs: Sequence[Path], json: Path | None) -> None:
    """Write a run's frames and recording to the files that were asked for."""
    channel = result.scenario.vehicle.wire.channel
    for path in logs:
        from bench.report.log import losses, write_log  # noqa: PLC0415

        write_log(result.recording, channel, path)
        print(losses(path), file=sys.stderr)
    if json is not None:
        from bench.report.files import write_whole  # noqa: PLC0415
        from bench.report.machine import run_json  # noqa: PLC0415

        write_whole(json, run_json(result))


def write_signals(result: RunResult, path: Path | None) -> None:
    """Write the decoded signals of a run, if that was asked for."""
    if path is not None:
        from bench.report.signals import write_columns  # noqa: PLC0415

        write_columns(result.recording, result.scenario.vehicle.messages, path)
