"""Results of cases on disk, a line of JSON for each: a long campaign needs no more memory than a
short one, and one that was interrupted can go on.
"""

from __future__ import annotations

import json
import weakref
from collections.abc import Collection, Iterator, Mapping
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Any

from linkloss.campaign.order import content
from linkloss.campaign.result import CaseResult
from linkloss.judge import Outcome, Verdict
from linkloss.model.loading import Vehicle
from linkloss.model.problem import BadInput

_CASE_FIELDS = (
    "name", "situation", "fault", "text", "fault_ns", "simulated_ns", "frames",
)  # fmt: skip


class CaseStore(Collection[CaseResult]):
    """Case results that were appended to a file, in order; read as often as one likes."""

    def __init__(self, file: IO[str] | None = None) -> None:
        """Keep the lines in an open file (text, read and write), or in a temporary one."""
        self._file = TemporaryFile("w+", encoding="utf-8") if file is None else file  # noqa: SIM115
        self._start = self._file.tell()
        self._count = 0
        self._closing = weakref.finalize(self, self._file.close)

    @classmethod
    def at(cls, path: Path, identity: str, *, resume: bool) -> CaseStore:
        """Keep the lines in a file whose first line says what they are results of.

        With ``resume`` the results that are there already stay; a line that was cut off while it
        was being written goes. Raises BadInput for a file that is not writable, or that holds
        the results of something else.
        """
        try:
            if not resume or not path.exists():
                file = path.open("w+", encoding="utf-8")
                file.write(identity + "\n")
                return cls(file)
            file = path.open("r+", encoding="utf-8")
        except OSError as error:
            raise BadInput.one(path, "", f"cannot be written: {error.strerror}") from None
        if file.readline() != identity + "\n":
            file.close()
            text = "holds the results of something else (another vehicle, seed, depth or version)"
            raise BadInput.one(path, "", f"{text}; without --resume it is begun anew")
        store = cls(file)
        store._count = store._whole_lines()
        return store

    def _whole_lines(self) -> int:
        """Count the complete lines, and cut off what follows them."""
        count, end = 0, self._start
        for line in iter(self._file.readline, ""):
            if not line.endswith("\n"):
                break
            count, end = count + 1, self._file.tell()
        self._file.seek(end)
        self._file.truncate()
        return count

    def append(self, case: CaseResult) -> None:
        """Add a result; it is on disk when this returns."""
        self._file.seek(0, 2)
        self._file.write(json.dumps(_line(case), separators=(",", ":")) + "\n")
        self._file.flush()
        self._count += 1

    def __len__(self) -> int:
        return self._count

    def __contains__(self, case: object) -> bool:
        return any(case == found for found in self)

    def __iter__(self) -> Iterator[CaseResult]:
        self._file.seek(self._start)
        for line in iter(self._file.readline, ""):
            yield _case(json.loads(line))


def _line(case: CaseResult) -> list[Any]:
    """A result as plain values, in the order of its fields; verdicts and points last."""
    verdicts = [
        [
            verdict.subject,
            verdict.rule,
            verdict.outcome.value,
            verdict.margin_ns,
            verdict.at_ns,
            verdict.wrong_for_ns,
            verdict.text,
            verdict.culprit,
        ]
        for verdict in case.verdicts
    ]
    return [*(getattr(case, name) for name in _CASE_FIELDS), verdicts, case.points]


def _case(line: list[Any]) -> CaseResult:
    """The result that a line holds."""
    *fields, verdicts, points = line
    found = tuple(
        Verdict(subject, rule, Outcome(outcome), *rest)
        for subject, rule, outcome, *rest in verdicts
    )
    return CaseResult(
        **dict(zip(_CASE_FIELDS, fields, strict=True)),
        verdicts=found,
        points=tuple(tuple(point) for point in points),
    )


def identity(vehicle: Vehicle, choice: Mapping[str, Any]) -> str:
    """What results are results of, in one line: the programs and files of the vehicle by their
    content, and the choice of cases.
    """
    drive = choice.get("drive")
    logged = {} if drive is None else {"log": sha256(Path(drive).read_bytes()).hexdigest()}
    return json.dumps(
        {
            "format": "linkloss results",
            "version": 2,
            "content": content(vehicle),
            **logged,
            **choice,
        },
        separators=(",", ":"),
        default=str,
    )
