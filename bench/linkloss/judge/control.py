"""The *control* rule: a program hands to its controller what the inputs ask for.

It has two halves: what a program hands over, and how long that then waited in a mailbox. A frame
that was right when it was queued breaks the rule if it wins the bus when it no longer is:

    handed over   A   A   r   r   r   B            r: refused, all mailboxes wait
    on the bus        ~~~~ no cable ~~~~  A  B    A was asked for; nobody asks for it any more

A request that waited while the cable was off, and is the first frame after it, switches what nobody
asks for.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from typing import Any

from linkloss.judge.case import Case, Intent, TimeSpan, Waited, off_the_bus, window
from linkloss.judge.intent import intent
from linkloss.judge.states import (
    ANY,
    OFF,
    ON,
    Shown,
    Span,
    Stretch,
    admits,
    shown_word,
    state_words,
    united,
)
from linkloss.judge.uptimes import Uptime, merged
from linkloss.judge.verdict import Cause, Outcome, Verdict, smallest, worst
from linkloss.judge.walk import News, Source, Walked, walk
from linkloss.recording import Series
from linkloss.units import show_duration
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.tables import RequestTable


def waited(case: Case, message: str) -> Iterator[Waited]:
    """The frames of a message that its program handed over, in order of time. Among equal contents
    the one handed over last counts. A fault that alters, delays or repeats what is handed over
    produces old content of its own, so then there are none.
    """
    node = case.vehicle.sender(message)
    if case.wrong_content(node):
        return
    handed: dict[bytes, list[int]] = {}
    for entry in case.recording.handed.get(message, []):
        if entry.taken:
            handed.setdefault(entry.data, []).append(entry.at_ns)
    sent: dict[bytes, int] = {}
    for record in case.traffic(message).records:
        frame = record.frame
        if record.sender == node and record.receivers and record.start_ns >= case.start_ns:
            times = handed.get(frame.data, [])
            place = bisect_right(times, record.start_ns)
            if place > sent.get(frame.data, 0):
                yield Waited(times[place - 1], record.start_ns, frame.data)
                if record.error is None:  # else it is sent again
                    sent[frame.data] = place


def outdated(
    frames: Sequence[Waited], asked: Callable[[bytes, int], bool], limit_ns: int
) -> Iterator[Waited]:
    """The frames whose content was asked for when a program handed it over, is older than
    ``limit_ns`` (a cycle and the latency), and was no longer asked for at their start of frame.

    ``asked(data, at_ns)`` tells whether the inputs may ask for a content at an instant. Content
    that was wrong from the beginning is not reported here.
    """
    for frame in frames:
        if frame.start_ns - frame.queued_ns <= limit_ns:
            continue
        if asked(frame.data, frame.queued_ns) and not asked(frame.data, frame.start_ns):
            yield frame


def full(case: Case, node: str) -> Iterator[TimeSpan]:
    """When every mailbox of a node's controller waited for the bus: a program that checks for room
    hands nothing over then.

    A program's cancelling of a message is not recorded; but a message that the controller takes
    while all mailboxes seem to wait shows that one was cancelled. There are no such spans in a run
    with a fault that mutes the program: it sees its frames go.
    """
    if any(fault.kind == "mute" and node in fault.nodes for fault in case.recording.faults):
        return
    most, since_ns = case.vehicle.nodes[node].mailboxes, -1
    waiting: list[Key] = []
    for at_ns, what, key in sorted([*_gone(case, node), *_taken(case, node)]):
        if what == _RESET:
            waiting = []
        elif what == _TAKEN:
            waiting = [*waiting, key] if len(waiting) < most else [key]
        elif key in waiting:
            waiting.remove(key)
        if len(waiting) == most:
            since_ns = at_ns if since_ns < 0 else since_ns
        elif since_ns >= 0:
            yield since_ns, at_ns
            since_ns = -1
    if since_ns >= 0:
        yield since_ns, case.end_ns


Key = tuple[int, bool]
"""An identifier, and whether it is an extended one."""

_RESET, _SENT, _TAKEN = range(3)


def _gone(case: Case, node: str) -> Iterator[tuple[int, int, Key]]:
    """The instants at which a node's mailboxes become free."""
    once = case.vehicle.nodes[node].single_shot
    frames = case.recording.frames
    for record in frames if once else frames.delivered():
        if record.sender == node and (record.error is None or once):
            yield record.end_ns, _SENT, (record.frame.identifier, record.frame.extended)
    for uptime in case.histories[node].uptimes:
        yield uptime.reset_ns, _RESET, (0, False)


