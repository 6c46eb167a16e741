"""``linkloss new`` and ``linkloss pack``.

``linkloss new``: a small car of one's own to begin with. Each way to make one gives a
:class:`NewCar`, which is then written.

``linkloss pack``: the header that packs and unpacks a car's messages in C.
"""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

from linkloss.cli.common import NewCar, bad, refuse

ONE_LAMP = Path(__file__).parents[1] / "start" / "one_lamp"


def new(
    folder: Path,
    /,
    *,
    nodes: str | None = None,
    dbc: Path | None = None,
    log: Path | None = None,
    node: str | None = None,
    request: str | None = None,
) -> int:
    """Write a small car with programs, a scenario and a test, ready to run and to change.

    Parameters
    ----------
    folder
        A folder that does not exist yet, or is empty.
    nodes
        The nodes, such as dash,front=sketch,rear=c: first the one that reads the switches, then
        those that switch the loads. Behind = stands the kind of program: python (which need not be
        said), script, c or sketch. Default: a dash in Python, and a rear node in C with one lamp.
    dbc
        The message definitions of a car that exists: with --log and --node, one node beside it.
    log
        A log of that car: what the vehicle file needs is measured on it.
    node
        The name of your node in that car.
    request
        The signal of that car that the lamp of your node follows, Message.Signal. Default: the one
        that looks most like a switch.
    """
    beside = {"--dbc": dbc, "--log": log, "--node": node}
    missing = [option for option, value in beside.items() if value is None]
    some = len(missing) < len(beside) or request is not None
    text = "a node beside a logged car takes '--dbc', '--log' and '--node'; expected this one too"
    refuse((some and missing, missing[0] if missing else "", text))
    text = "makes another car; expected it without '--dbc'"
    refuse((some and nodes is not None, "--nodes", text))
    if dbc is not None and log is not None and node is not None:
        from linkloss.cli.from_log import car_from_log

        car = car_from_log(dbc, log, node, request)
    elif nodes is None:
        car = NewCar(_files_of(ONE_LAMP), ("rear.c",), "cable_pulled.toml")
    else:
        from linkloss.cli.from_nodes import car_from_nodes

        car = car_from_nodes(nodes)
    _write_new(folder, car)
    vehicle = shlex.quote(str(folder / "vehicle.toml"))
    own = ", ".join(str(folder / name) for name in car.yours)
    yours = f"Your node is {own}" if len(car.yours) == 1 else f"Your nodes are {own}"
    sys.stdout.write(f"Wrote {', '.join(sorted(car.files))} to {folder}.\n{yours}. Next:\n\n")
    if car.drive is not None:
        drive = shlex.quote(str(car.drive))
        print(f"  linkloss check {vehicle} --drive {drive}")
        print(f"  linkloss replay {drive} --vehicle {vehicle}")
    else:
        print(f"  linkloss check {vehicle}")
        print(f"  linkloss run {shlex.quote(str(folder / car.scenario))}")
    return 0


def _files_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def _write_new(folder: Path, car: NewCar) -> None:
    """Write a car where nothing is in its way. Raises BadInput."""
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise bad(str(folder), "it exists and is not empty; expected the name of a new folder")
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in sorted(car.files.items()):
            with (folder / name).open("xb") as file:  # never over a file that came meanwhile
                file.write(data)
    except OSError as error:
        raise bad(str(folder), f"cannot write there: {error.strerror}") from None


def pack(vehicle: Path, /) -> int:
    """Make the header anew that packs and unpacks a car's messages in C and in sketches.

    After each change to the DBC file: a check refuses a header that is not what the DBC file gives.

    Parameters
    ----------
    vehicle
        The vehicle file, or the folder that it is in.
    """
    from linkloss.firmware.pack import c_name, header_text, is_made, made_from, made_headers
    from linkloss.problem import BadInput
    from linkloss.report.files import write_whole
    from linkloss.vehicle.loading import read_vehicle_file
    from linkloss.vehicle.programs import header_folders

    path = vehicle / "vehicle.toml" if vehicle.is_dir() else vehicle
    _, file, found = read_vehicle_file(path)
    if found.problems:
        raise BadInput(found.problems)
    headers = list(made_headers([*header_folders(file, path.parent), path.parent]))
    for dbc in found.files:
        name = dbc.path.name
        made = [header for header in headers if made_from(header) == name]
        for target in made or [path.parent / f"{c_name(name)}.h"]:
            if target.exists() and not is_made(target):
                text = "'linkloss pack' did not make it, and does not write over it; expected no"
                raise bad(str(target), f"{text} such file")
            try:
                text = header_text(dbc.database, name, dbc.path.read_bytes())
            except ValueError as error:
                raise bad(str(dbc.path), str(error)) from None
            write_whole(target, text)
            print(f"written: {shlex.quote(str(target))}")
    return 0
