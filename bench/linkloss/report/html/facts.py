"""What a result rests on: what was tried, by which versions, from which files."""

from __future__ import annotations

import platform
from collections import Counter
from collections.abc import Iterator
from hashlib import sha256
from importlib.metadata import PackageNotFoundError, version
from inspect import getsourcefile, isclass
from pathlib import Path

from linkloss.campaign.result import CheckReport, RunResult
from linkloss.judge.verdict import Outcome
from linkloss.model.loading import Vehicle
from linkloss.model.units import show_duration
from linkloss.report.html.sheet import Digest, Fact
from linkloss.report.inputs import content_now
from linkloss.report.totals import totals
from linkloss.report.words import count

TOGETHER = "all of it together"
MODEL = (
    "Frames are exact to the bit and arbitrated as a whole; a supply is ideal unless the vehicle"
    " says how it is fed. What the model leaves out was not tested, whatever the table says."
)


def check_facts(report: CheckReport) -> Iterator[Fact]:
    """What a check tried, and how."""
    found = totals(report)
    planned = report.planned or found.cases
    cases = count(found.cases, "case")
    if found.cases < planned:
        cases = f"{found.cases} of {count(planned, 'case')}"
    kinds = [kind for kind in report.faults if kind != "none"]
    situations = {situation for situation, _ in report.tally.tried}
    yield Fact("tried", f"{cases}, {show_duration(found.simulated_ns)} simulated")
    yield Fact("kinds of faults", str(len(kinds)))
    yield Fact("situations", f"{len(situations)} of {len(report.vehicle.situations)}")
    rules = f"{found.kept} kept, {found.broken} broken, {found.not_exercised} not exercised"
    yield Fact("rules", rules)
    if found.smallest is not None:
        least = found.smallest
        text = f"{show_duration(least.margin_ns)}: {least.verdict.subject}, {least.verdict.rule}"
        yield Fact("smallest margin", text)
    yield Fact("seed", str(report.seed))
    yield from version_facts()


def run_facts(result: RunResult) -> Iterator[Fact]:
    """What a run was."""
    scenario = result.scenario
    times = Counter(fault.text for fault in result.recording.faults)
    faults = [text if n == 1 else f"{text} ({n} times)" for text, n in times.items()]
    outcomes = [verdict.outcome for verdict in result.verdicts]
    rules = ", ".join(f"{outcomes.count(outcome)} {outcome.value}" for outcome in Outcome)
    yield Fact("scenario", scenario.name)
    yield Fact("situation", scenario.situation or "none of the vehicle's")
    yield Fact("simulated", show_duration(result.recording.end_ns))
    yield Fact("faults", "; ".join(faults) or "none")
    yield Fact("rules", rules)
    yield Fact("frames", str(len(result.recording.frames)))
    yield Fact("seed", str(scenario.seed))
    yield from version_facts()


def version_facts() -> Iterator[Fact]:
    """With which versions a result was made."""
    known = [_version(name) for name in ("linkloss", "python-can", "cantools")]
    yield Fact("versions", ", ".join([*known, f"Python {platform.python_version()}"]))


def _version(name: str) -> str:
    try:
        return f"{name} {version(name)}"
    except PackageNotFoundError:
        return f"{name}, not installed"


def digests(vehicle: Vehicle) -> tuple[Digest, ...]:
    """The vehicle's file, its DBC and its programs with their SHA-256, and at the end one digest
    over these and all that the programs may import from their folders.
    """
    folder = vehicle.path.resolve().parent
    found = {vehicle.path, vehicle.path.parent / vehicle.file.dbc}
    sources = map(getsourcefile, filter(isclass, vehicle.programs.values()))
    found.update(Path(source) for source in sources if source is not None)
    found.update(vehicle.path.parent / name for node in vehicle.nodes.values() for name in node.c)
    files = {path.resolve() for path in found if path.is_file()}
    lines = [Digest(_called(path, folder), sha256(path.read_bytes()).hexdigest()) for path in files]
    together = content_now(vehicle)
    return (*sorted(lines), *([Digest(TOGETHER, together)] if together else []))


def _called(path: Path, folder: Path) -> str:
    """A name without a place on this machine: in the vehicle's folder, or by its own folder."""
    if path.is_relative_to(folder):
        return path.relative_to(folder).as_posix()
    return f"{path.parent.name}/{path.name}"
