"""*Control* rules: a program hands to its controller what the inputs ask for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from bench.judge.age import full, outdated, waited
from bench.judge.case import Case, Intent, window
from bench.judge.exercise import exercised, margin
from bench.judge.intent import intent
from bench.judge.lives import Life
from bench.judge.masks import ANY, OFF, ON, level_bit, names
from bench.judge.paint import Paint, Probe, Segment, blend, breaches, overlapping
from bench.judge.verdict import Outcome, Verdict, smallest, worst
from bench.model.consistency import split_signal
from bench.model.units import show_duration
from bench.model.vehicle import RequestTable
from bench.recording import Series


def judge_control(case: Case, name: str, request: RequestTable) -> Verdict:
    """One request (``Message.Signal``) over the whole run."""
    message, _ = split_signal(name)
    node = case.vehicle.sender(message)
    found = [Verdict(name, "control", Outcome.NOT_EXERCISED)]
    for life in case.lives[node].lives:
        if life.up_ns is not None:
            found += _judge_life(case, name, request, node, life)
    return worst(found)


def intents(case: Case, name: str, request: RequestTable, life: Life) -> list[Intent]:
    """What may be asked for in a life: as a program that begins anew sees it, and, after a
    reset or a hang, as one sees it whose timers and memory outlived that. Such a one may have
    looked at the inputs again only when it ran again.
    """
    key = (name, life.reset_ns)
    if key not in case.intents:
        case.intents[key] = list(_intents(case, name, request, life))
    return case.intents[key]


def _intents(case: Case, name: str, request: RequestTable, life: Life) -> Iterator[Intent]:
    assert life.up_ns is not None
    # A program may see a change before it has been stable, and be reset meanwhile.
    end_ns = life.end_ns + request.debounce
    down = _down(case, case.vehicle.sender(split_signal(name)[0]))
    for trusting in (True, False) if request.received is not None else (True,):
        for settled in (True, False) if request.debounce else (True,):
            yield intent(
                case, name, request, life.up_ns, end_ns, trusting=trusting, settled=settled
            )
        if len(down) > 1:  # the first one is the power-up
            yield intent(case, name, request, 0, end_ns, trusting=trusting)
            yield intent(case, name, request, 0, end_ns, down, trusting=trusting)


def _down(case: Case, node: str) -> list[tuple[int, int]]:
    """The spans in which a node's program did not run."""
    story = case.lives[node]
    spans = [
        (life.reset_ns, life.end_ns if life.up_ns is None else life.up_ns) for life in story.lives
    ]
    for hang in story.hangs:
        ends = [to_ns for from_ns, to_ns in spans if from_ns == hang.to_ns]
        spans.append((hang.from_ns, ends[0] if ends else hang.to_ns))
    return sorted(spans)


