"""What programs hand over, made by hand for the tiny car of judge_lab; and Wren with one program
that is not its own.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path

from judge_lab import Tape, ns

from linkloss.faults.catalogue import make_fault
from linkloss.judge import Verdict
from linkloss.judge.case import Case
from linkloss.judge.sensor_rules import judge_senders, sender_rules
from linkloss.recording import Foreign, Handed
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import simulate
from linkloss.vehicle.loading import Vehicle, load_vehicle

WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"


def hand(tape: Tape, message: str, *entries, taken=True, sent_ms=None) -> Tape:
    """What a program handed over, as (ms, data); what was taken is sent within a millisecond, or
    at ``sent_ms``.
    """
    info = tape.vehicle.messages[message]
    found = tape.recording.handed.setdefault(message, [])
    for at_ms, data in entries:
        found.append(Handed(ns(at_ms), bytes(data), taken))
        if taken:
            done_ms = at_ms + 1 if sent_ms is None else sent_ms
            tape.frame(done_ms, info.identifier, data, sender=info.senders[0])
    found.sort(key=lambda entry: entry.at_ns)
    return tape


def plain(tape: Tape, *times, on=0, sent_ms=None) -> Tape:
    """Plain, handed over at these instants."""
    return hand(tape, "Plain", *((at_ms, [on]) for at_ms in times), sent_ms=sent_ms)


def every(from_ms, to_ms, period_ms=50) -> list[Fraction]:
    """Instants from one to before another."""
    found, at_ms = [], Fraction(from_ms)
    while at_ms < to_ms:
        found.append(at_ms)
        at_ms += period_ms
    return found


def requests(tape: Tape, *entries) -> Tape:
    """Requests, well-formed, as (ms, lamp, counter)."""
    for at_ms, on, count in entries:
        hand(tape, "Request", (at_ms, [on, count, (on + count) & 0xFF]))
    return tape


def foreign(tape: Tape, node, *entries) -> Tape:
    """Frames that are not a node's to send, as (ms, identifier, extended)."""
    tape.recording.foreign += [
        Foreign(ns(at_ms), node, identifier, extended, b"\1")
        for at_ms, identifier, extended in entries
    ]
    return tape


def verdict(tape: Tape, subject: str, rule: str) -> Verdict:
    """The one verdict on a rule of a message or a node."""
    tape.judged()  # which puts the frames in order
    return verdicts(tape.vehicle, tape.recording)[(subject, rule)]


def verdicts(vehicle: Vehicle, recording, start_ns=0) -> dict[tuple[str, str], Verdict]:
    """All verdicts on messages and senders; each declared rule has one, and no other has."""
    found = [*judge_senders(Case(vehicle, recording, start_ns=start_ns))]
    pairs = [(verdict.subject, verdict.rule) for verdict in found]
    assert pairs == [*sender_rules(vehicle, recording.logged)]
    return dict(zip(pairs, found, strict=True))


@cache
def wren() -> Vehicle:
    """The demo car as it is shipped."""
    return load_vehicle(WREN)


def drive(vehicle: Vehicle, situation: str, *faults, **programs) -> dict[tuple[str, str], Verdict]:
    """The verdicts on a situation in which some nodes have other programs. Faults are (kind,
    parameters, from ms, to ms).
    """
    vehicle = replace(vehicle, programs={**vehicle.programs, **programs})
    table = vehicle.situations[situation]
    scenario = Scenario(
        name=situation,
        title=situation,
        vehicle=vehicle,
        situation=situation,
        inputs=table.inputs,
        actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
        faults=tuple(
            TimedFault(make_fault(kind, fields, vehicle), ns(from_ms), ns(to_ms))
            for kind, fields, from_ms, to_ms in faults
        ),
        lasts_ns=table.lasts,
    )
    return verdicts(vehicle, simulate(scenario))


def broken(found: dict[tuple[str, str], Verdict]) -> list[tuple[str, str]]:
    """The rules that broke."""
    return [pair for pair, verdict in found.items() if verdict.broken]
