"""From one run, of a scenario or of whatever else gives a recording with verdicts, to a page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from linkloss.campaign.result import CAUTION, EXIT_KEPT, RunResult
from linkloss.judge.verdict import Outcome, Verdict
from linkloss.model.units import show_duration
from linkloss.report.files import write_whole
from linkloss.report.html.facts import MODEL, digests, run_facts
from linkloss.report.html.failsafe import load_sheets, untested_lines
from linkloss.report.html.matrix import run_matrix
from linkloss.report.html.render import render
from linkloss.report.html.scene import Place, look
from linkloss.report.html.sheet import Broken, Fact, Page, Part, Story
from linkloss.report.html.stories import anchor
from linkloss.report.html.traffic import traffic
from linkloss.report.timeline import outcome_of_run
from linkloss.report.words import run_sentence


def run_page(
    result: RunResult,
    *,
    command: str = "",
    parts: Sequence[Part] = (),
    warnings: Sequence[str] = (),
) -> Page:
    """The page of a run. ``command`` repeats it; ``parts`` are further sections, such as where
    its frames came from; ``warnings`` stand right under the verdict.
    """
    vehicle = result.scenario.vehicle
    broken = result.broken
    links = {(verdict.subject, verdict.rule): anchor(0) for verdict in broken}
    return Page(
        title=result.scenario.title or result.scenario.name,
        subtitle=vehicle.title,
        state=_state(result),
        verdict=outcome_of_run(result),
        facts=(*run_facts(result), Fact("", MODEL)),
        inputs=digests(vehicle),
        caution=CAUTION,
        vehicle=str(vehicle.path),
        warnings=tuple(warnings),
        matrix=run_matrix(result, links),
        stories=(_story(result, broken, command),),
        untested=untested_lines(
            vehicle,
            (
                (verdict.subject, verdict.rule)
                for verdict in result.verdicts
                if verdict.outcome is Outcome.NOT_EXERCISED
            ),
        ),
        loads=load_sheets(vehicle, result.verdicts),
        traffic=traffic(vehicle, result.recording, "this run") if _seen(result) else None,
        parts=(*_expectations(result), *parts),
    )


def write_run_page(
    result: RunResult, path: Path, *, command: str = "", parts: Sequence[Part] = ()
) -> None:
    """Write the page of a run whole; as :func:`run_page`. Raises BadInput when the place cannot
    be written to.
    """
    write_whole(path, render(run_page(result, command=command, parts=parts)))


def _state(result: RunResult) -> str:
    if result.broken:
        return "broken"
    return "kept" if result.exit_code == EXIT_KEPT else "untested"


def _story(result: RunResult, broken: Sequence[Verdict], command: str) -> Story:
    told = tuple(_broken(result, verdict) for verdict in broken)
    places = [Place(verdict.subject, verdict.rule, verdict.at_ns) for verdict in broken]
    return Story(
        anchor=anchor(0),
        title=told[0].sentence if told else "What happened",
        broken=told,
        situation=result.scenario.situation,
        command=command,
        scene=look(result, places) if _seen(result) else None,
        note="" if _seen(result) else "There is no picture: nothing came back of this run.",
    )


def _seen(result: RunResult) -> bool:
    """Whether there is a recording at all: of a process that was brought down there is none."""
    return bool(result.recording.nodes)


def _broken(result: RunResult, verdict: Verdict) -> Broken:
    if verdict.rule == "expected":
        return Broken(verdict.subject, verdict.rule, f"{verdict.subject} {verdict.text}")
    return Broken(verdict.subject, verdict.rule, run_sentence(result, verdict))


def _expectations(result: RunResult) -> Iterator[Part]:
    rows = tuple(
        (
            verdict.outcome.value,
            entry.load,
            entry.state,
            show_duration(entry.from_ns),
            show_duration(entry.to_ns),
            verdict.text,
        )
        for entry, verdict in zip(result.scenario.expectations, result.expected, strict=True)
    )
    if rows:
        columns = ("outcome", "load", "expected", "from", "to", "what it did")
        yield Part("What the scenario expects", columns=columns, rows=rows)
