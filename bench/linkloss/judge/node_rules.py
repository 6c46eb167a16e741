"""Rules of the nodes themselves: *rejoin*, *stopped*, *program* and *asleep*.

*Rejoin*: a node sends its status again after a fault. *Stopped*: its watchdog bites when its
program stops. *Program*: its program does not crash. *Asleep*: it sleeps when it must, not
otherwise, and only what is declared wakes it.

    sleeps_when      ____|~~~~~~~~~~~~~~~~~~~~~~~~~~~~|____
    must be asleep       .   asleep_within |          .
    asleep           ________________|~~~~~~~~~~~~~~~~|____   wakes: an input that is declared

While a node rightly sleeps, its loads are as the vehicle says (``on_sleep``) and its program need
do nothing else: falling asleep begins an uptime, in which the node boots once it wakes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from linkloss.judge.case import Case, Zone, zones
from linkloss.judge.evidence import Ticks
from linkloss.judge.loads import LoadView
from linkloss.judge.states import shown_word, state_words
from linkloss.judge.uptimes import calls, may_sleep, waking_frames, waking_moves
from linkloss.judge.verdict import Cause, Outcome, Verdict, smallest, worst
from linkloss.recording import NodeChange
from linkloss.units import show_duration
from linkloss.vehicle.tables import ANY_FRAME

SILENT_PERIODS = 3
"""A node counts as silent after so many periods of its status message; common practice."""


def judge_node(case: Case, node: str) -> list[Verdict]:
    """The verdicts on a node: ``rejoin`` (its status is sent again), ``stopped``, ``program``."""
    return [*_rejoin(case, node), *_stopped(case, node), *_program(case, node)]


def judge_stopped_load(case: Case, name: str) -> list[Verdict]:
    """The *stopped* rule of a safety-relevant load: its node has a watchdog, and the watchdog
    bites.
    """
    load = case.vehicle.loads[name]
    if not load.safety:
        return []
    return [_stopped_verdict(case, name, load.node)]


def _rejoin(case: Case, node: str) -> Iterator[Verdict]:
    """Within ``rejoin`` after the last fault the node must send its status, and must keep sending
    it.
    """
    table = case.vehicle.nodes[node]
    if table.status is None:
        return
    period_ns = case.vehicle.messages[table.status].period_ns or table.rejoin
    silence_ns = SILENT_PERIODS * period_ns
    sent = case.traffic(table.status).sent_by(node)
    found = [Verdict(node, "rejoin", Outcome.NOT_EXERCISED)]
    for zone in zones(case, node, table.rejoin):
        gap_ns = sent.first_silence(zone.from_ns, zone.to_ns, silence_ns)
        if gap_ns is not None:
            back_ns = sent.after(gap_ns)
            silent_ns = (zone.to_ns if back_ns is None else back_ns) - gap_ns
            found.append(
                Verdict.missed(
                    node, "rejoin", gap_ns, silent_ns,
                    Cause.SILENT, about=(table.status,), culprit=node,
                )
            )  # fmt: skip
        elif zone.after_fault and _was_silent(case, node, sent, silence_ns, zone):
            back_ns = sent.after(zone.quiet_ns)
            back_ns = zone.from_ns if back_ns is None else back_ns
            found.append(Verdict(node, "rejoin", Outcome.KEPT, zone.from_ns - back_ns))
    yield worst(found)


def _was_silent(case: Case, node: str, sent: Ticks, silence_ns: int, zone: Zone) -> bool:
    """Whether a node was silent at some time since the last fault; only then had it to recover."""
    faults = [
        fault.applied_ns for fault in case.faults_near(node) if fault.applied_ns <= zone.quiet_ns
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
    for hang in case.histories[node].hangs:
        if watchdog_ns is None:
            found.append(
                Verdict.wrong(
                    subject, "stopped", hang.from_ns,
                    hang.to_ns - hang.from_ns, Cause.NO_WATCHDOG, about=(node,), culprit=node,
                )
            )  # fmt: skip
            continue
        deadline_ns = hang.from_ns + watchdog_ns
        if hang.to_ns > deadline_ns:
            late_ns = hang.to_ns - deadline_ns
            found.append(
                Verdict.missed(
                    subject, "stopped", deadline_ns, late_ns,
                    Cause.NOT_RESTARTED, allowed=show_duration(watchdog_ns), about=(node,),
                    culprit=node,
                )
            )  # fmt: skip
        elif hang.ended_by == "watchdog":
            margins.append(deadline_ns - hang.to_ns)
    if margins:
        found.append(Verdict(subject, "stopped", Outcome.KEPT, smallest(margins)))
    return worst(found)


def _program(case: Case, node: str) -> Iterator[Verdict]:
    """A program that fails, that resets its board for no lawful reason, or that runs wild on too
    little voltage; there is a verdict only if the rule is broken.
    """
    for crash in case.recording.crashes:
        if crash.node == node:
            yield Verdict.wrong(
                node, "program", crash.at_ns, case.end_ns - crash.at_ns,
                Cause.CRASHED, crash.text, about=(crash.where,), culprit=node,
            )  # fmt: skip
    for change in case.histories[node].unlawful:
        if change.state == "asleep":  # its own rule reports that
            continue
        by = "its watchdog" if change.cause == "watchdog" else "its own program"
        yield Verdict.wrong(
            node, "program", change.at_ns, 0,
            Cause.RESET_ITSELF, by, culprit=node,
        )  # fmt: skip
    for change in case.recording.nodes[node]:
        if (change.state, change.cause) == ("hung", "supply"):
            yield Verdict.wrong(
                node, "program", change.at_ns, 0,
                Cause.RAN_WILD, culprit=node,
            )  # fmt: skip


def judge_asleep(case: Case, node: str, views: Sequence[LoadView]) -> list[Verdict]:
    """The rule of a node that sleeps; ``views`` are its loads. A node that falls asleep although
    nothing declares it breaks the rule, too.

    Kept where the node fell asleep in time, and one that had stayed awake would have been late.
    """
    found = [Verdict(node, "asleep", Outcome.NOT_EXERCISED)]
    mistakes = [*_naps(case, node), *_loads(case, node, views)]
    if case.vehicle.nodes[node].sleeps_when is not None:
        margins = []
        for due_ns, asleep_ns in _dues(case, node):
            if due_ns < case.start_ns:
                continue
            if asleep_ns <= due_ns:
                margins.append(due_ns - asleep_ns)
            else:
                mistakes.append(_wrong(node, due_ns, asleep_ns - due_ns, Cause.STILL_AWAKE))
        if margins:
            found.append(Verdict(node, "asleep", Outcome.KEPT, smallest(margins)))
    found += [mistake for mistake in mistakes if (mistake.at_ns or 0) >= case.start_ns]
    return [worst(found)]


def _wrong(
    node: str,
    at_ns: int,
    lasts_ns: int,
    cause: Cause,
    observed: str = "",
    allowed: str = "",
    about: tuple[str, ...] = (),
) -> Verdict:
    """What was wrong with a sleep, from when and for how long (0: at an instant only)."""
    return Verdict.wrong(
        node, "asleep", at_ns, lasts_ns, cause, observed, allowed,
        about=about, margin_ns=-lasts_ns or None, culprit=node,
    )  # fmt: skip


def _naps(case: Case, node: str) -> Iterator[Verdict]:
    """What is wrong with a sleep: the node should not have slept then, something ended the sleep
    that may not, or nothing ended it in time.
    """
    table = case.vehicle.nodes[node]
    changes = case.recording.nodes[node]
    for place, change in enumerate(changes):
        if change.state != "asleep":
            continue
        woke = changes[place + 1] if place + 1 < len(changes) else None
        until_ns = case.end_ns if woke is None else woke.at_ns
        if not may_sleep(case.vehicle, case.recording, node, change.at_ns):
            lasts_ns = until_ns - change.at_ns
            if table.sleeps_when is None:
                yield _wrong(node, change.at_ns, lasts_ns, Cause.SLEEP_UNDECLARED)
            else:
                about = (table.sleeps_when.text,)
                yield _wrong(node, change.at_ns, lasts_ns, Cause.SLEEP_TOO_EARLY, about=about)
            continue
        if woke is not None and woke.cause == "wake" and not _declared(case, node, woke):
            yield _wrong(node, woke.at_ns, 0, Cause.WOKEN, woke.by)
        called_ns = next(calls(case.vehicle, case.recording, node, change.at_ns), until_ns)
        if called_ns < until_ns:
            yield _wrong(node, called_ns, until_ns - called_ns, Cause.SLEPT_ON)


def _declared(case: Case, node: str, woke: NodeChange) -> bool:
    """Whether what woke a node may wake it; ``any frame`` covers everything but its own inputs."""
    wakers = case.vehicle.nodes[node].wakers
    own_input = (woke.by, node) in case.recording.seen
    return woke.by in wakers or (ANY_FRAME in wakers and not own_input)


def _dues(case: Case, node: str) -> Iterator[tuple[int, int]]:
    """The latest instant by which a node had to be asleep, and when it fell asleep or no longer had
    to; only where one that had stayed awake would have been late.
    """
    table, history = case.vehicle.nodes[node], case.histories[node]
    assert table.sleeps_when is not None
    assert table.asleep_within is not None
    within_ns = table.asleep_within + case.slack(node, table.asleep_within)
    busy = [(uptime.back_ns, uptime.boot_end_ns) for uptime in history.uptimes]
    busy += [(hang.from_ns, hang.to_ns) for hang in history.hangs]
    busy += case.undersupplied(node)
    busy += [(at_ns, at_ns) for at_ns in waking_moves(case.vehicle, case.recording, node)]
    frames = waking_frames(case.vehicle, case.recording, node)
    busy += [(record.end_ns, record.end_ns) for record in frames]
    holds = [*case.condition(table.sleeps_when, node).changes(), (case.end_ns, False)]
    for (from_ns, held), (to_ns, _) in pairwise(holds):
        if not held:
            continue
        for up_ns, asleep_ns, slept in _awake(case, node):
            since_ns = max(from_ns, up_ns, case.since_ns)
            if since_ns >= to_ns or since_ns > asleep_ns:
                continue
            due_ns = since_ns + within_ns
            for start_ns, end_ns in sorted(busy):
                if start_ns <= due_ns and since_ns <= end_ns:
                    due_ns = max(due_ns, end_ns + within_ns)
            if due_ns < min(to_ns, case.end_ns) and (slept or asleep_ns > due_ns):
                yield due_ns, min(asleep_ns, to_ns)


def _awake(case: Case, node: str) -> Iterator[tuple[int, int, bool]]:
    """(from, to, slept): when a node was awake and supplied, and whether falling asleep
    ended that.
    """
    up_ns: int | None = 0
    for change in case.recording.nodes[node]:
        away = change.state in ("asleep", "off")
        if away and up_ns is not None:
            yield up_ns, change.at_ns, change.state == "asleep"
            up_ns = None
        elif not away and up_ns is None:
            up_ns = change.at_ns
    if up_ns is not None:
        yield up_ns, case.end_ns, False


def _loads(case: Case, node: str, views: Sequence[LoadView]) -> Iterator[Verdict]:
    """Loads that were in a wrong state while their node slept."""
    for view in views:
        for breach in view.walked.breaches:
            if case.histories[view.load.node].asleep_at(breach.at_ns):
                yield _wrong(
                    node, breach.at_ns, breach.to_ns - breach.at_ns, Cause.LOAD_WHILE_ASLEEP,
                    shown_word(breach.shown), state_words(breach.states), about=(view.name,),
                )  # fmt: skip
