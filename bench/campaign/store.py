"""Results of cases on disk, a line of JSON for each: a long campaign needs no more memory than a
short one, and one that was interrupted can go on.
"""

from __future__ import annotations

import json
import weakref
from collections.abc import Collection, Iterator
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Any

from bench.campaign.result import CaseResult
from bench.judge import Outcome, Verdict

_CASE_FIELDS = (
    "name", "situation", "fault", "text", "fault_ns", "simulated_ns", "frames",
)  # fmt: skip


class CaseStore(Collection[CaseResult]):
    """Case results that were appended to a file, in order; read as often as one likes."""

    def __init__(self, path: Path | None = None) -> None:
        """Keep the lines in a file, or, without a path, in a temporary one."""
        self._file: IO[str] = (
            TemporaryFile("w+", encoding="utf-8")  # noqa: SIM115 - it lives as long as the store
            if path is None
            else path.open("a+", encoding="utf-8")
        )
        self._count = 0
        self._closing = weakref.finalize(self, self._file.close)

    def append(self, case: CaseResult) -> None:
        """Add a result."""
        self._file.seek(0, 2)
        self._file.write(json.dumps(case_line(case), separators=(",", ":")) + "\n")
        self._count += 1

    def __len__(self) -> int:
        return self._count

    def __contains__(self, case: object) -> bool:
        return any(case == found for found in self)

    def __iter__(self) -> Iterator[CaseResult]:
        self._file.flush()
        self._file.seek(0)
        for line in iter(self._file.readline, ""):
            yield read_case(json.loads(line))


def case_line(case: CaseResult) -> list[Any]:
    """A result as plain values, in the order of its fields; verdicts last."""
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
    return [*(getattr(case, name) for name in _CASE_FIELDS), verdicts]


def read_case(line: list[Any]) -> CaseResult:
    """The result that a line holds."""
    *fields, verdicts = line
    found = tuple(
        Verdict(subject, rule, Outcome(outcome), *rest)
        for subject, rule, outcome, *rest in verdicts
    )
    return CaseResult(**dict(zip(_CASE_FIELDS, fields, strict=True)), verdicts=found)
