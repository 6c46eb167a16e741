"""A run as a text for a test report: first what broke, then what happened, with the breaks in it.

Whoever reads it has not opened another file yet, and should not have to.
"""

from __future__ import annotations

from collections.abc import Iterable
from io import StringIO

from rich.console import Console

from linkloss.campaign.result import RunResult
from linkloss.judge import Verdict
from linkloss.model.units import plain, show_duration
from linkloss.report.events import Event, events
from linkloss.report.screen import bullet, heading, make_console, paragraph
from linkloss.report.timeline import event_lines, expectation_text
from linkloss.report.words import count, run_sentence

WIDTH = 80
Place = tuple[str, str]


def story(result: RunResult, *, only: Place | None = None, again: str = "") -> str:
    """The text, in lines of 80 characters. ``only`` names the one rule that it is about, by
    subject and rule; ``again`` is the command that shows the run with all details.
    """
    out = StringIO()
    console = make_console(out, WIDTH)
    _beginning(console, result)
    _broken(console, result, only)
    heading(console, "What happened:")
    event_lines(console, events_with_breaks(result, only))
    if again:
        console.print()
        paragraph(console, f"Again, with all details: {again}")
    return out.getvalue().strip("\n")


def headline(result: RunResult) -> str:
    """The first break in one line, and how many more there are; empty when nothing broke."""
    texts = [text for _, text in _breaks(result)]
    further = f" (and {len(texts) - 1} more)" if len(texts) > 1 else ""
    return f"{texts[0]}{further}" if texts else ""


def events_with_breaks(result: RunResult, only: Place | None = None) -> list[Event]:
    """The timeline of a run with the instants at which rules and expectations broke in it, behind
    what happened at the same instant.
    """
    breaks = [
        Event(verdict.at_ns, f"BROKEN: {text}")
        for verdict, text in _breaks(result)
        if verdict.at_ns is not None and only in (None, (verdict.subject, verdict.rule))
    ]
    return sorted([*events(result), *breaks], key=lambda event: event.at_ns)


def _breaks(result: RunResult) -> Iterable[tuple[Verdict, str]]:
    for verdict in result.verdicts:
        if verdict.broken:
            yield verdict, run_sentence(result, verdict)
    for entry, verdict in zip(result.scenario.expectations, result.expected, strict=True):
        if verdict.broken:
            yield (
                verdict,
                f"expected {expectation_text(entry)}, but it {verdict.text.split(';')[0]}",
            )


def _beginning(console: Console, result: RunResult) -> None:
    scenario, recording = result.scenario, result.recording
    paragraph(console, scenario.title or scenario.name)
    vehicle = scenario.vehicle
    paragraph(console, f"{vehicle.title} ({vehicle.path}), {show_duration(recording.end_ns)}")
    if scenario.inputs:
        listed = ", ".join(f"{name} = {plain(value)}" for name, value in scenario.inputs.items())
        paragraph(console, f"at the beginning: {listed}")


def _broken(console: Console, result: RunResult, only: Place | None) -> None:
    found = list(_breaks(result))
    if only is not None:
        others = sum((verdict.subject, verdict.rule) != only for verdict, _ in found)
        if others:
            paragraph(console, f"{count(others, 'other rule')} broke in the same run")
    elif found:
        heading(console, "What broke:")
        for _, text in found:
            bullet(console, text)
