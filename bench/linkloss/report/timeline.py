"""One run on the screen: what happened, in order of time, and the verdicts.

The timeline tells in a few words what a load did: flashing is one entry, not one for each edge.

:func:`story` gives a run as text for a test report: first what broke, then what happened, with the
breaks in it.

Its reader should not have to open another file.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from io import StringIO
from typing import NamedTuple

from rich.console import Console

from linkloss.bus.controller import ErrorState
from linkloss.campaign.mechanism import Diagnosis
from linkloss.campaign.result import RunResult
from linkloss.campaign.selection import absent_sentence
from linkloss.judge import Outcome, Verdict
from linkloss.recording import NodeChange, Recording, Series
from linkloss.report.advice import show_cause
from linkloss.report.screen import (
    STYLES,
    bullet,
    caution,
    hanging,
    heading,
    make_console,
    paragraph,
)
from linkloss.report.words import by_subject, count, run_sentence, short_margin
from linkloss.scenario import Expectation
from linkloss.units import plain, show_duration
from linkloss.vehicle.expression import split_signal

LONGEST_CYCLE_NS = 2_000_000_000
"""A load with a longer cycle than this (30 per minute) is switched, not flashing."""
FEWEST_FLASHES = 3
"""A load that comes on at least this often in a row is flashing."""


class Entry(NamedTuple):
    """What a load does from an instant on."""

    at_ns: int
    text: str


def spells(output: Series[float], end_ns: int) -> list[Entry]:
    """What an output did, from power-up to the end. Off from the beginning gives no entry."""
    edges = [(at_ns, level) for at_ns, level in output.changes() if at_ns <= end_ns]
    if edges and edges[0][1] <= 0:
        edges = edges[1:]
    found: list[Entry] = []
    index = 0
    while index < len(edges):
        taken = _flashing(edges, index)
        if taken:
            found += _flash_entries(edges[index : index + taken], end_ns)
            index += taken
        else:
            found.append(Entry(edges[index][0], level_word(edges[index][1])))
            index += 1
    return found


def _flashing(edges: Sequence[tuple[int, float]], start: int) -> int:
    """How many edges from ``start`` on belong to one spell of flashing; 0 when there is none."""
    rises = 0
    index = start
    while index < len(edges) and edges[index][1] > 0:
        if index > start and edges[index][0] - edges[index - 2][0] > LONGEST_CYCLE_NS:
            break
        rises += 1
        if index + 1 >= len(edges) or edges[index + 1][1] > 0:
            index += 1
            break
        index += 2
    return index - start if rises >= FEWEST_FLASHES else 0


def _flash_entries(edges: Sequence[tuple[int, float]], end_ns: int) -> Iterator[Entry]:
    rises = [at_ns for at_ns, level in edges if level > 0]
    cycle_ns = (rises[-1] - rises[0]) // (len(rises) - 1)
    yield Entry(rises[0], f"flashing, {round(60e9 / cycle_ns)} per minute")
    last_ns, level = edges[-1]
    if end_ns - last_ns > cycle_ns:
        yield Entry(last_ns, level_word(level))


def level_word(level: float) -> str:
    """A level in a word."""
    if level <= 0:
        return "off"
    return "on" if level >= 1 else f"on at {level:.0%}"


_FAULT, _TROUBLE = "bold magenta", "red"
_TAKEN_BY = {
    "fault": "taken by a fault",
    "start": "taken by the start of the engine",
    "car": "taken by the car itself, no fault",
}


class Event(NamedTuple):
    """An event of a run, with its instant."""

    at_ns: int
    text: str
    style: str = ""


def events(result: RunResult) -> list[Event]:
    """Actions, faults, nodes, controllers, loads and notices, in order of time.

    Events at one instant are in this order: cause before effect.
    """
    recording = result.recording
    found = [
        *_actions(recording),
        *_faults(recording),
        *_fuses(recording),
        *_nodes(recording),
        *_controllers(recording),
        *_prints(recording),
        *_loads(recording),
        *_notices(result),
    ]
    return sorted(found, key=lambda event: event.at_ns)


def _actions(recording: Recording) -> Iterator[Event]:
    for action in recording.actions:
        listed = ", ".join(f"{name} = {plain(value)}" for name, value in action.values.items())
        yield Event(action.at_ns, f"input {listed}", "bold")


def _faults(recording: Recording) -> Iterator[Event]:
    for fault in recording.faults:
        until = "" if fault.cleared_ns is not None else " (until the end)"
        cannot = ", ".join(fault.loads)
        if cannot:
            until += f"; hardware cannot: {cannot} judged by what the node drives"
        yield Event(fault.applied_ns, f"fault {fault.kind}: {fault.text}{until}", _FAULT)
        if fault.cleared_ns is not None and fault.cleared_ns != fault.applied_ns:
            lasted = show_duration(fault.cleared_ns - fault.applied_ns)
            text = f"fault {fault.kind} cleared after {lasted}: {fault.text}"
            yield Event(fault.cleared_ns, text, _FAULT)


def _fuses(recording: Recording) -> Iterator[Event]:
    for fuse in recording.fuses:
        why = "" if fuse.by == "fault" else " without any fault"
        ends = ", ".join((*(f"node {node}" for node in fuse.nodes), *fuse.loads))
        text = f"the fuse of {_fuse_name(fuse.what)} opened{why}: no current for {ends}"
        yield Event(fuse.at_ns, text, _TROUBLE)


def _fuse_name(what: str) -> str:
    """``feed of rear`` as the feed of a node, any other name as a load."""
    return f"the {what}" if what.startswith("feed of ") else what


def _nodes(recording: Recording) -> Iterator[Event]:
    crashed = {(crash.node, crash.at_ns) for crash in recording.crashes}
    together: dict[NodeChange, list[str]] = {}
    for node, changes in recording.nodes.items():
        for change in changes:
            if change.state == "crashed" and (node, change.at_ns) in crashed:
                continue
            together.setdefault(change, []).append(node)
    for (at_ns, state, cause, by), nodes in together.items():
        word = "node" if len(nodes) == 1 else "nodes"
        why = f"{cause}: {_TAKEN_BY.get(by, by)}" if by else cause
        text = f"{word} {', '.join(nodes)}: {state}" + (f" ({why})" if why else "")
        yield Event(at_ns, text, "" if state in ("reset", "running", "asleep") else _TROUBLE)
    for crash in recording.crashes:
        text = f"node {crash.node}: the program failed at {crash.where}: {crash.text}"
        yield Event(crash.at_ns, text, _TROUBLE)


def _controllers(recording: Recording) -> Iterator[Event]:
    for node, changes in recording.controllers.items():
        for change in changes:
            state = state_words(change.state)
            text = f"controller of {node}: {state} (TEC {change.tec}, REC {change.rec})"
            yield Event(change.at_ns, text, "" if change.state == "ACTIVE" else _TROUBLE)


def _prints(recording: Recording) -> Iterator[Event]:
    for line in recording.prints:
        yield Event(line.at_ns, f"node {line.node} prints: {line.text}", "dim")


def state_words(name: str) -> str:
    """The error state of a controller as the standard writes it."""
    known = ErrorState.__members__
    return known[name].value if name in known else name


def _loads(recording: Recording) -> Iterator[Event]:
    together: dict[tuple[int, str], list[str]] = {}
    for load, output in recording.outputs.items():
        for entry in spells(output, recording.end_ns):
            together.setdefault(entry, []).append(load)
    for (at_ns, text), loads in together.items():
        yield Event(at_ns, f"{', '.join(loads)}: {text}", "cyan")


def _notices(result: RunResult) -> Iterator[Event]:
    """When a notice is first handed over, and when it is withdrawn."""
    vehicle = result.scenario.vehicle
    for name, notice in vehicle.notices.items():
        message = split_signal(notice.signal)[0]
        _, signal = vehicle.signal(notice.signal)
        given = False
        for entry in result.recording.handed.get(message, []):
            if not entry.data or not signal.present(entry.data):
                continue
            now = signal.nonzero(entry.data)
            if now != given:
                word = "given" if now else "withdrawn"
                yield Event(entry.at_ns, f"notice {name}: {word} ({notice.signal})", "yellow")
            given = now


_INSTANT_WIDTH = 11
"""Characters, for up to 9999 seconds."""


def show_run(
    console: Console,
    result: RunResult,
    *,
    quiet: bool = False,
    verbose: bool = False,
    causes: Sequence[Diagnosis] = (),
) -> None:
    """Show a run. ``quiet`` leaves out the timeline and what was kept, ``verbose`` adds what was
    not exercised. ``causes``: why rules broke.
    """
    scenario = result.scenario
    paragraph(console, scenario.title or scenario.name, style="bold")
    paragraph(
        console,
        f"{scenario.vehicle.title} ({scenario.vehicle.path}), {show_duration(scenario.lasts_ns)},"
        f" seed {scenario.seed}",
    )
    if scenario.traffic is None:
        real = () if scenario.outside is None else scenario.outside.nodes
        absent = absent_sentence(scenario.vehicle, real)
        if absent:
            paragraph(console, absent, style=STYLES["not exercised"])
    if not quiet:
        show_events(console, result)
    show_verdicts(console, result, quiet=quiet, verbose=verbose, notes=verbose)
    for diagnosis in causes:
        console.print()
        show_cause(console, scenario.vehicle, diagnosis, whole=True)
    caution(console)


def show_events(console: Console, result: RunResult, from_ns: int = 0) -> None:
    """The inputs at the beginning, and all that happened, in order of time. ``from_ns`` is what the
    clock shows when the run begins.
    """
    _beginning(console, result)
    console.print()
    found = events(result)
    event_lines(console, [event._replace(at_ns=event.at_ns + from_ns) for event in found])


def show_verdicts(
    console: Console,
    result: RunResult,
    *,
    quiet: bool = False,
    verbose: bool = False,
    notes: bool = False,
    from_ns: int = 0,
) -> None:
    """What broke, what was kept, the expectations, the totals. ``notes``: also those on messages
    that the vehicle does not use. ``from_ns`` as for :func:`show_events`.
    """
    _broken(console, result, from_ns)
    if not quiet:
        _kept(console, result)
    if verbose:
        _untested(console, result)
    _expectations(console, result, quiet=quiet)
    _totals(console, result, notes=notes)


def _beginning(console: Console, result: RunResult) -> None:
    inputs = result.scenario.inputs
    if inputs:
        listed = ", ".join(f"{name} = {plain(value)}" for name, value in inputs.items())
        paragraph(console, f"at the beginning: {listed}")


def event_lines(console: Console, found: list[Event]) -> None:
    """Show the timeline: one paragraph for each event, after its instant."""
    for event in found:
        prefix = f"{instant(event.at_ns):>{_INSTANT_WIDTH}}  "
        hanging(console, prefix, event.text, style=event.style)


def instant(at_ns: int) -> str:
    """An instant in seconds to a tenth of a millisecond, rounded down."""
    tenths = at_ns // 100_000
    return f"{tenths // 10_000}.{tenths % 10_000:04d} s"


def _broken(console: Console, result: RunResult, from_ns: int) -> None:
    broken = [verdict for verdict in result.verdicts if verdict.broken]
    if not broken:
        return
    heading(console, f"Broken: {count(len(broken), 'rule')}")
    for verdict in broken:
        bullet(console, run_sentence(result, verdict, from_ns), style=STYLES["broken"])


def _kept(console: Console, result: RunResult) -> None:
    kept = [verdict for verdict in result.verdicts if verdict.outcome is Outcome.KEPT]
    if not kept:
        return
    heading(console, f"Kept: {count(len(kept), 'rule')}, with the margins")
    rules = ((verdict.subject, _with_margin(verdict)) for verdict in kept)
    for subject, told in by_subject(rules).items():
        bullet(console, f"{subject}: {', '.join(told)}")


def _untested(console: Console, result: RunResult) -> None:
    places = [
        (verdict.subject, verdict.rule)
        for verdict in result.verdicts
        if verdict.outcome is Outcome.NOT_EXERCISED
    ]
    if places:
        heading(console, f"Not exercised in this run: {count(len(places), 'rule')}")
    for subject, rules in by_subject(places).items():
        bullet(console, f"{subject}: {', '.join(rules)}", style=STYLES["not exercised"])


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


def _totals(console: Console, result: RunResult, *, notes: bool) -> None:
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
    vehicle = result.scenario.vehicle
    for sentence in vehicle.notes if notes else vehicle.brief_notes:
        paragraph(console, sentence)


def outcome_of_run(result: RunResult) -> str:
    """The result of a run in one sentence."""
    rules = sum(1 for verdict in result.verdicts if verdict.broken)
    hopes = sum(1 for verdict in result.expected if verdict.broken)
    if rules or hopes:
        parts = [count(rules, "rule")] if rules else []
        parts += [count(hopes, "expectation")] if hopes else []
        return f"{' and '.join(parts)} broken."
    if result.exit_code:
        return "Nothing was put to the test."
    return "Nothing that was put to the test broke."


WIDTH = 80
Place = tuple[str, str]


def story(result: RunResult, *, only: Place | None = None, again: str = "") -> str:
    """The text, in lines of 80 characters. ``only`` limits it to one rule, by subject and rule;
    ``again`` is the command that shows the run with all details.
    """
    out = StringIO()
    console = make_console(out, WIDTH)
    _story_beginning(console, result)
    _story_broken(console, result, only)
    heading(console, "What happened:")
    event_lines(console, events_with_breaks(result, only))
    if again:
        console.print()
        paragraph(console, f"Again, with all details: {again}")
    return out.getvalue().strip("\n")


def headline(result: RunResult) -> str:
    """The first break in one line, and how many more there are; empty if nothing broke."""
    texts = [text for _, text in _breaks(result)]
    further = f" (and {len(texts) - 1} more)" if len(texts) > 1 else ""
    return f"{texts[0]}{further}" if texts else ""


def events_with_breaks(result: RunResult, only: Place | None = None) -> list[Event]:
    """The timeline of a run with the instants at which rules and expectations broke, after the
    events of the same instant.
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
                f"expected {expectation_text(entry)}, but it {verdict.deed}",
            )


def _story_beginning(console: Console, result: RunResult) -> None:
    scenario, recording = result.scenario, result.recording
    paragraph(console, scenario.title or scenario.name)
    vehicle = scenario.vehicle
    paragraph(console, f"{vehicle.title} ({vehicle.path}), {show_duration(recording.end_ns)}")
    if scenario.inputs:
        listed = ", ".join(f"{name} = {plain(value)}" for name, value in scenario.inputs.items())
        paragraph(console, f"at the beginning: {listed}")


def _story_broken(console: Console, result: RunResult, only: Place | None) -> None:
    found = list(_breaks(result))
    if only is not None:
        others = sum((verdict.subject, verdict.rule) != only for verdict, _ in found)
        if others:
            paragraph(console, f"{count(others, 'other rule')} broke in the same run")
    elif found:
        heading(console, "What broke:")
        for _, text in found:
            bullet(console, text)
