"""``linkloss replay``, ``drive``, ``compare`` and ``describe``: logged drives.

``replay`` puts a logged drive on the bus again, or judges a recording again. ``drive`` makes a
drive of a vehicle's situations, as a log. ``compare`` says what differs between two runs, or a run
and a log. ``describe`` says what is in a log.
"""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from linkloss.cli.common import (
    Quiet,
    Verbose,
    Words,
    bad,
    bit_rate_of,
    check_targets,
    console_beside,
    duration_ns,
    identifiers,
    load,
    parsed,
    refuse,
    write_target,
)
from linkloss.cli.running import write_run

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linkloss.campaign.result import RunResult
    from linkloss.logs.bare import Part
    from linkloss.logs.compare import Side
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
        Seed of everything that is left to chance: another seed makes another drive.
    json
        Write the whole recording and the verdicts as JSON to this file.
    """
    logs = [Path(path) for path in log or ()]
    if not logs and json is None:
        raise bad("drive", "expected '--log FILE' or '--json FILE' to write the drive to")
    check_targets([json], logs)
    lasts_ns = duration_ns("--lasts", lasts) or 0
    refuse((not lasts_ns, "--lasts", "a drive takes time; expected more than 0 s"))
    from linkloss.campaign.run import run
    from linkloss.logs.drive import drive_scenario
    from linkloss.report.timeline import show_run

    result = run(drive_scenario(load(vehicle), lasts_ns, seed))
    write_run(result, logs, json)
    show_run(console_beside([json]), result, quiet=True)
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
    from the log. Without one, the log is played to two listening nodes. For the JSON of a run, the
    run is judged again.

    Exit codes as for run: 0 nothing broke and something was put to the test, 1 a rule broke, 2 an
    input cannot be used, 3 nothing was put to the test. Without a vehicle nothing is judged: 0.

    Parameters
    ----------
    drive
        The log: .log .txt .csv .asc .trc .blf .mf4 .db .pcap .pcapng (and .log.gz ...); or the
        .json of a run.
    vehicle
        The vehicle file.
    fault
        A fault and when, counted from the log's beginning: 'cut(gauge,rear)@300s+2s'.
    from_
        Begin here, counted from the log's beginning, as are all instants on the screen. In --json
        and --html they count from here.
    to
        End here.
    only
        Play the frames of these nodes from the log; all others that have a program are simulated.
    except_
        Play the frames of all nodes but these, which are simulated.
    leave_out
        Identifiers that are not played, such as 0x123.
    channel
        The channel of the log. Default: the first one; without a vehicle, all.
    bit_rate
        Bit rate of the bus, without a vehicle. Default: 500 kbit/s.
    data_bit_rate
        Bit rate of the faster part of CAN FD frames, without a vehicle. Default: such frames are
        left out.
    speed
        As fast as possible (max), or at the pace of the log (1x).
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
        Show only what broke, what was lost, and the totals.
    verbose
        Show the timeline, too.
    """
    logs = [Path(path) for path in log or ()]
    check_targets([json, html], logs, signals)
    from_ns, to_ns = duration_ns("--from", from_) or 0, duration_ns("--to", to)
    left_out = identifiers("--leave-out", leave_out)
    paced = speed == "1x"
    from linkloss.campaign.run import judged_again, run
    from linkloss.report.timeline import show_run

    console = console_beside([json])
    if drive.suffix.lower() == ".json":
        result = judged_again(drive, vehicle)
        write_run(result, json=json)
        _draw(result, html, [str(drive)])
        show_run(console, result, quiet=quiet)
        return result.exit_code
    if vehicle is None:
        if fault or only or except_ or json or html or logs or signals:
            raise bad("replay", "faults, nodes and results need a vehicle; expected '--vehicle'")
        from linkloss.logs.bare import Part
        from linkloss.logs.stream import ALL

        part = Part(from_ns, to_ns, ALL if channel is None else channel, left_out)
        return _bare(drive, bit_rate, data_bit_rate, part, paced=paced)
    for option, given in (("--bit-rate", bit_rate), ("--data-bit-rate", data_bit_rate)):
        refuse((given is not None, option, "the vehicle has its own; leave it out"))
    from linkloss.logs.drive import Drive, Selection
    from linkloss.report.comparison import show_replay
    from linkloss.scenario import timed_fault

    loaded = load(vehicle)
    nodes = _played_nodes(loaded, only, except_)
    found = Drive(drive, loaded, Selection(nodes, left_out, channel))
    timed = [timed_fault(text, loaded) for text in fault or ()]
    played = found.scenario(from_ns=from_ns, to_ns=to_ns, faults=timed, seed=seed)
    result = run(played, paced=paced)
    write_run(result, logs, json, signals)
    told = [word for text in fault or () for word in ("--fault", text)]
    told += ["--from", from_] if from_ != "0 s" else []
    told += ["--to", to] if to is not None else []
    _draw(result, html, [str(drive), "--vehicle", str(vehicle), *told])
    show_replay(console, found, result, from_ns=from_ns, quiet=quiet, verbose=verbose)
    return result.exit_code