def _taken(case: Case, node: str) -> Iterator[tuple[int, int, Key]]:
    """The instants at which a node's mailboxes are filled."""
    for name, entries in case.recording.handed.items():
        info = case.vehicle.messages[name]
        if node in info.senders:
            key = (info.identifier, info.extended)
            yield from ((entry.at_ns, _TAKEN, key) for entry in entries if entry.taken)
    for entry in case.recording.foreign:
        if entry.node == node and entry.taken:
            yield entry.at_ns, _TAKEN, (entry.identifier, entry.extended)


def judge_control(case: Case, name: str, request: RequestTable) -> Verdict:
    """Judge one request (``Message.Signal``) over the whole run."""
    message, _ = split_signal(name)
    node = case.vehicle.sender(message)
    found = [Verdict(name, "control", Outcome.NOT_EXERCISED)]
    for uptime in case.histories[node].uptimes:
        if uptime.up_ns is not None:
            found += _judge_uptime(case, name, request, node, uptime)
    return worst(found)


def intents(case: Case, name: str, request: RequestTable, uptime: Uptime) -> list[Intent]:
    """What may be asked for in an uptime: as a program that starts afresh sees it and, after a
    reset or a hang, as a program sees it whose timers and memory survived. Such a program may have
    looked at the inputs again only once it ran again.
    """
    key = (name, uptime.reset_ns)
    if key not in case.intents:
        case.intents[key] = list(_intents(case, name, request, uptime))
    return case.intents[key]


def _intents(case: Case, name: str, request: RequestTable, uptime: Uptime) -> Iterator[Intent]:
    assert uptime.up_ns is not None
    # A program may see a change before it has been stable and be reset meanwhile.
    end_ns = uptime.end_ns + request.debounce
    down = _down(case, case.vehicle.sender(split_signal(name)[0]))
    for trusting in (True, False) if request.received is not None else (True,):
        for settled in (True, False) if request.debounce else (True,):
            yield intent(
                case, name, request, uptime.up_ns, end_ns, trusting=trusting, settled=settled
            )
        if len(down) > 1:  # the first one is the power-up
            yield intent(case, name, request, 0, end_ns, trusting=trusting)
            yield intent(case, name, request, 0, end_ns, down, trusting=trusting)


def _down(case: Case, node: str) -> list[tuple[int, int]]:
    """The spans in which a node's program did not run."""
    history = case.histories[node]
    spans = [
        (uptime.reset_ns, uptime.end_ns if uptime.up_ns is None else uptime.up_ns)
        for uptime in history.uptimes
    ]
    for hang in history.hangs:
        ends = [to_ns for from_ns, to_ns in spans if from_ns == hang.to_ns]
        spans.append((hang.from_ns, ends[0] if ends else hang.to_ns))
    return sorted(spans)


def _judge_uptime(
    case: Case, name: str, request: RequestTable, node: str, uptime: Uptime
) -> Iterator[Verdict]:
    """A program is right if what it asks for follows one way in which it may see the inputs."""
    begin_ns = uptime.boot_end_ns + request.debounce + request.latency
    excused = [(0, begin_ns), *_out_of_service(case, name, request.latency)]
    spans = _full(case, node)
    behind_ns = request.latency
    waiting = [(start, end + behind_ns) for start, end in spans if end - start > behind_ns]
    changes = [(at_ns, 100.0 * level) for at_ns, level in handed(case, name, uptime).changes()]
    best: Walked | None = None
    for want in intents(case, name, request, uptime):
        walked = _walk(case, request, uptime, want, [*excused, *waiting], changes)
        if best is None or _wrong_ns(walked) < _wrong_ns(best):
            best = walked
        if not best.breaches:
            break
    assert best is not None
    for breach in best.breaches:
        yield Verdict.missed(
            name, "control", breach.at_ns, breach.to_ns - breach.at_ns,
            Cause.ASKED_WRONG, shown_word(breach.shown), state_words(breach.states), culprit=node,
        )  # fmt: skip
    yield from _old(case, name, request, uptime, excused)
    margins = [entry.margin_ns for entry in best.kept if entry.rule == "control"]
    if margins:
        yield Verdict(name, "control", Outcome.KEPT, smallest(margins))


def _wrong_ns(walked: Walked) -> int:
    return sum(breach.to_ns - breach.at_ns for breach in walked.breaches)


