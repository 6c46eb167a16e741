"""What broke last, by vehicle: kept in the user's folder for caches, never beside the car.

There is a file for each vehicle file, seed and logged drive of which something is broken. A check
takes out of it the cases that it ran, and puts in those of them that broke.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

from linkloss.campaign.result import CheckReport
from linkloss.problem import BadInput
from linkloss.report.files import write_whole
from linkloss.shipped import cache_folder

MOST = 300
"""How many cases are remembered; the one that shows a rule best comes before others."""


class Remembered:
    """The cases of a vehicle, with one seed and drive, that broke when they last ran."""

    def __init__(self, vehicle: Path, seed: int = 0, drive: Path | None = None) -> None:
        places = [str(path.resolve()) for path in (vehicle, drive) if path is not None]
        name = sha256("\n".join([*places, str(seed)]).encode()).hexdigest()[:32]
        self._vehicle = places[0]
        self._file = cache_folder("broken") / f"{name}.json"

    def names(self) -> tuple[str, ...]:
        """Their names, that of the best case of each broken rule first."""
        try:
            return tuple(map(str, json.loads(self._file.read_text(encoding="utf-8"))["cases"]))
        except (OSError, ValueError, KeyError, TypeError):  # there is none, or it is not ours
            return ()

    def note(self, report: CheckReport, gone: Collection[str] = ()) -> None:
        """Take in a report, and forget the cases ``gone``: the vehicle has them no more.

        Raises BadInput if it cannot be kept.
        """
        ran = {*gone, *(case.name for case in report.cases)}
        best = [finding.case.name for finding in report.findings]
        broken = [case.name for case in report.cases if case.is_broken]
        before = [name for name in self.names() if name not in ran]
        kept = list(dict.fromkeys([*best, *broken, *before]))[:MOST]
        try:
            if kept:
                self._file.parent.mkdir(parents=True, exist_ok=True)
            else:
                self._file.unlink(missing_ok=True)
        except OSError as error:
            raise BadInput.one(self._file, "", f"cannot be written: {error.strerror}") from None
        if kept:
            text = json.dumps({"vehicle": self._vehicle, "cases": kept}, indent=1)
            write_whole(self._file, text + "\n")
            _forget_those_of_gone_vehicles(self._file.parent)


def _forget_those_of_gone_vehicles(folder: Path) -> None:
    for file in folder.glob("*.json"):
        with suppress(OSError, ValueError, KeyError, TypeError):
            if not Path(json.loads(file.read_text(encoding="utf-8"))["vehicle"]).exists():
                file.unlink()
