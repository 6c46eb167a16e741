"""Rules of the nodes themselves: alive again after a fault, a watchdog that bites, no crash."""

from __future__ import annotations

from collections.abc import Iterator

from linkloss.judge.case import Case
from linkloss.judge.traffic import Ticks
from linkloss.judge.verdict import Outcome, Verdict, smallest, worst
from linkloss.judge.zones import Zone, zones
from linkloss.model.units import show_duration

SILENT_PERIODS = 3
"""Periods of its status message after which a node counts as silent; common practice."""


def judge_node(case: Case, node: str) -> list[Verdict]:
    """The verdicts on a node: ``rejoin`` (its status is sent again), ``stopped``, ``program``."""
    return [*_rejoin(case, node), *_stopped(case, node), *_program(case, node)]


def judge_stopped_load(case: Case, name: str) -> list[Verdict]:
    """The *stopped* rule of a safety-relevant load: its node has a watchdog, and it bites."""
    load = case.vehicle.loads[name]
    if not load.safety:
        return []
    return [_stopped_verdict(case, name, load.node)]


def _rejoin(case: Case, node: str) -> Iterator[Verdict]:
    """Within ``rejoin`` after the last fault the node must send its status, and go on doing so."""
    table = case.vehicle.nodes[node]
    if table.status is None:
        return
    period_ns = case.vehicle.messages[table.status].period_ns or table.rejoin
    silence_ns = SILENT_PERIODS * period_ns
    sent = case.traffic(table.status).sent_by(node)
    found = [Verdict(node, "rejoin", Outcome.NOT_EXERCISED)]
    for zone in zones(case, table.rejoin):
        gap_ns = sent.first_silence(zone.from_ns, zone.to_ns, silence_ns)
        if gap_ns is not None:
            back_ns = sent.after(gap_ns)
            silent_ns = (zone.to_ns if back_ns is None else back_ns) - gap_ns
            text = f"sent no {table.status} although no fault was left, for "
            text += show_duration(silent_ns)
            found.append(
                Verdict(node, "rejoin", Outcome.BROKEN, -silent_ns, gap_ns, silent_ns, text, node),
            )
        elif zone.after_fault and _was_silent(case, sent, silence_ns, zone):
            back_ns = sent.after(zone.quiet_ns)
            back_ns = zone.from_ns if back_ns is None else back_ns
            found.append(Verdict(node, "rejoin", Outcome.KEPT, zone.from_ns - back_ns))
    yield worst(found)


def _was_silent(case: Case, sent: Ticks, silence_ns: int, zone: Zone) -> bool:
    """Whether a node missed from the last fault on, which is what it had to recover from."""
    faults = [
        fault.applied_ns for fault in case.recording.faults if fault.applied_ns <= zone.quiet_ns
    ]
    since_ns = max(faults, default=0)
    return sent.first_silence(since_ns, zone.from_ns, silence_ns) is not None


def _stopped(case: Case, node: str) -> Iterator[Verdict]:
    if case.vehicle.nodes[node].watchdog is not None:
        yield _stopped_verdict(case, node, node)


def _stopped_verdict(case: Case, subject: str, node: str) -> Verdict:
    """A stopped program must be restarted within the declared watchdog time."""
    watchdog_ns = case.vehicle.nodes[node].watchdog
    found = [Verdict(subject, "stopped", Outcome.NOT_EXERCISED)]
    margins: list[int] = []
    for hang in case.lives[node].hangs:
        if watchdog_ns is None:
            text = f"node {node} has no watchdog: a stopped program never restarts"
            wrong_ns = hang.to_ns - hang.from_ns
            found.append(
                Verdict(
                    subject, "stopped", Outcome.BROKEN, None, hang.from_ns, wrong_ns, text, node
                ),
            )
            continue
        deadline_ns = hang.from_ns + watchdog_ns
        if hang.to_ns > deadline_ns:
            late_ns = hang.to_ns - deadline_ns
            text = f"node {node} was not restarted within {show_duration(watchdog_ns)}"
            text += f" after its program stopped; late by {show_duration(late_ns)}"
            found.append(
                Verdict(
                    subject, "stopped", Outcome.BROKEN, -late_ns, deadline_ns, late_ns, text, node
                ),
            )
        elif hang.ended_by == "watchdog":
            margins.append(deadline_ns - hang.to_ns)
    if margins:
        found.append(Verdict(subject, "stopped", Outcome.KEPT, smallest(margins)))
    return worst(found)


def _program(case: Case, node: str) -> Iterator[Verdict]:
    """A program that fails, that resets its board for no lawful reason, or that runs wild on too
    little voltage; said only if broken.
    """
    for crash in case.recording.crashes:
        if crash.node == node:
            text = f"the program failed at {crash.where}: {crash.text}"
            wrong_ns = case.end_ns - crash.at_ns
            yield Verdict(node, "program", Outcome.BROKEN, None, crash.at_ns, wrong_ns, text, node)
    for change in case.lives[node].unlawful:
        if change.state == "asleep":  # a rule of its own tells of it
            continue
        cause = "its watchdog" if change.cause == "watchdog" else "its own program"
        text = f"was reset by {cause} without any fault that called for it"
        yield Verdict(node, "program", Outcome.BROKEN, None, change.at_ns, 0, text, node)
    for change in case.recording.nodes[node]:
        if (change.state, change.cause) == ("hung", "supply"):
            text = "ran wild on too little voltage: nothing held its processor in reset"
            yield Verdict(node, "program", Outcome.BROKEN, None, change.at_ns, 0, text, node)