def _walk(
    case: Case,
    request: RequestTable,
    uptime: Uptime,
    want: Intent,
    excused: Sequence[tuple[int, int]],
    changes: Sequence[tuple[int, Shown]],
) -> Walked:
    wanted = want.wanted.changes()
    asked = [News(ON if wanted[0][1] else OFF, -1, -1, "control")]
    asked += [
        News(ON if value else OFF, at_ns - want.early_ns, at_ns + request.latency, "control")
        for at_ns, value in wanted[1:]
    ]
    free = [News(False, -1, -1, "control")]
    spans = [*excused, *((start, end + request.latency) for start, end in want.unsure)]
    for from_ns, to_ns in merged(spans):
        free.append(News(True, from_ns, to_ns, "control", must=False))
        free.append(News(False, to_ns, to_ns, "control"))
    end_ns = min(uptime.end_ns, case.end_ns)
    start_ns = max(case.start_ns, uptime.reset_ns)
    return walk([Source(asked), Source(free)], _asked, changes, end_ns, start_ns)


def _asked(calls: tuple[Any, ...]) -> str:
    state, free = calls
    return ANY if free else str(state)


def _full(case: Case, node: str) -> list[tuple[int, int]]:
    """Where all mailboxes wait for longer than the latency, a program that checks for room is late
    through no fault of its own.
    """
    if node not in case.full:
        case.full[node] = list(full(case, node))
    return case.full[node]


def _old(
    case: Case,
    name: str,
    request: RequestTable,
    uptime: Uptime,
    excused: Sequence[tuple[int, int]],
) -> Iterator[Verdict]:
    """Content that nobody asks for any more when it wins the bus."""
    info, signal = case.vehicle.signal(name)
    node = case.vehicle.sender(info.name)
    if info.name not in case.waits:
        case.waits[info.name] = list(waited(case, info.name))

    @cache
    def in_service() -> list[Stretch]:
        return _in_service(case, name, request, uptime, excused)

    def asked(data: bytes, at_ns: int) -> bool:
        shown = 100.0 if signal.nonzero(data) else 0.0
        return any(
            admits(state, shown)
            for part in in_service()
            if part.from_ns <= at_ns < part.to_ns
            for state in part.states or {ANY}
        )

    limit_ns = (info.period_ns or 0) + request.latency
    frames = [frame for frame in case.waits[info.name] if signal.present(frame.data)]
    for frame in outdated(frames, asked, limit_ns):
        age_ns = frame.start_ns - frame.queued_ns
        was = ON if signal.nonzero(frame.data) else OFF
        yield Verdict.wrong(
            name, "control", frame.start_ns, 0, Cause.ASKED_OLD, was, show_duration(limit_ns),
            about=(show_duration(age_ns),), margin_ns=limit_ns - age_ns, culprit=node,
        )  # fmt: skip


def _in_service(
    case: Case,
    name: str,
    request: RequestTable,
    uptime: Uptime,
    excused: Sequence[tuple[int, int]],
) -> list[Stretch]:
    """What may be asked for, over all ways in which a program may see the inputs."""
    spans = [Span(start, end, ANY) for start, end in (*excused, (uptime.end_ns, case.end_ns))]
    for want in intents(case, name, request, uptime):
        for from_ns, to_ns, seen in window(
            want.wanted, request.latency, want.early_ns, case.end_ns
        ):
            if seen & 1:
                spans.append(Span(from_ns, to_ns, OFF))
            if seen & 2:
                spans.append(Span(from_ns, to_ns, ON))
        spans += [Span(start, end + request.latency, ANY) for start, end in want.unsure]
    return united(spans, case.end_ns, case.start_ns)


def handed(case: Case, name: str, uptime: Uptime) -> Series[float]:
    """The request that was handed to the controller over one uptime; off until there is one."""
    uptimes = case.histories[case.vehicle.sender(split_signal(name)[0])].uptimes
    return case.evidence.handed(name)[uptimes.index(uptime)]


def _out_of_service(case: Case, name: str, behind_ns: int) -> Iterator[tuple[int, int]]:
    """A program that hangs, or whose controller is bus-off, need not hand anything over."""
    message = split_signal(name)[0]
    node = case.vehicle.sender(message)
    for hang in case.histories[node].hangs:
        yield hang.from_ns, hang.to_ns + behind_ns
    yield from off_the_bus(case, node, case.vehicle.messages[message].bus)
