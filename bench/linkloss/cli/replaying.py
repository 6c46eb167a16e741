"""``linkloss replay``, ``drive``, ``compare`` and ``describe``: logged drives.

``linkloss replay``: a logged drive on the bus again; or a recording judged again.

``linkloss drive``: a drive out of the situations of a vehicle, as a log.

``linkloss compare``: what differs between two runs, or a run and a log.

``linkloss describe``: what is in a log.
"""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import Parameter

from linkloss.cli.common import (
    Quiet,
    Verbose,
    Words,
    bad,
    bit_rate_of,
    check_logs,
    check_signals,
    check_targets,
    duration_ns,
    identifiers,
)
from linkloss.cli.common import identifiers as parsed_identifiers
from linkloss.cli.running import write_run, write_signals

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linkloss.campaign.result import RunResult
    from linkloss.logs.compare import Side
    from linkloss.logs.drive import Drive
    from linkloss.vehicle.loading import Vehicle
    from linkloss.vehicle.messages import MessageInfo


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
    from linkloss.campaign.run import run
    from linkloss.cli.running import write_run
    from linkloss.logs.drive import drive_scenario
    from linkloss.report.screen import make_console
    from linkloss.report.timeline import show_run
    from linkloss.shipped import demo_vehicle
    from linkloss.vehicle.loading import load_vehicle

    lasts_ns = duration_ns("--lasts", lasts)
    if not lasts_ns:
        raise bad("--lasts", "a drive lasts more than nothing")
    loaded = load_vehicle(demo_vehicle() if vehicle is None else vehicle)
    result = run(drive_scenario(loaded, lasts_ns, seed))
    write_run(result, logs, json)
    show_run(make_console(), result, quiet=True)
    return result.exit_code


From = Annotated[str, Parameter(name="--from")]
Except = Annotated[list[str] | None, Parameter(name="--except", consume_multiple=True, negative=())]


def replay(
    drive: Path,
    /,
    *,
    vehicle: Path | None = None,
    fault: Words = None,
    from_: From = "0 s",
    to: str | None = None,
    only: Words = None,
    except_: Except = None,
    leave_out: Words = None,
    channel: str | None = None,
    bit_rate: str | None = None,
    data_bit_rate: str | None = None,
    speed: Literal["max", "1x"] = "max",
    seed: int = 0,
    log: Words = None,
    signals: Path | None = None,
    json: Path | None = None,
    html: Path | None = None,
    quiet: Quiet = False,
    verbose: Verbose = False,
) -> int:
    """Put a logged drive on the bus again, with simulated nodes, faults and verdicts.

    With a vehicle, the nodes that drive loads run their programs; the frames of all others come
    from the log. Without one, the log is played to two listening nodes. The JSON of a run is
    judged again.

    Parameters
    ----------
    drive
        The log: .log .csv .asc .trc .blf .mf4 .db (and .log.gz ...); or the .json of a run.
    vehicle
        The vehicle file.
    fault
        A fault and when, counted from the log's beginning: 'cut(gauge,rear)@300s+2s'.
    from_
        Begin here, counted from the log's beginning.
    to
        End here.
    only
        Play the frames of these nodes from the log; all other nodes are simulated.
    except_
        Play the frames of all nodes but these, which are simulated.
    leave_out
        Identifiers that are not played, such as 0x123.
    channel
        The channel of the log. Default: the first one; without a vehicle, all.
    bit_rate
        Without a vehicle: of the bus. Default: 500 kbit/s.
    data_bit_rate
        Without a vehicle: of the faster part of CAN FD frames. Without it they are left out.
    speed
        As fast as possible, or at the pace at which it was logged.
    seed
        Seed of everything that faults leave to chance.
    log
        Write all frames as a log, in the format of the extension.
    signals
        Write all decoded signals as columns: .csv, or .parquet (extra 'parquet').
    json
        Write the whole recording and the verdicts as JSON to this file.
    html
        Write what happened as one HTML file that opens offline.
    quiet
        What broke, what was lost, the totals.
    verbose
        The timeline too.
    """
    logs = [Path(path) for path in log or ()]
    check_targets([json, html])
    check_logs(logs)
    check_signals(signals)
    part = (duration_ns("--from", from_) or 0, duration_ns("--to", to))
    left_out = parsed_identifiers("--leave-out", leave_out)
    paced = speed == "1x"
    if drive.suffix.lower() == ".json":
        return _again(drive, vehicle, json, html, quiet=quiet)
    if vehicle is None:
        if fault or only or except_ or json or html or logs or signals:
            raise bad("replay", "faults, nodes and results need a vehicle; expected '--vehicle'")
        rates = bit_rate, data_bit_rate
        return _bare(drive, rates, part, channel, left_out, paced=paced)
    for option, given in (("--bit-rate", bit_rate), ("--data-bit-rate", data_bit_rate)):
        if given is not None:
            raise bad(option, "the vehicle has its own; leave it out")
    from linkloss.logs.drive import Drive, Selection
    from linkloss.vehicle.loading import load_vehicle

    loaded = load_vehicle(vehicle)
    nodes = _played_nodes(loaded, only, except_)
    found = Drive(drive, loaded, Selection(nodes, left_out, channel))
    result = _run(found, fault or [], part, seed, paced=paced)
    write_run(result, logs, json)
    write_signals(result, signals)
    _draw(result, html, [str(drive), "--vehicle", str(vehicle), *_given(fault, from_, to)])
    from linkloss.report.comparison import show_replay
    from linkloss.report.screen import make_console

    show_replay(make_console(), found, result, quiet=quiet, verbose=verbose)
    return result.exit_code


