"""``linkloss run``: one scenario, as a timeline."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bench.cli.common import Flag, Quiet, Words, check_targets

if TYPE_CHECKING:
    from bench.campaign.result import RunResult


def run(
    scenario: Path,
    /,
    *,
    log: Words = None,
    json: Path | None = None,
    apart: Flag = False,
    html: Path | None = None,
    quiet: Quiet = False,
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
    apart
        Run in a process of its own: a program that crashes it or hangs is a broken rule.
    html
        Write what happened as one HTML file that opens offline.
    quiet
        No timeline: what broke, the totals.
    """
    logs = [Path(path) for path in log or ()]
    check_targets([json, html])
    _check_logs(logs)
    from bench.campaign.run import run as run_here  # noqa: PLC0415
    from bench.campaign.run_apart import run_apart  # noqa: PLC0415
    from bench.scenario import load_scenario  # noqa: PLC0415

    loaded = load_scenario(scenario)
    result = run_apart(loaded) if apart else run_here(loaded)
    _write_run(result, logs, json)
    if html is not None:
        from bench.report.html import write_run_page  # noqa: PLC0415

        write_run_page(result, html, command=shlex.join(["linkloss", "run", str(scenario)]))
    from bench.report.screen import make_console  # noqa: PLC0415
    from bench.report.timeline import show_run  # noqa: PLC0415

    show_run(make_console(), result, quiet=quiet)
    return result.exit_code


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
        from bench.report.files import write_whole  # noqa: PLC0415
        from bench.report.machine import run_json  # noqa: PLC0415

        write_whole(json, run_json(result))
