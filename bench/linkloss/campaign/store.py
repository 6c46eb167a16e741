"""Results of cases on disk, one line of JSON each: a long check needs no more memory than a short
one, and an interrupted one can go on.

Baselines: the results of a check, saved to find out later what has changed.
"""

from __future__ import annotations

import json
import weakref
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Any, NamedTuple

from linkloss.campaign.result import CaseResult, CheckReport
from linkloss.campaign.selection import content
from linkloss.judge import Outcome, Verdict
from linkloss.problem import BadInput
from linkloss.vehicle.loading import Vehicle

_CASE_FIELDS = (
    "name", "situation", "fault", "text", "fault_ns", "simulated_ns", "frames",
)  # fmt: skip


class CaseStore(Collection[CaseResult]):
    """Case results appended to a file as they come; they can be read any number of times, in the
    order of :meth:`arrange`.
    """

    def __init__(self, file: IO[str] | None = None) -> None:
        """Keep the lines in an open file (text, read and write), or in a temporary one."""
        self._file = TemporaryFile("w+", encoding="utf-8") if file is None else file  # noqa: SIM115
        self._starts: list[int] = []
        self._end = self._file.tell()
        self._places: Sequence[int] | None = None
        self._closing = weakref.finalize(self, self._file.close)

    @classmethod
    def at(cls, path: Path, identity: str, *, resume: bool) -> CaseStore:
        """Keep the lines in a file whose first line says what they are results of.

        With ``resume`` the existing results stay, except for a line that was cut off while it was
        being written. Raises BadInput for a file that is not writable, or that holds the results of
        something else.
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
            raise BadInput.one(path, "", f"{text}; without --resume it is overwritten")
        store = cls(file)
        store._find_lines()
        return store

    def _find_lines(self) -> None:
        """Find the complete lines, and cut off what follows them."""
        for line in iter(self._file.readline, ""):
            if not line.endswith("\n"):
                break
            self._starts.append(self._end)
            self._end = self._file.tell()
        self._file.seek(self._end)
        self._file.truncate()

    def arrange(self, places: Sequence[int]) -> None:
        """Have the results read in another order than the one in which they come: result number
        ``n`` to come, earlier ones counted, has place ``places[n]``.
        """
        self._places = places

    def append(self, case: CaseResult) -> None:
        """Add a result; it has been handed to the system when this returns."""
        self._file.seek(self._end)
        self._file.write(json.dumps(_line(case), separators=(",", ":")) + "\n")
        self._file.flush()
        self._starts.append(self._end)
        self._end = self._file.tell()

    def __len__(self) -> int:
        return len(self._starts)

    def __contains__(self, case: object) -> bool:
        return any(case == found for found in self)

    def __iter__(self) -> Iterator[CaseResult]:
        order = range(len(self))
        numbers = order if self._places is None else sorted(order, key=self._places.__getitem__)
        for number in numbers:
            self._file.seek(self._starts[number])
            yield _case(json.loads(self._file.readline()))


def _line(case: CaseResult) -> list[Any]:
    """A result as plain values, in the order of its fields; verdicts and points come last."""
    verdicts = [verdict.row() for verdict in case.verdicts]
    return [*(getattr(case, name) for name in _CASE_FIELDS), verdicts, case.points]


def _case(line: list[Any]) -> CaseResult:
    """The result in a line."""
    *fields, verdicts, points = line
    return CaseResult(
        **dict(zip(_CASE_FIELDS, fields, strict=True)),
        verdicts=tuple(Verdict.from_row(row) for row in verdicts),
        points=tuple(tuple(point) for point in points),
    )


def identity(vehicle: Vehicle, choice: Mapping[str, Any]) -> str:
    """What some results are results of, in one line: the programs and files of the vehicle by
    their content, and the choice of cases.
    """
    drive = choice.get("drive")
    logged = {} if drive is None else {"log": sha256(Path(drive).read_bytes()).hexdigest()}
    return json.dumps(
        {
            "format": "linkloss results",
            "version": 3,
            "content": content(vehicle),
            **logged,
            **choice,
        },
        separators=(",", ":"),
        default=str,
    )


FORMAT, VERSION = "linkloss baseline", 1
Place = tuple[str, str]


class Standing(NamedTuple):
    """How a rule stood: its outcome, and its smallest margin where it has one."""

    outcome: Outcome
    margin_ns: int | None


class Change(NamedTuple):
    """A rule of a subject, before and after; None where it does not exist."""

    subject: str
    rule: str
    before: Standing | None
    after: Standing | None


@dataclass(frozen=True, slots=True)
class Changes:
    """What differs from a baseline. ``fallen`` holds kept rules whose margin has become smaller."""

    broken: tuple[Change, ...]
    kept: tuple[Change, ...]
    untested: tuple[Change, ...]
    fallen: tuple[Change, ...]
    gone: tuple[Change, ...]


def standings(report: CheckReport) -> dict[Place, Standing]:
    """How every rule of a check stands."""
    return {
        (entry.subject, entry.rule): Standing(entry.verdict.outcome, entry.verdict.margin_ns)
        for entry in report.rules
    }


def baseline_json(report: CheckReport) -> str:
    """A check's standings as a file for ``--against``."""
    rules = [
        [subject, rule, standing.outcome.value, standing.margin_ns]
        for (subject, rule), standing in standings(report).items()
    ]
    lines = ",\n    ".join(json.dumps(rule) for rule in rules)
    head = {"format": FORMAT, "version": VERSION, "vehicle": report.vehicle.title}
    fields = ",\n  ".join(f"{json.dumps(key)}: {json.dumps(value)}" for key, value in head.items())
    return f'{{\n  {fields},\n  "rules": [\n    {lines}\n  ]\n}}\n'


