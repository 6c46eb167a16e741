"""``linkloss drive``: a drive out of the situations of a vehicle, as a log."""

from __future__ import annotations

from pathlib import Path

from linkloss.cli.common import Words, bad, check_logs, check_targets, duration_ns


def drive(
    vehicle: Path | None = None,
    /,
    *,
    log: Words = None,
    lasts: str = "600 s",
    seed: int = 0,
    json: Path | None = None,
) -> int:
    """Let a seeded driver drive a vehicle, and write what was on the bus as a log.

    The driver strings the vehicle's situations together; the same seed makes the same drive.

    Parameters
    ----------
    vehicle
        The vehicle file. Default: the bundled demo vehicle, Wren.
    log
        The logs to write, in the formats of their extensions.
    lasts
        How long the drive is.
    seed
        Another seed, another drive.
    json
        Write the whole recording and the verdicts as JSON to this file.
    """
    logs = [Path(path) for path in log or ()]
    if not logs and json is None:
        raise bad("drive", "expected '--log FILE' or '--json FILE' to write the drive to")
    check_targets([json])
    check_logs(logs)
    from linkloss.campaign.run import run  # noqa: PLC0415
    from linkloss.cli.running import write_run  # noqa: PLC0415
    from linkloss.model.loading import load_vehicle  # noqa: PLC0415
    from linkloss.replay.driver import drive_scenario  # noqa: PLC0415
    from linkloss.report.screen import make_console  # noqa: PLC0415
    from linkloss.report.timeline import show_run  # noqa: PLC0415
    from linkloss.shipped import demo_vehicle  # noqa: PLC0415

    lasts_ns = duration_ns("--lasts", lasts)
    if not lasts_ns:
        raise bad("--lasts", "a drive lasts more than nothing")
    loaded = load_vehicle(demo_vehicle() if vehicle is None else vehicle)
    result = run(drive_scenario(loaded, lasts_ns, seed))
    write_run(result, logs, json)
    show_run(make_console(), result, quiet=True)
    return result.exit_code