def _played_nodes(
    vehicle: Vehicle, only: list[str] | None, but: list[str] | None
) -> tuple[str, ...] | None:
    """The nodes whose frames come from the log; None lets the drive choose."""
    both = only is not None and but is not None
    refuse((both, "replay", "expected either '--only' or '--except', not both"))
    from linkloss.problem import unknown

    option = "--except" if only is None else "--only"
    for name in only or but or ():
        refuse((name not in vehicle.nodes, option, unknown("node", name, vehicle.nodes)))
    for name in but or ():
        text = f"'{name}' has no program ('logged = true'): it is in the log only"
        refuse((vehicle.nodes[name].logged, option, text))
    if but is not None:
        return tuple(name for name in vehicle.nodes if name not in but)
    return None if only is None else tuple(only)


def _bare(
    drive: Path, bit_rate: str | None, data_bit_rate: str | None, part: Part, *, paced: bool
) -> int:
    from linkloss.logs.bare import replay_bare
    from linkloss.report.comparison import show_bare
    from linkloss.units import parse_data_bit_rate

    rate = bit_rate_of("--bit-rate", bit_rate) or 500_000
    data_rate = parsed("--data-bit-rate", data_bit_rate, parse_data_bit_rate)
    text = f"'{data_bit_rate}' is slower than the bit rate of {rate} bit/s"
    refuse((data_rate is not None and data_rate < rate, "--data-bit-rate", text))
    found = replay_bare(drive, rate, part, data_bit_rate=data_rate, paced=paced)
    show_bare(console_beside(), str(drive), rate, found)
    return 0


def _draw(result: RunResult, path: Path | None, words: list[str]) -> None:
    """Write the page of a replay, if it was asked for."""
    if path is not None:
        from linkloss.report.html import write_run_page

        write_run_page(result, path, command=shlex.join(["linkloss", "replay", *words]))


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

    Exit codes as for diff: 0 nothing differs, 1 something does, 2 an input cannot be used.

    Parameters
    ----------
    a
        The JSON of a run ('linkloss run --json'), or a log.
    b
        Another one.
    tolerance
        Frames and outputs that differ by no more than this count as equal.
    dbc
        Message definitions: show which signals changed, without counters and checksums.
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

    sides = (read_side(a, channel), read_side(b, channel))
    known = _messages(dbc, vehicle, sides)
    found = compared(*sides, messages=known, tolerance_ns=tolerance_ns, only=only)
    write_target(json, lambda: comparison_json(found))
    show_comparison(console_beside([json]), found)
    return EXIT_DIFFERENT if found.differs else 0


def _messages(
    dbc: Path | None, vehicle: Path | None, sides: tuple[Side, Side]
) -> Mapping[str, MessageInfo] | None:
    """The given message definitions, or those that a recording names if they still exist."""
    from linkloss.vehicle.dbc import read_dbc

    if dbc is not None:
        return read_dbc(dbc).messages
    if vehicle is None:
        named = [Path(side.vehicle_file) for side in sides if side.vehicle_file]
        vehicle = next((path for path in named if path.is_file()), None)
    return None if vehicle is None else load(vehicle).messages


def describe(
    log: Path,
    /,
    *,
    dbc: Path | None = None,
    vehicle: Path | None = None,
    bit_rate: str | None = None,
    channel: str | None = None,
    json: Path | None = None,
    html: Path | None = None,
) -> int:
    """Say what is in a log: identifiers, periods, load, signals, and what is wrong with them.

    Parameters
    ----------
    log
        The log: .log .txt .csv .asc .trc .blf .mf4 .db .pcap .pcapng (and .log.gz ...).
    dbc
        Message definitions: show names, signals, counters, periods.
    vehicle
        A vehicle file: use its messages and its bit rate, and show which loads would be stale. This
        imports its programs in Python: open only files that you trust.
    bit_rate
        Bit rate of the bus, such as "500 kbit/s": the load is given in percent of it.
    channel
        The channel of the log. Default: that of its first message.
    json
        Write the description as JSON to this file.
    html
        Write the description as one HTML file that opens offline.
    """
    check_targets([json, html])
    rate = bit_rate_of("--bit-rate", bit_rate)
    from linkloss.logs.describe import describe as described
    from linkloss.report.description import description_json, description_page, show_description
    from linkloss.vehicle.dbc import read_dbc

    read = None if dbc is None else read_dbc(dbc)
    loaded = None if vehicle is None else load(vehicle)
    database = None if read is None else read.database
    found = described(log, database=database, vehicle=loaded, bit_rate=rate, channel=channel)
    if read is not None:
        found.notes[:0] = read.notes(read.flaws)
    elif loaded is not None:
        found.notes[:0] = (*loaded.unused_notes, *loaded.message_notes)
    write_target(json, lambda: description_json(found))
    if html is not None:
        from linkloss.report.html import write_page

        write_page(description_page(found), html)
    show_description(console_beside([json]), found)
    return 0