def read_baseline(path: Path) -> dict[Place, Standing]:
    """The standings in a file. Raises BadInput if it is missing or not a baseline."""
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadInput.one(path, "", f"cannot be read: {error.strerror}") from None
    except ValueError as error:
        raise BadInput.one(path, "", f"this is not valid JSON: {error}") from None
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        text = "this is not a baseline; expected a file that 'linkloss check --save' wrote"
        raise BadInput.one(path, "", text)
    if document.get("version") != VERSION:
        text = f"got version {document.get('version')}; expected {VERSION}: save it again"
        raise BadInput.one(path, "version", text)
    try:
        return {
            (str(subject), str(rule)): Standing(Outcome(outcome), margin_ns)
            for subject, rule, outcome, margin_ns in document["rules"]
        }
    except (KeyError, TypeError, ValueError) as error:
        raise BadInput.one(path, "rules", f"cannot be used: {error}") from None


def compare(before: Mapping[Place, Standing], after: Mapping[Place, Standing]) -> Changes:
    """What has changed from one check to the next, in the order of the later one."""
    changes = [
        Change(*place, before.get(place), standing)
        for place, standing in after.items()
        if before.get(place) != standing
    ]
    return Changes(
        broken=tuple(change for change in changes if _became(change, Outcome.BROKEN)),
        kept=tuple(change for change in changes if _became(change, Outcome.KEPT)),
        untested=tuple(change for change in changes if _became(change, Outcome.NOT_EXERCISED)),
        fallen=tuple(change for change in changes if _fell(change)),
        gone=tuple(
            Change(*place, standing, None)
            for place, standing in before.items()
            if place not in after
        ),
    )


def _became(change: Change, outcome: Outcome) -> bool:
    after = change.after is not None and change.after.outcome is outcome
    return after and (change.before is None or change.before.outcome is not outcome)


def _fell(change: Change) -> bool:
    before, after = change.before, change.after
    return (
        before is not None
        and after is not None
        and before.outcome is after.outcome is Outcome.KEPT
        and before.margin_ns is not None
        and after.margin_ns is not None
        and after.margin_ns < before.margin_ns
    )