def _played_nodes(
    vehicle: Vehicle, only: list[str] | None, but: list[str] | None
) -> tuple[str, ...] | None:
    """The nodes whose frames come from the log; None leaves the choice to the drive."""
    if only is not None and but is not None:
        raise bad("replay", "expected either '--only' or '--except', not both")
    from linkloss.problem import unknown

    for name in (*(only or ()), *(but or ())):
        if name not in vehicle.nodes:
            option = "--only" if only is not None else "--except"
            raise bad(option, unknown("node", name, vehicle.nodes))
    if but is not None:
        return tuple(name for name in vehicle.nodes if name not in but)
    return None if only is None else tuple(only)


def _run(
    drive: Drive, faults: list[str], part: tuple[int, int | None], seed: int, *, paced: bool
) -> RunResult:
    from linkloss.campaign.run import run
    from linkloss.scenario import timed_fault

    timed = [timed_fault(text, drive.vehicle) for text in faults]
    from_ns, to_ns = part
    return run(drive.scenario(from_ns=from_ns, to_ns=to_ns, faults=timed, seed=seed), paced=paced)


def _bare(
    drive: Path,
    rates: tuple[str | None, str | None],
    part: tuple[int, int | None],
    channel: str | None,
    left_out: frozenset[int],
    *,
    paced: bool,
) -> int:
    from linkloss.cli.common import bit_rate_of, data_bit_rate_of
    from linkloss.logs.bare import Part, replay_bare
    from linkloss.logs.stream import ALL
    from linkloss.report.comparison import show_bare
    from linkloss.report.screen import make_console

    rate = bit_rate_of("--bit-rate", rates[0]) or 500_000
    data_rate = data_bit_rate_of("--data-bit-rate", rates[1], rate)
    wanted = Part(part[0], part[1], ALL if channel is None else channel, left_out)
    found = replay_bare(drive, rate, wanted, data_bit_rate=data_rate, paced=paced)
    show_bare(make_console(), str(drive), rate, found)
    return 0


def _given(faults: list[str] | None, from_: str, to: str | None) -> list[str]:
    """The options that decide what happened, as they were given."""
    told = [word for fault in faults or () for word in ("--fault", fault)]
    told += ["--from", from_] if from_ != "0 s" else []
    return told + (["--to", to] if to is not None else [])


def _draw(result: RunResult, path: Path | None, words: list[str]) -> None:
    """Write the page of a replay, if it was asked for."""
    if path is not None:
        from linkloss.report.html import write_run_page

        write_run_page(result, path, command=shlex.join(["linkloss", "replay", *words]))


def _again(
    path: Path, vehicle: Path | None, json: Path | None, html: Path | None, *, quiet: bool
) -> int:
    """Judge a recording again."""
    from linkloss.campaign.run import judged_again
    from linkloss.report.screen import make_console
    from linkloss.report.timeline import show_run

    result = judged_again(path, vehicle)
    write_run(result, [], json)
    _draw(result, html, [str(path)])
    show_run(make_console(), result, quiet=quiet)
    return result.exit_code


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
    from linkloss.logs.compare import compare as compared
    from linkloss.logs.compare import read_side
    from linkloss.report.comparison import comparison_json, show_comparison
    from linkloss.report.files import write_whole
    from linkloss.report.screen import make_console

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
    from linkloss.vehicle.loading import load_vehicle
    from linkloss.vehicle.messages import compile_messages

    if dbc is not None:
        return compile_messages(load_messages(dbc)[0], dbc)
    if vehicle is None:
        named = [Path(side.vehicle_file) for side in sides if side.vehicle_file]
        vehicle = next((path for path in named if path.is_file()), None)
    return None if vehicle is None else load_vehicle(vehicle).messages


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
    from linkloss.logs.describe import describe as described
    from linkloss.report.comparison import description_json, show_description
    from linkloss.report.files import write_whole
    from linkloss.report.screen import make_console

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
    from linkloss.vehicle.loading import load_vehicle

    return load_vehicle(path)


def load_messages(path: Path) -> tuple[Any, list[str]]:
    """A DBC, read leniently where strictly does not do; then with a note of why."""
    from linkloss.problem import BadInput
    from linkloss.vehicle.messages import load_database

    try:
        return load_database(path), []
    except BadInput as error:
        database = load_database(path, strict=False)
        return database, [f"the DBC was not read strictly: {error.problems[0].text}"]
