"""How far a check has come, on the terminal's error stream; silent where nobody watches."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import IO

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TextColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from linkloss.wallclock import monotonic_seconds

Report = Callable[[int, int | None], None]
_REFRESH_S = 0.1


class RateColumn(ProgressColumn):
    """Cases, or whatever the unit is, per second of real time."""

    def __init__(self, unit: str) -> None:
        super().__init__()
        self.unit = unit

    def render(self, task: Task) -> Text:
        """The rate, empty until there is one."""
        speed = task.finished_speed or task.speed
        return Text("" if speed is None else f"{speed:.{0 if speed >= 10 else 1}f} {self.unit}/s")


@contextmanager
def progress_of_check(
    *, quiet: bool, stream: IO[str] | None = None, doing: str = "checking", unit: str = "cases"
) -> Iterator[Report | None]:
    """A function ``(done, total)`` that moves a bar, ``total`` None where nobody knows it; None
    when quiet or not on a terminal. The bar says what is being done, and counts units.
    """
    stream = sys.stderr if stream is None else stream
    if quiet or not stream.isatty():
        yield None
        return
    columns = (
        TextColumn(doing),
        BarColumn(),
        MofNCompleteColumn(),
        RateColumn(unit),
        TimeRemainingColumn(),
    )
    # No thread refreshes the bar: a program with one thread only can fork its cases.
    with Progress(
        *columns,
        console=Console(file=stream),
        transient=True,
        get_time=monotonic_seconds,
        auto_refresh=False,
    ) as bar:
        task = bar.add_task(doing, total=None)
        shown_s = 0.0

        def report(done: int, total: int | None) -> None:
            nonlocal shown_s
            bar.update(task, completed=done, total=total)
            if done == total or monotonic_seconds() - shown_s >= _REFRESH_S:
                shown_s = monotonic_seconds()
                bar.refresh()

        yield report
