"""Which lines of a program run in a case.

A program in C counts its lines as for ``--coverage``. One in Python tells of each statement before
it begins.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from pathlib import Path

from linkloss.firmware.coverage import Lines, lines_run

RunLines = Mapping[str, frozenset[int]]
"""Numbers of lines, from 1 on, by source."""


class Probe(ABC):
    """Tells which lines of a program run."""

    @abstractmethod
    def begin(self) -> None:
        """From now on lines count that run in this process, and in those that it forks."""

    @abstractmethod
    def ran(self) -> RunLines:
        """The lines that ran since then or since this was last called."""

    @abstractmethod
    def known(self) -> RunLines:
        """The lines of which it can tell."""


class PythonProbe(Probe):
    """The lines at which statements of a program in Python began."""

    def __init__(self, name: str, lines: frozenset[int]) -> None:
        self._name = name
        self._known = lines
        self._reached: set[int] = set()
        self._always: frozenset[int] = frozenset()
        self.reached = self._reached.add

    def always(self) -> None:
        """What has run so far ran when the program was imported, before any case."""
        self._always = frozenset(self._reached)

    def begin(self) -> None:
        self._reached.clear()

    def ran(self) -> RunLines:
        found = self._always.union(self._reached)
        self._reached.clear()
        return {self._name: found}

    def known(self) -> RunLines:
        return {self._name: self._known}


class FirmwareProbe(Probe):
    """The lines of a program in C that ran, as its compiler counts them."""

    def __init__(self, program: Path, folder: Path, names: Mapping[str, str]) -> None:
        """``folder`` is for the counts; ``names`` are those of the sources by their paths."""
        self._program = program
        self._folder = folder
        self._names = names
        self._counts = folder

    def begin(self) -> None:
        self._counts = Path(tempfile.mkdtemp(prefix="lines-", dir=self._folder))
        os.environ["GCOV_PREFIX"] = str(self._counts)  # read by the program when it ends

    def ran(self) -> RunLines:
        found = {name: frozenset(lines.ran) for name, lines in self._lines(self._counts)}
        shutil.rmtree(self._counts)
        self._counts.mkdir()
        return found

    def known(self) -> RunLines:
        with tempfile.TemporaryDirectory(dir=self._folder) as empty:
            told = self._lines(Path(empty))
            return {name: frozenset((*lines.ran, *lines.missed)) for name, lines in told}

    def _lines(self, counts: Path) -> Iterator[tuple[str, Lines]]:
        for lines in lines_run(counts, [self._program]):
            name = self._names.get(lines.file)
            if name is not None:
                yield name, lines
