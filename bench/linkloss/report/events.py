"""What happened in a run, as one list in order of time."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from linkloss.bus.confinement import ErrorState
from linkloss.campaign.result import RunResult
from linkloss.model.expression import split_signal
from linkloss.model.units import plain, show_duration
from linkloss.recording import NodeChange, Recording
from linkloss.report.spells import spells

_FAULT, _TROUBLE = "bold magenta", "red"
_TAKEN_BY = {
    "fault": "taken by a fault",
    "start": "taken by the start of the engine",
    "car": "taken by the car itself, no fault",
}


class Event(NamedTuple):
    """Something that happened at an instant."""

    at_ns: int
    text: str
    style: str = ""


def events(result: RunResult) -> list[Event]:
    """Actions, faults, nodes, controllers, loads and notices, in order of time.

    What falls on one instant stands in this order: cause before effect.
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
    """``feed of rear`` as the feed of a node, everything else as the load that it is."""
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
    """When a notice is first handed over, and when it is taken back."""
    vehicle = result.scenario.vehicle
    for name, notice in vehicle.notices.items():
        message = split_signal(notice.signal)[0]
        _, signal = vehicle.signal(notice.signal)
        given = False
        for entry in result.recording.handed.get(message, []):
            if not entry.data:
                continue
            now = bool(signal.raw(entry.data))
            if now != given:
                word = "given" if now else "withdrawn"
                yield Event(entry.at_ns, f"notice {name}: {word} ({notice.signal})", "yellow")
            given = now
