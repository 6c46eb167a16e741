"""Rules of messages: each arrives in its cycle, intact, and only from its senders.

    cycle        |----------|----------|----------|        as the message definition has it
    handed over  x          x     x    r  r x              x: taken, r: refused
    too late                |-------------->               more than 1.5 cycles without an attempt
    too soon                      !                        less than 'min_gap', or nothing new in it

What counts is what a program hands to its controller: it does not answer for what the bus and the
faults make of it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

from linkloss.judge.case import Case, TimeSpan, off_the_bus
from linkloss.judge.uptimes import Uptime
from linkloss.judge.verdict import Cause, Outcome, Verdict, smallest, worst
from linkloss.recording import Handed
from linkloss.units import show_duration
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo, SignalInfo
from linkloss.vehicle.tables import write_identifier

LATE_CYCLES, SOON_CYCLES = 1.5, 0.9
"""A message is late after so many cycles and early before so many; common practice."""

SMALL_BITS = 4
"""A signal of at most so many bits is a state, and a change of it may be sent early; common
practice.
"""


class Timing(NamedTuple):
    """How a message is to be handed over, in ns."""

    late_ns: int
    """The longest time from one attempt to the next."""
    soon_ns: int
    """A message sooner than this must carry something new."""
    gap_ns: int
    """No message may be sooner than this."""
    after_boot_ns: int
    """The longest time that a program takes from its boot to read its inputs."""


def timing(vehicle: Vehicle, message: MessageInfo) -> Timing:
    """How a message with a cycle time is to be handed over. The declared jitter widens every limit
    that it can.
    """
    cycle_ns = message.period_ns
    assert cycle_ns is not None, "only messages with a cycle time are judged"
    table = vehicle.sendings.get(message.name)
    jitter_ns = 0 if table is None else table.jitter
    soon_ns = min(round(SOON_CYCLES * cycle_ns), cycle_ns - jitter_ns)
    declared_ns = None if table is None else table.min_gap
    sender = vehicle.sender(message.name)
    return Timing(
        late_ns=max(round(LATE_CYCLES * cycle_ns), cycle_ns + jitter_ns),
        soon_ns=soon_ns,
        gap_ns=soon_ns if declared_ns is None else max(0, declared_ns - jitter_ns),
        after_boot_ns=max(
            (
                request.debounce
                for name, request in vehicle.requests.items()
                if vehicle.sender(split_signal(name)[0]) == sender
            ),
            default=0,
        ),
    )


def judge_cycle(case: Case, message: str) -> list[Verdict]:
    """The *cycle* rule of a message that one simulated node sends cyclically."""
    info, node = case.vehicle.messages[message], case.vehicle.sender(message)
    limits = timing(case.vehicle, info)
    found = [Verdict(message, "cycle", Outcome.NOT_EXERCISED)]
    margins: list[int] = []
    entries = case.recording.handed.get(message, [])
    followed = False
    stops = _stops(case.vehicle, message)
    for uptime in case.histories[node].uptimes:
        if uptime.end_ns <= case.start_ns:
            continue
        # What was handed over at the instant of the reset belongs to the uptime before.
        up_ns = uptime.end_ns if uptime.up_ns is None else uptime.up_ns
        since_ns = max(up_ns, case.start_ns - 4 * limits.late_ns)
        mine = between(entries, since_ns, uptime.end_ns)
        dues = () if stops else _dues(case, node, info.bus, uptime, limits, mine)
        for due_ns, came_ns in dues:
            if due_ns < case.start_ns:
                continue
            if came_ns is None or came_ns > due_ns:
                until_ns = min(case.end_ns, uptime.end_ns) if came_ns is None else came_ns
                found.append(_late(message, node, limits, due_ns, until_ns - due_ns))
            else:
                margins.append(due_ns - came_ns)
        taken = _sendings(mine)
        followed = followed or any(second.at_ns >= case.start_ns for second in taken[1:])
        for at_ns, mistake in _mistakes(case, node, info, limits, taken):
            if at_ns >= case.start_ns:
                found.append(replace(mistake, at_ns=at_ns, culprit=node))
    if followed and (margins or stops):
        found.append(Verdict(message, "cycle", Outcome.KEPT, smallest(margins)))
    return [worst(found)]


def judge_foreign(case: Case, node: str) -> list[Verdict]:
    """The *foreign* rule of a node: its program hands over only data frames that the node may send.

    What a fault sends in the node's name never passed through its program.
    """
    allowed = case.vehicle.nodes[node].also_sends_ids
    frames = [
        entry
        for entry in case.recording.foreign
        if entry.node == node and entry.at_ns >= case.start_ns
    ]
    alien = [entry for entry in frames if (entry.identifier, entry.extended) not in allowed]
    if alien:
        first = alien[0]
        kinds = {(entry.identifier, entry.extended) for entry in alien}
        frame = write_identifier(first.identifier, first.extended)
        cause, owner = _owner(case.vehicle, node, first.identifier, first.extended)
        return [
            Verdict.wrong(
                node, "foreign", first.at_ns, None, cause, frame,
                about=(*owner, str(len(kinds))), more=len(alien) - 1, culprit=node,
            )
        ]  # fmt: skip
    own = (
        entries[-1].at_ns
        for name, entries in case.recording.handed.items()
        if entries and node in case.vehicle.messages[name].senders
    )
    sends = bool(frames) or any(at_ns >= case.start_ns for at_ns in own)
    return [Verdict(node, "foreign", Outcome.KEPT if sends else Outcome.NOT_EXERCISED)]


def cyclic(vehicle: Vehicle) -> Iterator[tuple[str, str]]:
    """The messages whose cycle can be judged, each with its sender."""
    for name, info in vehicle.messages.items():
        senders = senders_of(vehicle, info)
        if len(senders) == 1 and info.period_ns:
            yield name, senders[0]


def senders_of(vehicle: Vehicle, info: MessageInfo) -> list[str]:
    """The nodes of the vehicle that send a message."""
    return [node for node in info.senders if node in vehicle.nodes]


def _stops(vehicle: Vehicle, message: str) -> bool:
    """Whether a message stops with the source of its route, which bounds how late it may be."""
    return any(
        route.target_message == message and route.on_stale == "stop"
        for route in vehicle.routes.values()
    )


# ---- too late


def _dues(
    case: Case, node: str, bus: str, uptime: Uptime, limits: Timing, mine: Sequence[Handed]
) -> Iterator[tuple[int, int | None]]:
    """When a message was due in an uptime, and when it came (None: not in this uptime)."""
    down = [*_out_of_service(case, node, bus)]
    last_ns = uptime.boot_end_ns + limits.after_boot_ns
    over_ns = min(uptime.end_ns, case.end_ns)
    for came_ns in [*(entry.at_ns for entry in mine if entry.at_ns > last_ns), None]:
        due_ns = last_ns + limits.late_ns
        for from_ns, to_ns in down:
            if from_ns <= due_ns and to_ns > last_ns:
                due_ns = max(due_ns, to_ns + limits.late_ns)
        until_ns = over_ns if came_ns is None else came_ns
        if until_ns > due_ns:
            for from_ns, to_ns in waiting(case, node, bus, uptime.reset_ns, until_ns):
                if from_ns <= due_ns < to_ns:
                    due_ns = to_ns + limits.late_ns
        if due_ns < over_ns:
            yield due_ns, came_ns
        if came_ns is not None:
            last_ns = came_ns


def _out_of_service(case: Case, node: str, bus: str) -> Iterator[TimeSpan]:
    """When a program need not hand anything over: it hangs; it has reset itself (which another rule
    reports); or its controller on the bus is bus-off, and then for the time to rejoin.
    """
    for reset in case.histories[node].unlawful:
        yield reset.at_ns, reset.at_ns + case.vehicle.nodes[node].boot
    for hang in case.histories[node].hangs:
        yield hang.from_ns, hang.to_ns
    yield from off_the_bus(case, node, bus)


def waiting(case: Case, node: str, bus: str, from_ns: int, to_ns: int) -> list[TimeSpan]:
    """The spans of an uptime in which a frame of a node waited for the bus: a program may check
    whether its controller has room before it hands anything over, so that there is no attempt to
    see.
    """
    spans: list[TimeSpan] = []
    for name, entries in case.recording.handed.items():
        info = case.vehicle.messages[name]
        if node not in info.senders or info.bus != bus:
            continue
        ends = [*case.sent_as(node, info), to_ns]
        reached_ns = from_ns
        for entry in entries:
            if entry.taken and reached_ns <= entry.at_ns < to_ns:
                reached_ns = ends[bisect_left(ends, entry.at_ns, hi=len(ends) - 1)]
                spans.append((entry.at_ns, reached_ns))
    return sorted(spans)


def _late(message: str, node: str, limits: Timing, due_ns: int, late_ns: int) -> Verdict:
    allowed = show_duration(limits.late_ns)
    return Verdict.missed(
        message, "cycle", due_ns, late_ns, Cause.OVERDUE, allowed=allowed, culprit=node
    )


# ---- too soon, or wrong in itself


def _mistake(
    info: MessageInfo,
    cause: Cause,
    observed: str = "",
    allowed: str = "",
    about: tuple[str, ...] = (),
) -> Verdict:
    """What is wrong with a message, with the instant still to be filled in."""
    return Verdict.wrong(info.name, "cycle", 0, None, cause, observed, allowed, about=about)


class Sending(NamedTuple):
    """A message that the controller took, and when it was first tried. A message that was refused
    at first may be long overdue, and the one after it keeps its own time.
    """

    at_ns: int
    data: bytes
    tried_ns: int


def _sendings(entries: Iterable[Handed]) -> list[Sending]:
    found: list[Sending] = []
    tried_ns: int | None = None
    for entry in entries:
        tried_ns = entry.at_ns if tried_ns is None else tried_ns
        if entry.taken:
            found.append(Sending(entry.at_ns, entry.data, tried_ns))
            tried_ns = None
    return found


def _mistakes(
    case: Case, node: str, info: MessageInfo, limits: Timing, taken: Sequence[Sending]
) -> Iterator[tuple[int, Verdict]]:
    """What is wrong with the messages taken in one uptime, and when."""
    known: dict[bytes, list[Verdict]] = {}
    late = [hang.to_ns for hang in case.histories[node].hangs]
    restarts = [reset.at_ns for reset in case.histories[node].unlawful]
    early = _early_signals(case.vehicle, info)
    bounded = [signal for signal in info.signals.values() if signal.strays(info.length)]
    for sending in taken:
        if sending.data not in known:
            known[sending.data] = [*_malformed(info, bounded, sending.data)]
        yield from ((sending.at_ns, mistake) for mistake in known[sending.data])
    counts = _counts(info)
    before_ns = 0
    for place, (first, second) in enumerate(pairwise(taken), 1):
        if restarts and any(first.at_ns <= at_ns < second.at_ns for at_ns in restarts):
            continue
        miscounted = None if counts is None else _wrong_count(info, counts, first, second)
        if miscounted is not None:
            yield second.at_ns, miscounted
        # The first message after a hang is late, the one after it may be on time.
        caught_up = late and any(before_ns < to_ns <= first.at_ns for to_ns in late)
        before_ns = first.at_ns
        gap_ns = second.at_ns - first.tried_ns
        if gap_ns >= limits.soon_ns or caught_up:
            continue
        if case.vehicle.routes and _hurried(case, node, info.name, limits, first, second):
            continue
        gap = show_duration(second.at_ns - first.at_ns)
        if gap_ns < limits.gap_ns:
            yield second.at_ns, _mistake(info, Cause.TOO_SOON, gap, show_duration(limits.gap_ns))
        elif not any(_moved(info.signals[name], taken, place) for name in early):
            yield (
                second.at_ns,
                _mistake(info, Cause.NOTHING_NEW, gap, show_duration(limits.soon_ns)),
            )


def _hurried(
    case: Case, node: str, message: str, limits: Timing, first: Sending, second: Sending
) -> bool:
    """Whether a gateway that passes on each message of a source as slow as its own hands over two
    at once because the source's came at once: late ones, or ones that were sent again.
    """
    for route in case.vehicle.routes.values():
        source = case.vehicle.messages[route.source_message]
        if route.target_message != message or (source.period_ns or 0) < limits.soon_ns:
            continue
        times = case.traffic(source.name).heard_by(node).times
        place = bisect_left(times, second.at_ns + 1)
        recent = place > 1 and times[place - 1] > first.at_ns - route.latency
        if recent and times[place - 1] - times[place - 2] < limits.soon_ns:
            return True
    return False


def _early_signals(vehicle: Vehicle, info: MessageInfo) -> tuple[str, ...]:
    """The signals whose change may send a message early."""
    table = vehicle.sendings.get(info.name)
    if table is not None and table.on_change is not None:
        return table.on_change
    small = (signal for signal in info.signals.values() if signal.length_bits <= SMALL_BITS)
    return tuple(
        signal.name for signal in small if signal.name not in info.guards and not signal.switch
    )


def _moved(signal: SignalInfo, taken: Sequence[Sending], place: int) -> bool:
    """Whether a message brings a signal, and with another value than the last one that had it."""
    if not signal.present(taken[place].data):
        return False
    before = (taken[i].data for i in range(place - 1, -1, -1) if signal.present(taken[i].data))
    old = next(before, None)
    return old is None or signal.raw(old) != signal.raw(taken[place].data)


def _malformed(info: MessageInfo, bounded: Sequence[SignalInfo], data: bytes) -> Iterator[Verdict]:
    """A wrong length, checksum or value of a signal that has a range. A message of the wrong length
    is not read any further.
    """
    if len(data) != info.length:
        yield _mistake(info, Cause.LENGTH, str(len(data)), str(info.length))
        return
    if info.checksum is not None and not info.checksum(data):
        yield _mistake(info, Cause.CHECKSUM)
    for signal in bounded:
        if not signal.in_range(data):
            limits = f"{_limit(signal.minimum)} to {_limit(signal.maximum)}"
            reference = f"{info.name}.{signal.name}"
            yield _mistake(info, Cause.RANGE, f"{signal.physical(data):g}", limits, (reference,))


def _limit(value: float | None) -> str:
    return "anything" if value is None else f"{value:g}"


class _Counts(NamedTuple):
    """How to read a message's counter, and the first and the last value that it takes."""

    raw: Callable[[bytes], int]
    low: int
    top: int


