"""``linkloss compare``: what differs between two runs, or a run and a log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from linkloss.cli.common import Words, check_targets, duration_ns, identifiers

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linkloss.model.messages import MessageInfo
    from linkloss.replay.compare import Side

EXIT_DIFFERENT = 1


def compare(
    a: Path,
    b: Path,
    /,
    *,
    tolerance: str = "5 ms",
    dbc: Path | None = None,
    vehicle: Path | None = None,
    message: Words = None,
    channel: str | None = None,
    json: Path | None = None,
) -> int:
    """Say what differs between two recordings, two logs, or one of each.

    Exit code as diff: 0 nothing differs, 1 something does, 2 an input cannot be used.

    Parameters
    ----------
    a
        The JSON of a run ('linkloss run --json'), or a log.
    b
        Another one.
    tolerance
        Frames and outputs that are off by no more than this are the same.
    dbc
        Message definitions: which signals changed; counters and checksums are left aside.
    vehicle
        A vehicle file that names its DBC. Default: the one that a recording names.
    message
        Identifiers to compare, such as 0x0A0. Default: all.
    channel
        The channel of a log. Default: that of its first frame.
    json
        Write the comparison as JSON to this file.
    """
    check_targets([json])
    tolerance_ns = duration_ns("--tolerance", tolerance) or 0
    only = identifiers("--message", message)
    from linkloss.replay.compare import compare as compared  # noqa: PLC0415
    from linkloss.replay.compare import read_side  # noqa: PLC0415
    from linkloss.report.comparison import comparison_json, show_comparison  # noqa: PLC0415
    from linkloss.report.files import write_whole  # noqa: PLC0415
    from linkloss.report.screen import make_console  # noqa: PLC0415

    sides = (read_side(a, channel), read_side(b, channel))
    known = _messages(dbc, vehicle, sides)
    found = compared(*sides, messages=known, tolerance_ns=tolerance_ns, only=only)
    if json is not None:
        write_whole(json, comparison_json(found))
    show_comparison(make_console(), found)
    return EXIT_DIFFERENT if found.differs else 0


def _messages(
    dbc: Path | None, vehicle: Path | None, sides: tuple[Side, Side]
) -> Mapping[str, MessageInfo] | None:
    """The message definitions: as given, or as a recording names them if they are still there."""
    from linkloss.cli.describing import load_messages  # noqa: PLC0415
    from linkloss.model.loading import load_vehicle  # noqa: PLC0415
    from linkloss.model.messages import compile_messages  # noqa: PLC0415

    if dbc is not None:
        return compile_messages(load_messages(dbc)[0], dbc)
    if vehicle is None:
        named = [Path(side.vehicle_file) for side in sides if side.vehicle_file]
        vehicle = next((path for path in named if path.is_file()), None)
    return None if vehicle is None else load_vehicle(vehicle).messages
