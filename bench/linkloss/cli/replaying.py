"""``linkloss replay``: a logged drive on the bus again; or a recording judged again."""

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
    check_logs,
    check_signals,
    check_targets,
    duration_ns,
)
from linkloss.cli.common import identifiers as parsed_identifiers
from linkloss.cli.running import write_run, write_signals

if TYPE_CHECKING:
    from linkloss.campaign.result import RunResult
    from linkloss.model.loading import Vehicle
    from linkloss.replay.drive import Drive

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
    from linkloss.model.loading import load_vehicle  # noqa: PLC0415
    from linkloss.replay.drive import Drive, Selection  # noqa: PLC0415

    loaded = load_vehicle(vehicle)
    nodes = _played_nodes(loaded, only, except_)
    found = Drive(drive, loaded, Selection(nodes, left_out, channel))
    result = _run(found, fault or [], part, seed, paced=paced)
    write_run(result, logs, json)
    write_signals(result, signals)
    _draw(result, html, [str(drive), "--vehicle", str(vehicle), *_given(fault, from_, to)])
    from linkloss.report.replay import show_replay  # noqa: PLC0415
    from linkloss.report.screen import make_console  # noqa: PLC0415

    show_replay(make_console(), found, result, quiet=quiet, verbose=verbose)
    return result.exit_code


def _played_nodes(
    vehicle: Vehicle, only: list[str] | None, but: list[str] | None
) -> tuple[str, ...] | None:
    """The nodes whose frames come from the log; None leaves the choice to the drive."""
    if only is not None and but is not None:
        raise bad("replay", "expected either '--only' or '--except', not both")
    from linkloss.model.problem import unknown  # noqa: PLC0415

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
    from linkloss.campaign.run import run  # noqa: PLC0415
    from linkloss.replay.fault_text import timed_fault  # noqa: PLC0415

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
    from linkloss.cli.common import bit_rate_of, data_bit_rate_of  # noqa: PLC0415
    from linkloss.replay.bare import Part, replay_bare  # noqa: PLC0415
    from linkloss.replay.stream import ALL  # noqa: PLC0415
    from linkloss.report.replay import show_bare  # noqa: PLC0415
    from linkloss.report.screen import make_console  # noqa: PLC0415

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
        from linkloss.report.html import write_run_page  # noqa: PLC0415

        write_run_page(result, path, command=shlex.join(["linkloss", "replay", *words]))


def _again(
    path: Path, vehicle: Path | None, json: Path | None, html: Path | None, *, quiet: bool
) -> int:
    """Judge a recording again."""
    from linkloss.campaign.again import judged_again  # noqa: PLC0415
    from linkloss.report.screen import make_console  # noqa: PLC0415
    from linkloss.report.timeline import show_run  # noqa: PLC0415

    result = judged_again(path, vehicle)
    write_run(result, [], json)
    _draw(result, html, [str(path)])
    show_run(make_console(), result, quiet=quiet)
    return result.exit_code
