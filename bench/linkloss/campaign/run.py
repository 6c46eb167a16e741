"""Running one scenario and judging it; judging a recording again, by the rules that its vehicle has
today or by those of another vehicle.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from pydantic import TypeAdapter

from linkloss.campaign.reach import Point, points_of
from linkloss.campaign.result import CaseResult, RunDocument, RunResult
from linkloss.document import read_back, read_text
from linkloss.judge import Outcome, Verdict, judge
from linkloss.judge.evidence import Evidence
from linkloss.judge.flashing import mean_rate, whole_cycles
from linkloss.judge.reported import judge_real
from linkloss.judge.verdict import Cause
from linkloss.problem import BadInput
from linkloss.recording import Outside, Recording, recording_in
from linkloss.scenario import Expectation, Scenario, TimedAction
from linkloss.session import simulate
from linkloss.units import show_duration
from linkloss.vehicle.loading import Vehicle, load_vehicle


def run(scenario: Scenario, *, paced: bool = False, bits: bool = False) -> RunResult:
    """Run a scenario in virtual time and judge every rule of its vehicle. ``paced``: no faster than
    real time; the result is the same. ``bits``: also record the bus bit by bit.
    """
    return judged(scenario, simulate(scenario, paced=paced, bits=bits))


def judged(
    scenario: Scenario, recording: Recording, done: Callable[[float], object] = lambda _: None
) -> RunResult:
    """Judge a recording of a scenario. ``done`` is called now and then with the share of the work
    that is done, 0 to 1.
    """
    verdicts = judge(scenario.vehicle, recording, done=done)
    if scenario.outside is not None:
        verdicts += judge_real(scenario.vehicle, recording, scenario.outside)
    return RunResult(
        scenario, recording, tuple(verdicts), tuple(_expectations(scenario, recording))
    )


def run_case(scenario: Scenario) -> CaseResult:
    """Run a case of a check in this process, from power-up."""
    return case_result(scenario, simulate(scenario))


def case_result(
    scenario: Scenario, recording: Recording, evidence: Evidence | None = None
) -> CaseResult:
    """Judge a case's recording and keep only what a report needs: verdicts on rules that were not
    exercised are dropped. ``evidence`` is what has already been read of the recording.

    Of a long beginning without a fault only the last :data:`LEAD_NS` are judged with the case; all
    of it is judged in the case that runs its situation without a fault, which every check has.
    """
    vehicle = scenario.vehicle
    start_ns = max(0, scenario.parts_ns - LEAD_NS) if scenario.faults else 0
    verdicts = tuple(
        verdict
        for verdict in judge(vehicle, recording, evidence, start_ns)
        if verdict.outcome is not Outcome.NOT_EXERCISED
    )
    points = points_of(vehicle, recording, verdicts)
    return result_of(scenario, len(recording.frames), verdicts, points)


LEAD_NS = 10_000_000_000
"""How long before its first fault a case begins to be judged, in ns."""


def failed_case(scenario: Scenario, text: str) -> CaseResult:
    """The result of a case whose process gave none: one broken rule, ``program`` of ``PROCESS``."""
    at_ns = scenario.first_fault_ns or 0
    verdict = Verdict(
        PROCESS, "program", Outcome.BROKEN, at_ns=at_ns, cause=Cause.TOLD, observed=text
    )
    return result_of(scenario, 0, (verdict,))


PROCESS = "(process)"
"""The subject of a verdict on a case that crashed or hung its process."""


def result_of(
    scenario: Scenario,
    frames: int,
    verdicts: tuple[Verdict, ...],
    points: tuple[Point, ...] = (),
) -> CaseResult:
    """What is kept of a case: what was judged in it, and how many frames were on the bus."""
    return CaseResult(
        name=scenario.name,
        situation=scenario.situation,
        fault=scenario.kinds,
        text=" and ".join(timed.fault.describe() for timed in scenario.faults),
        fault_ns=scenario.first_fault_ns,
        simulated_ns=scenario.lasts_ns,
        frames=frames,
        verdicts=verdicts,
        points=points,
    )


def _expectations(scenario: Scenario, recording: Recording) -> Iterator[Verdict]:
    for entry in scenario.expectations:
        wrong = _wrong_at(entry, scenario, recording)
        yield expected_verdict(entry, *(wrong or (None, "")))


def expected_verdict(entry: Expectation, at_ns: int | None, was: str) -> Verdict:
    """The verdict on an expectation; ``at_ns`` is None if it was met."""
    if at_ns is None:
        return Verdict(entry.load, "expected", Outcome.KEPT)
    return Verdict(
        entry.load, "expected", Outcome.BROKEN, at_ns=at_ns,
        cause=Cause.NOT_EXPECTED, observed=was, allowed=entry.state, about=(show_duration(at_ns),),
    )  # fmt: skip


def _wrong_at(
    entry: Expectation, scenario: Scenario, recording: Recording
) -> tuple[int, str] | None:
    """Where an expectation is first not met: the instant in ns, and what the load did. The end of a
    span does not count: what happens there may be what ends it.
    """
    actual = recording.outputs[entry.load]
    if entry.state == "flash":
        rule = scenario.vehicle.loads[entry.load].flash
        span_ns = 2 * rule.longest_period_ns if rule is not None else 2_000_000_000
        cycles = whole_cycles(
            actual, entry.from_ns - span_ns, min(recording.end_ns, entry.to_ns + span_ns)
        )
        if not cycles:
            return entry.from_ns, "not flashing"
        rate = mean_rate(cycles)
        low, high = rule.per_minute if rule is not None else (60.0, 120.0)
        return None if low <= rate <= high else (entry.from_ns, f"flashing {rate:.0f} per minute")
    for from_ns, to_ns, level in actual.stretches(recording.end_ns + 1):
        inside = from_ns < max(entry.to_ns, entry.from_ns + 1) and to_ns > entry.from_ns
        if inside and ("on" if level > 0 else "off") != entry.state:
            return max(from_ns, entry.from_ns), "on" if level > 0 else "off"
    return None


def judged_again(path: str | Path, vehicle: str | Path | None = None) -> RunResult:
    """Judge the run in a JSON file again; nothing is simulated.

    :param vehicle: the vehicle file; None takes the one that the recording names.
    :raises BadInput: for a file that is not a recording, or that is one of another vehicle.
    """
    content = read_text(Path(path), "the JSON of a run")
    recording, named = recording_in(content, path)
    found = read_back(TypeAdapter(RunDocument), content, path, "recording")
    loaded = load_vehicle(_vehicle(Path(path), named, vehicle))
    _ensure_fits(path, recording, loaded)
    return judged(scenario_of(found, recording, loaded), recording)


def scenario_of(document: RunDocument, recording: Recording, vehicle: Vehicle) -> Scenario:
    """What was run, as far as its result says; the faults are only in the recording."""
    real = document.real
    return Scenario(
        name=document.scenario,
        title=document.title,
        vehicle=vehicle,
        situation=document.situation,
        inputs=document.beginning,
        actions=tuple(TimedAction(entry.at_ns, entry.values) for entry in recording.actions),
        faults=(),
        lasts_ns=recording.end_ns,
        seed=recording.seed,
        expectations=tuple(
            Expectation(entry.load, entry.state, entry.from_ns, entry.to_ns)
            for entry in document.expected
        ),
        outside=None
        if real is None
        else Outside(nodes=real.nodes, delay_ns=real.delay_ns, doubt=real.doubt),
    )


def _vehicle(path: Path, named: object, given: str | Path | None) -> str | Path:
    if given is not None:
        return given
    for place in (Path(str(named)), path.parent / str(named)):
        if place.is_file():
            return place
    text = f"its vehicle file '{named}' is not there; expected '--vehicle FILE'"
    raise BadInput.one(path, "vehicle_file", text)


def _ensure_fits(path: str | Path, recording: Recording, vehicle: Vehicle) -> None:
    """A recording of other nodes, inputs or loads says nothing about this vehicle."""
    simulated = {n for n, load in vehicle.loads.items() if load.node not in recording.logged}
    lines = {(name, node) for name, table in vehicle.inputs.items() for node in table.wired_to}
    fits = {
        "nodes": set(recording.nodes) == set(vehicle.nodes),
        "inputs": set(recording.inputs) == set(vehicle.inputs) and set(recording.seen) == lines,
        "loads": set(recording.outputs) == simulated,
    }
    for what, same in fits.items():
        if not same:
            text = f"the recording has other {what} than the vehicle '{vehicle.path}'"
            raise BadInput.one(path, "", text)
