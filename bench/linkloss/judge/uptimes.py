"""Uptimes of a node, from one reset to the next: when its program could be held to its rules.

A program cannot act while it boots, hangs or lacks supply. Around a loss of supply:

    volts          14 14 14 5 5 5 14 14 14 14
    undersupplied           [....)          out of the node's operating range, or the node is off
    news                    open.....|      need not be acted on until one latency afterwards
    back                         [....|     a lamp that was lit must be lit again by here
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from linkloss.bus import BusRecord
from linkloss.recording import FaultRecord, NodeChange, Recording, Series
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.tables import ANY_FRAME

_LAWFUL = ("power-up", "fault", "supply")


@dataclass(frozen=True, slots=True)
class Uptime:
    """From one reset of a node to the next, whether or not its program comes up.

    ``boot_end_ns`` is ``back_ns`` plus the declared longest boot: until then only the reset rule
    applies. ``up_ns`` is when the program actually started (None: never in this uptime).
    ``back_ns`` is when the supply was back, if its loss began this uptime; when the node woke or
    had to wake, if falling asleep began it (cause ``sleep``); else ``reset_ns``.
    """

    reset_ns: int
    boot_end_ns: int
    up_ns: int | None
    end_ns: int
    cause: str
    back_ns: int

    @property
    def anew_ns(self) -> int:
        """When the node lost all that it knew and started afresh: at the reset, or when it woke."""
        return self.back_ns if self.cause == "sleep" else self.reset_ns


@dataclass(frozen=True, slots=True)
class Hang:
    """A program stopped by a fault, until its reset, its resumption or the end of the run.

    ``ended_by`` is the state that followed, or for a reset its cause: ``watchdog``, ``fault``.
    """

    from_ns: int
    to_ns: int
    ended_by: str


def taken_by(at_ns: int, hangs: Iterable[tuple[int, int]], reading_ns: int = 0) -> int:
    """By when a program has read what arrived at an instant. A program that hung then, or within
    ``reading_ns`` afterwards, finds it when it resumes, and its age counts from there. ``hangs``
    are spans in order of time.
    """
    for start_ns, end_ns in hangs:
        if start_ns <= at_ns + reading_ns and at_ns <= end_ns:
            at_ns = end_ns
    return at_ns


@dataclass(frozen=True, slots=True)
class NodeHistory:
    """A node's whole run. ``unlawful`` are resets that no fault, supply or watchdog caused, and
    sleeps that the vehicle does not allow.
    """

    uptimes: tuple[Uptime, ...]
    hangs: tuple[Hang, ...]
    unlawful: tuple[NodeChange, ...]

    def naps(self) -> Iterator[Uptime]:
        """The uptimes that began by falling asleep as the vehicle allows."""
        return (uptime for uptime in self.uptimes if uptime.cause == "sleep")

    def asleep_at(self, at_ns: int) -> bool:
        """Whether the node was asleep at an instant, as the vehicle allows."""
        return any(nap.reset_ns <= at_ns < nap.back_ns for nap in self.naps())

    def uptime_at(self, at_ns: int) -> Uptime:
        """The uptime that an instant belongs to."""
        return next(uptime for uptime in reversed(self.uptimes) if uptime.reset_ns <= at_ns)


def node_history(vehicle: Vehicle, recording: Recording, node: str, end_ns: int) -> NodeHistory:
    """Read a node's uptimes from a recording up to ``end_ns``.

    A watchdog reset is lawful only while the program hung: a watchdog that bites a running program
    is the program's own fault. A node that restarts itself is at fault too, except in bus-off where
    the vehicle declares it (``restart_on_bus_off``). An unlawful reset begins no new uptime: it
    excuses nothing. A node that loses its supply begins an uptime at the loss and boots once the
    supply is back; a node that rightly falls asleep begins one too and boots once something wakes
    it.
    """
    may_restart = vehicle.nodes[node].restart_on_bus_off
    buses = vehicle.file.buses_of(node)
    changes = recording.nodes[node]
    starts: list[NodeChange] = []
    unlawful: list[NodeChange] = []
    hangs: list[Hang] = []
    backs: dict[int, int] = {}
    previous = ""
    for index, change in enumerate(changes):
        if change.state == "asleep":
            if may_sleep(vehicle, recording, node, change.at_ns):
                starts.append(change._replace(cause="sleep"))
                over_ns = changes[index + 1].at_ns if index + 1 < len(changes) else end_ns
                called = calls(vehicle, recording, node, change.at_ns)
                backs[change.at_ns] = min(next(called, over_ns), over_ns)
            else:
                unlawful.append(change)
        elif change.state == "off":
            if previous != "off":  # else the supply failed again before the boot began
                starts.append(change)
                backs[change.at_ns] = end_ns
        elif previous == "off":
            backs[starts[-1].at_ns] = change.at_ns
        elif change.state == "reset" and change.cause != "wake":
            lawful = change.cause in _LAWFUL or (
                change.cause == "watchdog" and previous in ("hung", "reset")
            )
            lawful = lawful or (may_restart and _bus_off(recording, node, buses, change.at_ns))
            (starts if lawful else unlawful).append(change)
        if change.state == "hung":
            following = changes[index + 1] if index + 1 < len(changes) else None
            hangs.append(_hang(change, following, end_ns))
        previous = change.state
    uptimes = _uptimes(starts, backs, changes, vehicle.nodes[node].boot, end_ns)
    return NodeHistory(uptimes, tuple(hangs), tuple(unlawful))


def _uptimes(
    starts: Sequence[NodeChange],
    backs: Mapping[int, int],
    changes: Sequence[NodeChange],
    boot_ns: int,
    end_ns: int,
) -> tuple[Uptime, ...]:
    """The uptimes that begin with ``starts``; ``backs`` tells when each could boot, if not
    at once.
    """
    uptimes = []
    for index, birth in enumerate(starts):
        over_ns = starts[index + 1].at_ns if index + 1 < len(starts) else end_ns
        # A program that still runs at the instant of the start belongs to the uptime before.
        back_ns = backs.get(birth.at_ns, birth.at_ns)
        ups = [
            change.at_ns
            for change in changes
            if change.state == "running"
            and change.cause == "boot"
            and back_ns <= change.at_ns <= over_ns
        ]
        uptimes.append(
            Uptime(
                reset_ns=birth.at_ns,
                boot_end_ns=back_ns + boot_ns,
                up_ns=ups[0] if ups else None,
                end_ns=over_ns,
                cause=birth.cause,
                back_ns=back_ns,
            ),
        )
    return tuple(uptimes)


def may_sleep(vehicle: Vehicle, recording: Recording, node: str, at_ns: int) -> bool:
    """Whether a node may fall asleep at an instant, by its inputs as it reads them."""
    condition = vehicle.nodes[node].sleeps_when
    return condition is not None and condition(
        {name: recording.seen[(name, node)].at(at_ns) for name in condition.names}
    )


def calls(vehicle: Vehicle, recording: Recording, node: str, since_ns: int) -> Iterator[int]:
    """The instants after ``since_ns`` at which a sleeping node must wake, in order: an input that
    wakes it changes, or a message that wakes it is on the bus and no fault can keep it from the
    node.
    """
    faults = recording.faults_on(*vehicle.file.buses_of(node))
    found = [at_ns for at_ns in waking_moves(vehicle, recording, node) if at_ns > since_ns]
    for record in waking_frames(vehicle, recording, node):
        if record.end_ns <= since_ns:
            break
        whole = record.error is None and record.start_ns >= since_ns
        if whole and not _faulty(faults, record.end_ns):
            found.append(record.end_ns)
    return iter(sorted(found))


def waking_moves(vehicle: Vehicle, recording: Recording, node: str) -> Iterator[int]:
    """When the inputs that wake a node changed."""
    for name in vehicle.nodes[node].wakers:
        if (name, node) in recording.seen:
            yield from recording.seen[(name, node)].times


def waking_frames(vehicle: Vehicle, recording: Recording, node: str) -> Iterator[BusRecord]:
    """The frames of other nodes that wake a node, wherever on its buses they were; the last one
    first.
    """
    wakers = vehicle.nodes[node].wakers
    buses = ("", *vehicle.file.buses_of(node))
    message_of = recording.finder(m for m in vehicle.messages.values() if m.name in wakers)
    known = any(name in vehicle.messages for name in wakers)
    if known or ANY_FRAME in wakers:
        for record in reversed(recording.frames):
            wakes = ANY_FRAME in wakers or message_of(record) is not None
            if record.bus in buses and record.sender != node and wakes:
                yield record


def _faulty(faults: Sequence[FaultRecord], at_ns: int) -> bool:
    return any(
        fault.applied_ns <= at_ns and (fault.cleared_ns is None or at_ns <= fault.cleared_ns)
        for fault in faults
    )


def _bus_off(recording: Recording, node: str, buses: Sequence[str], at_ns: int) -> bool:
    """Whether a controller of a node was bus-off when something happened."""
    for bus in buses:
        state = ""
        for change in recording.states(node, bus):
            if change.at_ns > at_ns or (change.at_ns == at_ns and state == "BUS_OFF"):
                break
            state = change.state
        if state == "BUS_OFF":
            return True
    return False


def _hang(hung: NodeChange, following: NodeChange | None, end_ns: int) -> Hang:
    if following is None:
        return Hang(hung.at_ns, end_ns, "end")
    ended_by = following.cause if following.state == "reset" else following.state
    return Hang(hung.at_ns, following.at_ns, ended_by)


def quiet_times(
    recording: Recording,
    buses: tuple[str, ...],
    uptimes: dict[str, NodeHistory],
    undersupplied: Iterable[tuple[int, int]] = (),
) -> list[tuple[int, int]]:
    """The spans in which no injected fault is active on some buses, as (from, to) in ns.
    ``uptimes``: those of their nodes.

    A reset, whatever caused it, is active until the declared boot of its node is over. A hang is
    active until its program resumes or has rebooted, a supply out of range (the spans
    ``undersupplied``) until it is back in range.
    """
    busy = [
        (fault.applied_ns, recording.end_ns if fault.cleared_ns is None else fault.cleared_ns)
        for fault in recording.faults_on(*buses)
    ]
    busy += undersupplied
    for history in uptimes.values():
        busy += [(uptime.reset_ns, uptime.boot_end_ns) for uptime in history.uptimes]
        busy += [(hang.from_ns, hang.to_ns) for hang in history.hangs]
    quiet: list[tuple[int, int]] = []
    reached = 0
    for start, end in sorted(busy):
        if start > reached:
            quiet.append((reached, start))
        reached = max(reached, end)
    if reached < recording.end_ns:
        quiet.append((reached, recording.end_ns))
    return quiet


def out_of_range(
    vehicle: Vehicle, recording: Recording, node: str, history: NodeHistory, end_ns: int
) -> list[tuple[int, int]]:
    """The spans, in ns, in which the voltage at a node was outside its declared operating range or
    the node was off; spans that touch are joined. None on an ideal supply.
    """
    found = [
        (uptime.reset_ns, min(uptime.back_ns, end_ns))
        for uptime in history.uptimes
        if uptime.cause == "supply" and uptime.reset_ns < uptime.back_ns
    ]
    supply, volts = vehicle.nodes[node].supply, recording.volts.get(node)
    if supply is not None and volts is not None:
        low, high = supply.range
        times = [*volts.times, end_ns]
        for (from_ns, to_ns), value in zip(pairwise(times), volts.values, strict=True):
            if not low <= value <= high and from_ns < end_ns:
                found.append((from_ns, min(to_ns, end_ns)))
    return merged(found)


def merged(spans: Sequence[tuple[int, int]], gap_ns: int = 0) -> list[tuple[int, int]]:
    """Spans in order, with those at most ``gap_ns`` apart joined."""
    found: list[tuple[int, int]] = []
    for from_ns, to_ns in sorted(spans):
        if found and from_ns <= found[-1][1] + gap_ns:
            found[-1] = (found[-1][0], max(found[-1][1], to_ns))
        elif from_ns < to_ns:
            found.append((from_ns, to_ns))
    return found


def without(
    from_ns: int, to_ns: int, others: Sequence[tuple[int, int]]
) -> Iterator[tuple[int, int]]:
    """The parts of a span that lie in none of the others."""
    for start_ns, end_ns in sorted(others):
        if end_ns <= from_ns or start_ns >= to_ns:
            continue
        if start_ns > from_ns:
            yield from_ns, start_ns
        from_ns = end_ns
    if from_ns < to_ns:
        yield from_ns, to_ns


def within(
    from_ns: int, to_ns: int, others: Iterable[tuple[int, int]]
) -> Iterator[tuple[int, int]]:
    """The parts of a span that lie in others, one for each."""
    for start_ns, end_ns in others:
        if max(from_ns, start_ns) < min(to_ns, end_ns):
            yield max(from_ns, start_ns), min(to_ns, end_ns)


def spliced(
    got: Series[float], driven: Series[float], spans: Sequence[tuple[int, int]]
) -> Series[float]:
    """The series ``got``, replaced by ``driven`` within the spans (from, to) in ns."""
    result: Series[float] = Series()
    edges = {edge for span in spans for edge in span}
    for at_ns in sorted({*got.times, *driven.times, *edges}):
        inside = any(from_ns <= at_ns < to_ns for from_ns, to_ns in spans)
        result.set(at_ns, (driven if inside else got).at(at_ns))
    return result
