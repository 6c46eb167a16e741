"""One run on the screen: what happened, in order of time, and what the judge says of it."""

from __future__ import annotations

from rich.console import Console

from linkloss.campaign.result import RunResult
from linkloss.judge import Outcome, Verdict
from linkloss.model.units import plain, show_duration
from linkloss.report.events import Event, events
from linkloss.report.screen import STYLES, bullet, caution, hanging, heading, paragraph
from linkloss.report.words import count, run_sentence, short_margin
from linkloss.scenario import Expectation

_INSTANT_WIDTH = 11
"""Up to 9999 seconds."""


def show_run(
    console: Console, result: RunResult, *, quiet: bool = False, verbose: bool = False
) -> None:
    """Show a run. ``quiet`` leaves out the timeline and what was kept, ``verbose`` adds what was
    not put to the test.
    """
    scenario = result.scenario
    paragraph(console, scenario.title or scenario.name, style="bold")
    paragraph(
        console,
        f"{scenario.vehicle.title} ({scenario.vehicle.path}), {show_duration(scenario.lasts_ns)},"
        f" seed {scenario.seed}",
    )
    if not quiet:
        show_events(console, result)
    show_verdicts(console, result, quiet=quiet, verbose=verbose)
    caution(console)


def show_events(console: Console, result: RunResult) -> None:
    """The inputs at the beginning, and all that happened, in order of time."""
    _beginning(console, result)
    console.print()
    event_lines(console, events(result))


def show_verdicts(
    console: Console, result: RunResult, *, quiet: bool = False, verbose: bool = False
) -> None:
    """What broke, what was kept, the expectations, the totals."""
    _broken(console, result)
    if not quiet:
        _kept(console, result)
    if verbose:
        _untested(console, result)
    _expectations(console, result, quiet=quiet)
    _totals(console, result)


def _beginning(console: Console, result: RunResult) -> None:
    inputs = result.scenario.inputs
    if inputs:
        listed = ", ".join(f"{name} = {plain(value)}" for name, value in inputs.items())
        paragraph(console, f"at the beginning: {listed}")


def event_lines(console: Console, found: list[Event]) -> None:
    """The timeline: one paragraph for each event, behind its instant."""
    for event in found:
        prefix = f"{instant(event.at_ns):>{_INSTANT_WIDTH}}  "
        hanging(console, prefix, event.text, style=event.style)


def instant(at_ns: int) -> str:
    """An instant in seconds to a tenth of a millisecond, cut off rather than rounded."""
    tenths = at_ns // 100_000
    return f"{tenths // 10_000}.{tenths % 10_000:04d} s"


def _broken(console: Console, result: RunResult) -> None:
    broken = [verdict for verdict in result.verdicts if verdict.broken]
    if not broken:
        return
    heading(console, f"Broken: {count(len(broken), 'rule')}")
    for verdict in broken:
        bullet(console, run_sentence(result, verdict), style=STYLES["broken"])


def _kept(console: Console, result: RunResult) -> None:
    kept = [verdict for verdict in result.verdicts if verdict.outcome is Outcome.KEPT]
    if not kept:
        return
    heading(console, f"Kept: {count(len(kept), 'rule')}, with the margins")
    by_subject: dict[str, list[Verdict]] = {}
    for verdict in kept:
        by_subject.setdefault(verdict.subject, []).append(verdict)
    for subject, verdicts in by_subject.items():
        rules = ", ".join(_with_margin(verdict) for verdict in verdicts)
        bullet(console, f"{subject}: {rules}")


def _untested(console: Console, result: RunResult) -> None:
    by_subject: dict[str, list[str]] = {}
    for verdict in result.verdicts:
        if verdict.outcome is Outcome.NOT_EXERCISED:
            by_subject.setdefault(verdict.subject, []).append(verdict.rule)
    if by_subject:
        number = sum(map(len, by_subject.values()))
        heading(console, f"Not exercised in this run: {count(number, 'rule')}")
        for subject, rules in by_subject.items():
            text = f"{subject}: {', '.join(rules)}"
            bullet(console, text, style=STYLES["not exercised"])


def _with_margin(verdict: Verdict) -> str:
    if verdict.margin_ns is None:
        return verdict.rule
    return f"{verdict.rule} {short_margin(verdict.margin_ns)}"


def _expectations(console: Console, result: RunResult, *, quiet: bool) -> None:
    pairs = list(zip(result.scenario.expectations, result.expected, strict=True))
    if quiet:
        pairs = [(entry, verdict) for entry, verdict in pairs if verdict.broken]
    if not pairs:
        return
    heading(console, "Expectations")
    for entry, verdict in pairs:
        word = verdict.outcome.value
        bullet(console, f"{word}: {_expectation(entry, verdict)}", style=STYLES[word])


def _expectation(entry: Expectation, verdict: Verdict) -> str:
    text = expectation_text(entry)
    return f"{text}; {verdict.text}" if verdict.text else text


def expectation_text(entry: Expectation) -> str:
    """An expectation in words: ``tail_left on from 300 ms to 1.4 s``."""
    when = f"at {show_duration(entry.from_ns)}"
    if entry.to_ns != entry.from_ns:
        when = f"from {show_duration(entry.from_ns)} to {show_duration(entry.to_ns)}"
    return f"{entry.load} {entry.state} {when}"


def _totals(console: Console, result: RunResult) -> None:
    outcomes = [verdict.outcome for verdict in result.verdicts]
    frames = result.recording.frames
    failed = sum(1 for record in frames if record.error is not None)
    heading(console, outcome_of_run(result))
    paragraph(
        console,
        f"rules: {outcomes.count(Outcome.KEPT)} kept, {outcomes.count(Outcome.BROKEN)} broken,"
        f" {outcomes.count(Outcome.NOT_EXERCISED)} not exercised in this run",
    )
    good = count(len(frames) - failed, "frame")
    bad = f", and {count(failed, 'attempt')} that failed" if failed else ""
    paragraph(console, f"on the bus: {good}{bad}")


def outcome_of_run(result: RunResult) -> str:
    """What a run amounts to, in one sentence."""
    rules = sum(1 for verdict in result.verdicts if verdict.broken)
    hopes = sum(1 for verdict in result.expected if verdict.broken)
    if rules or hopes:
        parts = [count(rules, "rule")] if rules else []
        parts += [count(hopes, "expectation")] if hopes else []
        return f"{' and '.join(parts)} broken."
    if result.exit_code:
        return "Nothing was put to the test."
    return "Nothing that was put to the test broke."
