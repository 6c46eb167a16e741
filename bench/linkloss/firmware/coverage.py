"""Which lines of a firmware ran in a campaign, and which no case reached.

A firmware that is built for coverage adds its counts at the end of each run to files below one
folder, which all processes of a check share. gcov reads them afterwards.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from linkloss.firmware.build import BUILT_IN, BuildError, run_tool


class Lines(NamedTuple):
    """One source: the lines that ran and those that did not, in ascending order."""

    file: str
    ran: tuple[int, ...]
    missed: tuple[int, ...]


@contextmanager
def counting() -> Iterator[Path]:
    """A folder for the counts, which exists during a check.

    :raises BuildError: if gcov is not installed.
    """
    if shutil.which(_gcov()) is None:
        raise BuildError(f"there is no '{_gcov()}' on this machine; it comes with the compiler gcc")
    with tempfile.TemporaryDirectory(prefix="linkloss-lines-") as name:
        before = os.environ.get("GCOV_PREFIX")
        os.environ["GCOV_PREFIX"] = name  # read by the firmware when it writes its counts
        try:
            yield Path(name)
        finally:
            if before is None:
                del os.environ["GCOV_PREFIX"]
            else:
                os.environ["GCOV_PREFIX"] = before


def lines_run(folder: Path, programs: Iterable[Path]) -> list[Lines]:
    """Which lines ran in the sources of some firmwares.

    :param folder: the folder of :func:`counting`.
    :param programs: the shared objects of the firmwares.
    """
    counts: dict[str, dict[int, int]] = {}
    for program in sorted(set(programs)):
        for notes in sorted(program.parent.glob("*.gcno")):
            built_in = Path((program.parent / BUILT_IN).read_text(encoding="utf-8"))
            data = folder / (built_in / notes.name).relative_to("/").with_suffix(".gcda")
            _add(counts, notes, data)
    return [
        Lines(
            file,
            tuple(sorted(line for line, count in found.items() if count)),
            tuple(sorted(line for line, count in found.items() if not count)),
        )
        for file, found in sorted(counts.items())
    ]


def _add(counts: dict[str, dict[int, int]], notes: Path, data: Path) -> None:
    data.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(notes, data.with_suffix(".gcno"))
    subject = data if data.is_file() else data.with_suffix(".gcno")
    done = run_tool([_gcov(), "--json-format", "--stdout", str(subject)])
    for text in done.stdout.splitlines():
        for entry in json.loads(text)["files"]:
            if entry["file"].startswith("/usr/"):
                continue
            found = counts.setdefault(entry["file"], {})
            for line in entry["lines"]:
                number = line["line_number"]
                found[number] = found.get(number, 0) + line["count"]


def _gcov() -> str:
    return os.environ.get("GCOV", "gcov")


def ranges(numbers: tuple[int, ...]) -> str:
    """``(3, 4, 5, 9)`` as ``3-5, 9``."""
    spans: list[list[int]] = []
    for number in numbers:
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in spans)