def _counts(info: MessageInfo) -> _Counts | None:
    counter = info.counter
    if counter is None:
        return None
    least, most = counter.ends(info.length)
    least = least if counter.minimum is None else max(least, counter.minimum)
    most = most if counter.maximum is None else min(most, counter.maximum)
    low, top = sorted(round((end - counter.offset) / counter.scale) for end in (least, most))
    return _Counts(counter.raw, low, top)


def _wrong_count(
    info: MessageInfo, counts: _Counts, first: Sending, second: Sending
) -> Verdict | None:
    """What is wrong with the counter of a message that follows another."""
    if not len(first.data) == len(second.data) == info.length:
        return None
    old, new = counts.raw(first.data), counts.raw(second.data)
    expected = counts.low if old >= counts.top else old + 1
    if new == expected:
        return None
    assert info.counter is not None
    reference = f"{info.name}.{info.counter.name}"
    return _mistake(info, Cause.COUNTER, f"{old} to {new}", str(expected), (reference,))


# ---- words, places


def between(entries: Sequence[Handed], from_ns: int, to_ns: int) -> Sequence[Handed]:
    """The entries of [from, to)."""
    low = bisect_left(entries, from_ns, key=lambda entry: entry.at_ns)
    high = bisect_left(entries, to_ns, low, key=lambda entry: entry.at_ns)
    return entries[low:high]


def _owner(
    vehicle: Vehicle, node: str, identifier: int, extended: bool
) -> tuple[Cause, tuple[str, ...]]:
    """Why a node may not send a frame, with the message that it belongs to on a bus of the node and
    that message's senders.
    """
    there = map(vehicle.messages_on, vehicle.file.buses_of(node))
    found = (
        messages[identifier, extended] for messages in there if (identifier, extended) in messages
    )
    info = next(found, None)
    if info is None:
        return Cause.UNDEFINED, ()
    if not info.senders:
        return Cause.UNSENT, (info.name,)
    return Cause.FOREIGN, (info.name, " and ".join(info.senders))
