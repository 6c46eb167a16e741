"""What the commands share: checking targets before a long run, and complaining about options."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

if TYPE_CHECKING:
    from rich.console import Console

SCREEN = Path("-")
"""The target that stands for the standard output."""
Words = Annotated[list[str] | None, Parameter(consume_multiple=True, negative=())]
Flag = Annotated[bool, Parameter(negative=())]
Quiet = Annotated[bool, Parameter(negative=(), alias="-q")]
Verbose = Annotated[bool, Parameter(negative=(), alias="-v")]


def bad(where: str, text: str) -> Exception:
    """The error for an option that cannot be used."""
    from linkloss.problem import BadInput

    return BadInput.one("linkloss", where, text)


def check_targets(paths: Iterable[Path | None]) -> None:
    """Find out before a run whether its files can be written. Raises BadInput."""
    from linkloss.report.files import ensure_writable

    for path in paths:
        if path is not None and path != SCREEN:
            ensure_writable(path)


def write_target(path: Path | None, content: Callable[[], str | Iterable[str]]) -> None:
    """Write a result whole, if it was asked for; ``-`` stands for the standard output."""
    if path is None:
        return
    if path == SCREEN:
        text = content()
        sys.stdout.writelines([text] if isinstance(text, str) else text)
        return
    from linkloss.report.files import write_whole

    write_whole(path, content())


def console_beside(targets: Iterable[Path | None]) -> Console:
    """The screen for whoever watches: the error stream where a result takes the standard output."""
    from linkloss.report.screen import make_console

    return make_console(sys.stderr if SCREEN in targets else sys.stdout)


def check_one_screen(targets: Iterable[Path | None]) -> None:
    """Only one result can go to the standard output. Raises BadInput."""
    if sum(path == SCREEN for path in targets) > 1:
        raise bad("-", "only one result can go to the standard output; name files for the others")


def check_folder(folder: Path | None) -> None:
    """Make a folder, and find out before a run whether it takes files. Raises BadInput."""
    if folder is not None:
        from linkloss.report.files import ensure_folder

        ensure_folder(folder)


def duration_ns(option: str, text: str | None) -> int | None:
    """An option that is a duration with its unit. Raises BadInput."""
    if text is None:
        return None
    from linkloss.units import parse_duration

    try:
        return parse_duration(text)
    except ValueError as error:
        raise bad(option, str(error)) from None


def check_logs(paths: Sequence[Path]) -> None:
    """Find out before a run whether its logs can be written. Raises BadInput."""
    if paths:
        from linkloss.report.export import ensure_format

        for path in paths:
            ensure_format(path)
        check_targets(paths)


def bit_rate_of(option: str, text: str | None) -> int | None:
    """An option that is a bit rate with its unit. Raises BadInput."""
    if text is None:
        return None
    from linkloss.units import parse_bit_rate

    try:
        return parse_bit_rate(text)
    except ValueError as error:
        raise bad(option, str(error)) from None


def data_bit_rate_of(option: str, text: str | None, bit_rate: int) -> int | None:
    """An option that is a data bit rate of CAN FD with its unit. Raises BadInput."""
    if text is None:
        return None
    from linkloss.units import parse_data_bit_rate

    try:
        rate = parse_data_bit_rate(text)
    except ValueError as error:
        raise bad(option, str(error)) from None
    if rate < bit_rate:
        raise bad(option, f"'{text}' is slower than the bit rate of {bit_rate} bit/s")
    return rate


def identifiers(option: str, words: Sequence[str] | None) -> frozenset[int]:
    """An option that names identifiers, such as 0x123. Raises BadInput."""
    found = set()
    for word in words or ():
        try:
            found.add(int(word, 0))
        except ValueError:
            text = f"got '{word}'; expected an identifier such as 0x123"
            raise bad(option, text) from None
    return frozenset(found)


def check_signals(path: Path | None) -> None:
    """Find out before a run whether its signals can be written. Raises BadInput."""
    if path is not None:
        from linkloss.report.export import ensure_table

        ensure_table(path)
        check_targets([path])
