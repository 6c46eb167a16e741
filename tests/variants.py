"""A program with one mistake written into its source, and what gives the mistake away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from demo_cases import narrow

from linkloss.campaign.result import CheckReport
from linkloss.session import ready
from linkloss.vehicle.loading import Vehicle

Change = tuple[str, str]
"""Text of the source, which stands there once, and what stands there instead."""
ROLL_OVER = '[nodes.rear.target]\nclock_start = "4294966.1 s"'
"""The millisecond counter rolls over 1.2 s after power-up."""


@dataclass(frozen=True)
class Variant:
    """What is written otherwise, the case of the demo car's check in which it shows, and where."""

    name: str
    changes: tuple[Change, ...]
    kind: str
    situation: str
    subject: str
    rule: str
    tables: str = ""
    """What the vehicle file says besides."""
    more: str = ""
    """What the node's table says besides."""
    at: str = ""
    """The node or message that the fault concerns; default: whichever."""

    def written(self, source: Path, folder: Path) -> Path:
        """The source with the mistake in it, as a file in a folder."""
        text = source.read_text(encoding="utf-8")
        for old, new in self.changes:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        path = folder / f"{self.name}{source.suffix}"
        path.write_text(text, encoding="utf-8")
        return path

    def check(self, vehicle: Vehicle) -> CheckReport:
        """The check of a car with this program, up to the case in which the mistake shows."""
        ready(vehicle)
        return narrow(vehicle, [self.kind], [self.situation], self.at, until=self.shows)

    def shows(self, report: CheckReport) -> bool:
        """Whether a finding tells of the mistake."""
        return (self.subject, self.rule) in rows(report)


def rows(report: CheckReport) -> set[tuple[str, str]]:
    """Subject and rule of each finding."""
    return {(finding.verdict.subject, finding.verdict.rule) for finding in report.findings}


QUICK = 6
"""So many of a list are tried each time, all of them where the long tests run."""


def params(wrong: Sequence[Variant]) -> list[Any]:
    """The parameters of a test that tries each of them."""
    return [
        pytest.param(each, id=each.name, marks=() if place < QUICK else pytest.mark.slow)
        for place, each in enumerate(wrong)
    ]
