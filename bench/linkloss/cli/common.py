"""What the commands share: checking targets before a long run, and errors about options."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

from cyclopts import Parameter

if TYPE_CHECKING:
    from rich.console import Console

    from linkloss.firmware.build import BuildOptions
    from linkloss.vehicle.loading import Vehicle

SCREEN = Path("-")
"""The target that stands for the standard output."""
Words = Annotated[list[str] | None, Parameter(consume_multiple=True, negative=())]
Flag = Annotated[bool, Parameter(negative=())]
Quiet = Annotated[bool, Parameter(negative=(), alias="-q")]
Verbose = Annotated[bool, Parameter(negative=(), alias="-v")]


T = TypeVar("T")


@dataclass(frozen=True)
class NewCar:
    """A car to write: its files by name, the programs that are the user's to change, and the
    scenario to run, or the log to replay.
    """

    files: Mapping[str, bytes]
    yours: tuple[str, ...]
    scenario: str = ""
    drive: Path | None = None


def bad(where: str, text: str) -> Exception:
    """The error for an option that cannot be used."""
    from linkloss.problem import BadInput

    return BadInput.one("linkloss", where, text)


def refuse(*reasons: tuple[object, str, str]) -> None:
    """Raise BadInput for the first reason that holds; each is (holds, option, text)."""
    for holds, where, text in reasons:
        if holds:
            raise bad(where, text)


def load(vehicle: Path | None, build: BuildOptions | None = None) -> Vehicle:
    """The vehicle that was named, or else the bundled demo vehicle. Raises BadInput."""
    from linkloss.shipped import demo_vehicle
    from linkloss.vehicle.loading import load_vehicle

    return load_vehicle(demo_vehicle() if vehicle is None else vehicle, build)


def compiled(vehicle: Vehicle) -> Vehicle:
    """The vehicle with its programs in C compiled; what the compiler warned of is said once, here
    and not by each process that runs cases. Raises BadInput.
    """
    from linkloss.problem import printable
    from linkloss.session import ready

    for node, warnings in ready(vehicle).items():
        for line in warnings:
            print(printable(f"linkloss: {node}: {line.expandtabs()}"), file=sys.stderr)
    return vehicle


def check_targets(
    targets: Iterable[Path | None],
    logs: Iterable[Path] = (),
    signals: Path | None = None,
    folder: Path | None = None,
) -> None:
    """Find out before a run whether its files can be written, and make the folder. Raises BadInput,
    also if more than one result is to go to the standard output.
    """
    from linkloss.report.files import ensure_folder, ensure_writable

    paths = [path for path in targets if path is not None]
    text = "only one result can go to the standard output; name files for the others"
    refuse((paths.count(SCREEN) > 1, "-", text))
    for path in logs:
        from linkloss.report.export import ensure_format

        ensure_format(path)
    if signals is not None:
        from linkloss.report.export import ensure_table

        ensure_table(signals)
        paths.append(signals)
    for path in (*paths, *logs):
        if path != SCREEN:
            ensure_writable(path)
    if folder is not None:
        ensure_folder(folder)


def write_target(path: Path | None, content: Callable[[], str | Iterable[str]]) -> None:
    """Write a complete result, if it was asked for; ``-`` stands for the standard output."""
    if path is None:
        return
    if path == SCREEN:
        text = content()
        sys.stdout.writelines([text] if isinstance(text, str) else text)
        return
    from linkloss.report.files import write_whole

    write_whole(path, content())


def console_beside(targets: Iterable[Path | None] = (), vehicle: Path | None = SCREEN) -> Console:
    """The screen: the error stream if a result takes the standard output. If no vehicle was named,
    it first says so.
    """
    from linkloss.report.screen import make_console

    console = make_console(sys.stderr if SCREEN in targets else sys.stdout)
    if vehicle is None:
        console.print("No vehicle file was named: this is the bundled demo vehicle.")
    return console


def parsed(option: str, text: str | None, parse: Callable[[str], T]) -> T | None:
    """The value of an option with a text, if it was given. Raises BadInput."""
    try:
        return None if text is None else parse(text)
    except ValueError as error:
        raise bad(option, str(error)) from None


def duration_ns(option: str, text: str | None) -> int | None:
    """The duration in ns in an option, written with its unit. Raises BadInput."""
    from linkloss.units import parse_duration

    return parsed(option, text, parse_duration)


def bit_rate_of(option: str, text: str | None) -> int | None:
    """The bit rate in bits per second in an option, written with its unit. Raises BadInput."""
    from linkloss.units import parse_bit_rate

    return parsed(option, text, parse_bit_rate)


def identifiers(option: str, words: Sequence[str] | None) -> frozenset[int]:
    """The identifiers in an option, such as 0x123. Raises BadInput."""
    found = set()
    for word in words or ():
        try:
            found.add(int(word, 0))
        except ValueError:
            text = f"got '{word}'; expected an identifier such as 0x123"
            raise bad(option, text) from None
    return frozenset(found)
