"""``linkloss describe``: what is in a log."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from linkloss.cli.common import bit_rate_of, check_targets


def describe(
    log: Path,
    /,
    *,
    dbc: Path | None = None,
    vehicle: Path | None = None,
    bit_rate: str | None = None,
    channel: str | None = None,
    json: Path | None = None,
) -> int:
    """Say what is in a log: identifiers, periods, load, signals, and what is wrong with them.

    Parameters
    ----------
    log
        The log: .log .csv .asc .trc .blf .mf4 .db (and .log.gz ...).
    dbc
        Message definitions: names, signals, counters, periods.
    vehicle
        A vehicle file: its messages, its bit rate, and which loads would have gone stale.
    bit_rate
        Of the bus, such as "500 kbit/s": the load is given in percent of it.
    channel
        The channel of the log. Default: that of its first message.
    json
        Write the description as JSON to this file.
    """
    check_targets([json])
    rate = bit_rate_of("--bit-rate", bit_rate)
    from linkloss.replay.describe import describe as described  # noqa: PLC0415
    from linkloss.report.description import description_json, show_description  # noqa: PLC0415
    from linkloss.report.files import write_whole  # noqa: PLC0415
    from linkloss.report.screen import make_console  # noqa: PLC0415

    database, notes = (None, []) if dbc is None else load_messages(dbc)
    found = described(
        log, database=database, vehicle=_vehicle(vehicle), bit_rate=rate, channel=channel
    )
    found.notes[:0] = notes
    if json is not None:
        write_whole(json, description_json(found))
    show_description(make_console(), found)
    return 0


def _vehicle(path: Path | None) -> Any:
    if path is None:
        return None
    from linkloss.model.loading import load_vehicle  # noqa: PLC0415

    return load_vehicle(path)


def load_messages(path: Path) -> tuple[Any, list[str]]:
    """A DBC, read leniently where strictly does not do; then with a note of why."""
    from linkloss.model.messages import load_database  # noqa: PLC0415
    from linkloss.model.problem import BadInput  # noqa: PLC0415

    try:
        return load_database(path), []
    except BadInput as error:
        database = load_database(path, strict=False)
        return database, [f"the DBC was not read strictly: {error.problems[0].text}"]