def _judge_life(
    case: Case, name: str, request: RequestTable, node: str, life: Life
) -> Iterator[Verdict]:
    wants = intents(case, name, request, life)
    first = wants[0]
    behind_ns = request.latency
    begin_ns = life.boot_end_ns + request.debounce + behind_ns
    excused = [(0, begin_ns), (life.end_ns, case.end_ns), *_out_of_service(case, node, behind_ns)]
    paints = [
        Paint(from_ns, to_ns, seen, "control")
        for want in wants
        for from_ns, to_ns, seen in window(want.wanted, behind_ns, first.early_ns, case.end_ns)
    ]
    excused += [(start, end + behind_ns) for want in wants for start, end in want.unsure]
    paints += [_free(case, span) for span in excused]
    in_service = blend(paints, case.end_ns, start_ns=case.start_ns)
    spans = _full(case, node)
    waiting = [(start, end + behind_ns) for start, end in spans if end - start > behind_ns]
    segments = in_service
    if waiting:
        paints += [_free(case, span) for span in waiting]
        segments = blend(paints, case.end_ns, start_ns=case.start_ns)
    actual = handed(case, name, life)
    for breach in breaches(segments, actual):
        wrong_ns = breach.to_ns - breach.from_ns
        was = names(ON if actual.at(breach.from_ns) else OFF)
        text = (
            f"node {node} asked for {was} while its inputs ask for {names(breach.mask)};"
            f" wrong for {show_duration(wrong_ns)}"
        )
        yield Verdict(
            name, "control", Outcome.BROKEN, -wrong_ns, breach.from_ns, wrong_ns, text, node
        )
    yield from _old(case, name, request, node, in_service)
    probes = [
        Probe(
            "control",
            at_ns - first.early_ns,
            at_ns + behind_ns,
            min(to_ns + behind_ns, case.end_ns),
            OFF if value else ON,
        )
        for (at_ns, value), (to_ns, _) in pairwise([*first.wanted.changes()[1:], (case.end_ns, 0)])
    ]
    tested = [probe for probe in case.judged(probes) if exercised(probe, segments, actual)]
    if tested:
        margins = [margin(probe, segments, actual) for probe in tested]
        yield Verdict(name, "control", Outcome.KEPT, smallest(margins))


def _free(case: Case, span: tuple[int, int]) -> Paint:
    return Paint(span[0], min(span[1], case.end_ns), ANY, "control")


def _full(case: Case, node: str) -> list[tuple[int, int]]:
    """Where all mailboxes wait for longer than the latency, a program that looks whether there is
    room is late without any fault of its own.
    """
    if node not in case.full:
        case.full[node] = list(full(case, node))
    return case.full[node]


def _old(
    case: Case, name: str, request: RequestTable, node: str, segments: Sequence[Segment]
) -> Iterator[Verdict]:
    """Content that nobody asks for any more by the time at which it wins the wire."""
    info, signal = case.vehicle.signal(name)
    if info.name not in case.waits:
        case.waits[info.name] = list(waited(case, info.name))

    def asked(data: bytes, at_ns: int) -> bool:
        value = level_bit(1.0 if signal.raw(data) else 0.0)
        return any(segment.mask & value for segment in overlapping(segments, at_ns, at_ns + 1))

    limit_ns = (info.period_ns or 0) + request.latency
    for frame in outdated(case.waits[info.name], asked, limit_ns):
        age_ns = frame.start_ns - frame.queued_ns
        was = names(ON if signal.raw(frame.data) else OFF)
        text = f"node {node} asked for {was} with content {show_duration(age_ns)} old"
        text += f", which nobody asks for any more; expected at most {show_duration(limit_ns)}"
        yield Verdict(
            name, "control", Outcome.BROKEN, limit_ns - age_ns, frame.start_ns, 0, text, node
        )


def handed(case: Case, name: str, life: Life) -> Series[float]:
    """The request that was handed to the controller, over one life; nothing asks for nothing."""
    lives = case.lives[case.vehicle.sender(split_signal(name)[0])].lives
    return case.evidence.handed(name)[lives.index(life)]


def _out_of_service(case: Case, node: str, behind_ns: int) -> Iterator[tuple[int, int]]:
    """A program that hangs, or whose controller is off the bus, need not hand anything over."""
    for hang in case.lives[node].hangs:
        yield hang.from_ns, hang.to_ns + behind_ns
    yield from off_bus(case, node)


def off_bus(case: Case, node: str) -> Iterator[tuple[int, int]]:
    """While its controller is off the bus a program hears nobody and can hand nothing over; then
    it has its time to rejoin.
    """
    off_ns: int | None = None
    for change in case.recording.controllers.get(node, []):
        if change.state == "BUS_OFF" and off_ns is None:
            off_ns = change.at_ns
        elif change.state != "BUS_OFF" and off_ns is not None:
            yield off_ns, change.at_ns + case.vehicle.nodes[node].rejoin
            off_ns = None
    if off_ns is not None:
        yield off_ns, case.end_ns
