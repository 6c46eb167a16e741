"""How a check builds programs in C, and what it then shows of their lines."""

from __future__ import annotations

import atexit
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import TYPE_CHECKING

from linkloss.cli.common import bad

if TYPE_CHECKING:
    from rich.console import Console

    from linkloss.campaign.result import CheckReport
    from linkloss.firmware.build import BuildOptions


def build_options(*, sanitize: bool, coverage: bool, workers: str | None) -> BuildOptions | None:
    """How programs in C are built. What they count is kept until this process ends."""
    if not sanitize and not coverage:
        return None
    if coverage and workers is not None:
        raise bad("--coverage", "counts on this machine only; expected no '--workers' beside it")
    from linkloss.firmware.build import BuildOptions  # noqa: PLC0415
    from linkloss.firmware.coverage import counting  # noqa: PLC0415
    from linkloss.firmware.problem import BuildError  # noqa: PLC0415

    held = ExitStack()
    atexit.register(held.close)
    try:
        folder = held.enter_context(counting()) if coverage else None
    except BuildError as error:
        raise bad("--coverage", str(error)) from None
    return BuildOptions(sanitize=sanitize, coverage=folder)


def lines_part(report: CheckReport) -> Iterator[Callable[[Console], None]]:
    """The part of the screen that lists the lines of firmware, if they were counted."""
    build = report.vehicle.build
    if build is None or build.coverage is None:
        return
    from linkloss.firmware.coverage import lines_run  # noqa: PLC0415
    from linkloss.model.programs import program_file  # noqa: PLC0415
    from linkloss.report.coverage import show_coverage  # noqa: PLC0415

    compiled = [name for name, node in report.vehicle.nodes.items() if node.c]
    files = [program_file(report.vehicle.programs[name]) for name in compiled]
    sources = lines_run(build.coverage, [path for path in files if path is not None])
    yield lambda console: show_coverage(console, sources)
