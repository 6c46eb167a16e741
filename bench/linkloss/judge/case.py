"""A run as the judge sees it: the vehicle, its recording, and what several rules derive from them.

It also tells when a node's program can do its work, when something keeps it from it, and when every
link and node must be back in service: no fault is left and *rejoin* is over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import pairwise
from typing import NamedTuple

from linkloss.judge.evidence import Arrival, Evidence, Link, Traffic
from linkloss.judge.uptimes import NodeHistory, out_of_range, quiet_times, spliced, taken_by
from linkloss.recording import FaultRecord, Recording, Series
from linkloss.vehicle.expression import Condition, Value, load_key
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo


@dataclass(frozen=True, slots=True)
class Intent:
    """What is asked for over time, how much earlier a program may see it, and the spans in which it
    may see either value: an input bounces, or a message may be refused.
    """

    wanted: Series[bool]
    unsure: list[tuple[int, int]]
    early_ns: int


class Waited(NamedTuple):
    """A frame that some node received, with the instants when it was queued and when it started."""

    queued_ns: int
    start_ns: int
    data: bytes


class Case:
    """A vehicle and a recording, with the derived series that several rules need."""

    def __init__(
        self,
        vehicle: Vehicle,
        recording: Recording,
        evidence: Evidence | None = None,
        start_ns: int = 0,
        since_ns: int = 0,
    ) -> None:
        """``evidence``: what has been read of the recording before. What comes before ``start_ns``
        is known but not judged. Before ``since_ns`` the recording may lack frames and changes, and
        nothing follows from that.
        """
        self.vehicle = vehicle
        self.recording = recording
        self.start_ns = start_ns
        self.since_ns = since_ns
        self.end_ns = recording.end_ns
        self.evidence = Evidence(vehicle, recording) if evidence is None else evidence
        self.evidence.read_on(recording.end_ns)
        self.histories: dict[str, NodeHistory] = {
            node: self.evidence.history(node) for node in vehicle.nodes
        }
        self.waits: dict[str, list[Waited]] = {}
        self.full: dict[str, list[tuple[int, int]]] = {}
        self.intents: dict[tuple[str, int], list[Intent]] = {}
        self._actual: dict[str, Series[float]] = {}
        self._commands: dict[str, Series[float]] = {}
        self._quiet: dict[tuple[str, ...], list[tuple[int, int]]] = {}
        self._lean: dict[str, list[tuple[int, int]]] = {}

    @cached_property
    def sent(self) -> dict[tuple[str, str, int, bool], list[int]]:
        """When frames were sent without an error, by node, bus (empty where there is one),
        identifier and whether that is an extended one.
        """
        found: dict[tuple[str, str, int, bool], list[int]] = {}
        for record in self.recording.frames.delivered():
            if record.error is None:
                frame = record.frame
                key = (record.sender, record.bus, frame.identifier, frame.extended)
                found.setdefault(key, []).append(record.end_ns)
        return found

    def sent_as(self, node: str, info: MessageInfo) -> Sequence[int]:
        """When a node sent frames of a message without an error."""
        bus = info.bus if self.recording.on_bus else ""
        return self.sent.get((node, bus, info.identifier, info.extended), [])

    def quiet(self, node: str) -> list[tuple[int, int]]:
        """The spans without any injected fault on the buses of a node and with the supply of every
        node there in range.
        """
        buses = self.vehicle.file.buses_of(node)
        if buses not in self._quiet:
            cable = {name for bus in buses for name in self.vehicle.file.bus[bus].cable}
            there = {name: self.histories[name] for name in self.vehicle.nodes if name in cable}
            lean = [span for name in there for span in self.undersupplied(name)]
            self._quiet[buses] = quiet_times(self.recording, buses, there, lean)
        return self._quiet[buses]

    def faults_near(self, node: str) -> Sequence[FaultRecord]:
        """The faults of the run that can change anything on the buses of a node."""
        return self.recording.faults_on(*self.vehicle.file.buses_of(node))

    def undersupplied(self, node: str) -> list[tuple[int, int]]:
        """The spans in which a node's supply was out of range, or the node was off without
        supply.
        """
        if node not in self._lean:
            self._lean[node] = out_of_range(
                self.vehicle, self.recording, node, self.histories[node], self.end_ns
            )
        return self._lean[node]

    def actual(self, load: str) -> Series[float]:
        """The level that a load is judged by: what it got or, while a blown fuse, a broken lead or
        a welded relay keeps it from following, what its node called for.
        """
        if load not in self._actual:
            cannot = self.cannot(load)
            got, driven = self.recording.outputs[load], self.driven(load)
            self._actual[load] = spliced(got, driven, cannot) if cannot and driven != got else got
        return self._actual[load]

    def command(self, load: str) -> Series[float]:
        """What a load's node drives, as a level from 0 to 1; while no program drives the output,
        what the hardware does by itself. For a node that was not simulated, what the load got.
        """
        if load not in self._commands:
            self._commands[load] = self._command(load)
        return self._commands[load]

    def undriven(self, load: str, at_ns: int) -> bool:
        """Whether no program drives a load's output at an instant, so that the hardware decides."""
        driven = self.recording.commands.get(load)
        if driven is None or not driven.times:
            down = self._down(self.vehicle.loads[load].node)
            return any(from_ns <= at_ns < to_ns for from_ns, to_ns in down)
        return driven.at(at_ns) is None

    def _down(self, node: str) -> list[tuple[int, int]]:
        """From each reset of a node until its program runs; a sleeping node drives as declared."""
        return [
            (uptime.reset_ns, uptime.end_ns if uptime.up_ns is None else uptime.up_ns)
            for uptime in self.histories[node].uptimes
            if uptime.cause != "sleep"
        ]

    def _command(self, load: str) -> Series[float]:
        table = self.vehicle.loads[load]
        default = 1.0 if table.hardware_default == "on" else 0.0
        driven = self.recording.commands.get(load)
        result: Series[float] = Series()
        local: Series[bool] | None = None
        if table.hardware_default == "local" and table.local is not None:
            local = self.condition(table.local, table.node)
        if driven is None or not driven.times:
            got = self.recording.outputs[load]
            driven = Series()
            down = self._down(table.node)
            edges = {edge for span in down for edge in span}
            for at_ns in sorted({*got.times, *edges}):
                off = any(from_ns <= at_ns < to_ns for from_ns, to_ns in down)
                driven.set(at_ns, None if off else got.at(at_ns))
        for at_ns in sorted({0, *driven.times, *(local.times if local is not None else ())}):
            level = driven.at(at_ns) if driven.times and at_ns >= driven.times[0] else None
            if level is None:
                level = default if local is None else float(local.at(at_ns))
            result.set(at_ns, level)
        return result

    def driven(self, load: str) -> Series[float]:
        """The level that a load's node calls for; on an ideal supply this is what the load gets."""
        driven = self.recording.driven.get(load)
        return self.recording.outputs[load] if driven is None or not driven.times else driven

    def cannot(self, load: str) -> list[tuple[int, int]]:
        """The spans in which the hardware behind a load's node cannot follow its command. After the
        repair a contact has its switching time, a tripped switch its waiting time, and a latched
        switch stays off until its node has switched it off.
        """
        table = self.vehicle.loads[load]
        latches = table.electrical is not None and table.electrical.solid_state is not None
        spans = []
        for from_ns, to_ns in self.spans(lambda fault: load in fault.loads):
            free_ns = self._follows(load, to_ns) + table.latency if latches else to_ns
            spans.append((from_ns, min(self.end_ns, free_ns + table.switching_ns)))
        return spans

    def _follows(self, load: str, since_ns: int) -> int:
        """When, from ``since_ns`` on, a load first got what its node called for, or its node called
        for nothing.
        """
        got, driven = self.recording.outputs[load], self.driven(load)
        times = sorted({since_ns, *(at for at in (*got.times, *driven.times) if at > since_ns)})
        right = (at for at in times if driven.at(at) <= 0 or got.at(at) > 0)
        return next(right, self.end_ns)

    def wrong_content(self, node: str) -> bool:
        """Whether a fault of the run changes the content of what arrives on a node's bus."""
        return any(fault.content for fault in self.faults_near(node))

    @cached_property
    def pins_at_fault(self) -> bool:
        """Whether a fault of the run is on an input or an output."""
        return any(fault.group in ("input", "output") for fault in self.recording.faults)

    def simulated(self, node: str) -> bool:
        """Whether a node ran its program in this run; otherwise its frames came from a log."""
        return node not in self.recording.logged

    def spans(
        self, which: Callable[[FaultRecord], bool], near: str | None = None
    ) -> list[tuple[int, int]]:
        """The spans of the faults for which ``which(fault)`` holds; with ``near``, only of those
        that can change anything on the bus of that node.
        """
        return [
            (fault.applied_ns, self.end_ns if fault.cleared_ns is None else fault.cleared_ns)
            for fault in (self.recording.faults if near is None else self.faults_near(near))
            if which(fault)
        ]

    def traffic(self, message: str) -> Traffic:
        """The valid frames of a message."""
        return self.evidence.traffic(message)

    def link(self, message: str, load: LoadTable) -> Link:
        """How a load's node monitors the message that asks for the load."""
        assert load.stale_after is not None
        period_ns = self.vehicle.messages[message].period_ns or load.stale_after
        slack_ns = self.slack(load.node, load.stale_after)
        return Link(
            stale_after_ns=load.stale_after,
            early_ns=load.early_ns + slack_ns,
            reaction_ns=load.reaction + slack_ns,
            max_step=load.max_step or max(1, load.stale_after // period_ns),
            after_jump=load.after_jump,
            page=self.vehicle.page(message, load),
        )

    def slack(self, node: str, lasts_ns: int) -> int:
        """How far a node's own clock may be off over a time that it measures, in ns."""
        return round(lasts_ns * self.vehicle.nodes[node].drift / 1e6)

    def arrivals(self, message: str, node: str, link: Link) -> Sequence[list[Arrival]]:
        """The good messages at a node, one list for each of its uptimes."""
        return self.evidence.watch(message, node, link).uptimes

    def condition(
        self, condition: Condition, node: str | None, hearer: str | None = None
    ) -> Series[bool]:
        """A condition over time.

        Inputs count as they truly are (``node`` None) or as a node reads them; one that is not
        wired to that node counts as the first node that it is wired to reads it. Signals count as
        the node ``hearer`` last received or sent them since its reset; until it knows all of them
        the condition does not hold. Loads count as their nodes drive them.
        """
        sources: dict[str, Series[Value]] = {}
        known: dict[str, Series[Value]] = {}
        for name in condition.names:
            if "." in name:
                assert hearer is not None
                sources[name], known[name] = self._signal(name, hearer)
            else:
                sources[name] = self._input(name, node)
        for load in condition.loads:
            sources[load_key(load)] = self._state(load)
        if not known:
            return over_time(condition, sources)
        return over_time(
            lambda values: all(values[f"{name}?"] for name in known) and condition(values),
            {**sources, **{f"{name}?": series for name, series in known.items()}},
        )

    def _signal(self, name: str, hearer: str) -> tuple[Series[Value], Series[Value]]:
        """A signal as a node knows it, and whether it knows it (1, 0)."""
        message, signal = self.vehicle.signal(name)
        if hearer in message.senders:
            entries = self.recording.handed.get(message.name, [])
            sent = ((entry.at_ns, entry.data) for entry in entries if entry.data)
            heard = [(at_ns, data) for at_ns, data in sent if signal.present(data)]
        else:
            frames = self.traffic(message.name).frames
            heard = [
                (seen.at_ns, seen.data)
                for seen in frames
                if hearer in seen.receivers and signal.present(seen.data)
            ]
        value: Series[Value] = Series()
        known: Series[Value] = Series()
        value.set(0, 0.0)
        resets = [(uptime.reset_ns, None) for uptime in self.histories[hearer].uptimes]
        for at_ns, data in sorted([*resets, *heard], key=lambda entry: entry[0]):
            known.set(at_ns, 0.0 if data is None else 1.0)
            if data is not None:
                value.set(at_ns, signal.physical(data))
        return value, known

    def _state(self, load: str) -> Series[Value]:
        """The state that a load's node calls for."""
        return shown_states(self.command(load), self.vehicle.loads[load].cycle_ns, self.end_ns)

    def _input(self, name: str, node: str | None) -> Series[Value]:
        if node is None:
            return self.recording.inputs[name]
        wired_to = self.vehicle.inputs[name].wired_to
        return self.recording.seen[(name, node if node in wired_to else wired_to[0])]


class Waiting:
    """The spans in which a node cannot act on news: it boots, its program hangs, or its supply is
    out of range. News that is open in such a span stays open for a latency after it.
    """

    def __init__(self, case: Case, load: LoadTable) -> None:
        node = load.node
        watchdog_ns = case.vehicle.nodes[node].watchdog or 0
        history = case.histories[node]
        self.latency_ns = load.latency
        self._hangs = [
            (hang.from_ns, min(hang.to_ns, hang.from_ns + watchdog_ns)) for hang in history.hangs
        ]
        boots = [(uptime.reset_ns, uptime.boot_end_ns) for uptime in history.uptimes]
        self.deaf = sorted([*self._hangs, *boots])
        """When it need not receive a message."""
        self._deaf_to_ns = max(end_ns for _, end_ns in self.deaf)
        self.spans = sorted([*self.deaf, *case.undersupplied(node)])
        self.taken_by: Callable[[int], int] = int
        """By when the node has read a message that arrived at an instant, if it reads it at all."""
        if self._hangs:
            self.taken_by = partial(taken_by, hangs=self._hangs, reading_ns=self.latency_ns)

    def until(self, from_ns: int, by_ns: int, hung_ns: int = 0) -> int:
        """By when news must be noted whose deadline would otherwise be ``by_ns``. A program that
        hung has ``hung_ns`` after that, if this is longer than a latency: its time starts there.
        """
        for start_ns, end_ns in self.spans:
            if start_ns > by_ns:
                break
            if from_ns <= end_ns:
                hung = (start_ns, end_ns) in self._hangs
                by_ns = max(by_ns, end_ns + max(self.latency_ns, hung_ns if hung else 0))
        return by_ns

    def hears(self, at_ns: int) -> bool:
        """Whether the node surely receives a message at this instant."""
        if at_ns > self._deaf_to_ns:  # nearly always
            return True
        return not any(start_ns <= at_ns <= end_ns for start_ns, end_ns in self.deaf)


def over_time(
    condition: Callable[[Mapping[str, Value]], bool], sources: Mapping[str, Series[Value]]
) -> Series[bool]:
    """A condition evaluated at every change of its sources, from instant zero."""
    instants = sorted({0, *(at for source in sources.values() for at in source.times)})
    result: Series[bool] = Series()
    for at_ns in instants:
        result.set(at_ns, condition({name: source.at(at_ns) for name, source in sources.items()}))
    return result


def shown_states(levels: Series[float], cycle_ns: int, end_ns: int) -> Series[Value]:
    """A level as a state: off, on or, for a load that flashes with the longest cycle ``cycle_ns``,
    flash. Flashing is lit and dark in turn, with no phase as long as that cycle.
    """
    lit: list[tuple[int, int]] = []
    for at_ns, to_ns, level in levels.stretches(end_ns):
        if level <= 0:
            continue
        if lit and lit[-1][1] == at_ns:
            lit[-1] = (lit[-1][0], to_ns)
        else:
            lit.append((at_ns, to_ns))
    runs: list[tuple[int, int, str]] = []
    for from_ns, to_ns in lit:
        state = "flash" if to_ns - from_ns < cycle_ns else "on"
        if runs and state == "flash" == runs[-1][2] and from_ns - runs[-1][1] < cycle_ns:
            runs[-1] = (runs[-1][0], to_ns, state)
        else:
            runs.append((from_ns, to_ns, state))
    result: Series[Value] = Series()
    result.set(0, "off")
    for from_ns, to_ns, state in runs:
        result.set(from_ns, state)
        result.set(to_ns, "off")
    return result


def window(
    values: Series[bool], behind_ns: int, ahead_ns: int, end_ns: int, linger_ns: int = 0
) -> list[tuple[int, int, int]]:
    """Which values a boolean series takes around each instant.

    Returns (from, to, set) over [0, end_ns): at t, bit 0 is set if it is False and bit 1 if it is
    True somewhere in [t - behind_ns, t + ahead_ns]. A value that ends exactly ``behind_ns`` ago no
    longer counts. ``linger_ns``: how much longer True counts than False.
    """
    instants = {0, end_ns}
    changes = values.changes()
    spans: list[tuple[int, int, int]] = []
    for index, (at_ns, value) in enumerate(changes):
        to_ns = changes[index + 1][0] if index + 1 < len(changes) else end_ns
        start = 0 if index == 0 else max(0, at_ns - ahead_ns)
        stop = min(end_ns, to_ns + behind_ns + (linger_ns if value else 0))
        spans.append((start, stop, 2 if value else 1))
        instants.update((start, stop))
    times = sorted(at for at in instants if at <= end_ns)
    found: list[tuple[int, int, int]] = []
    for from_ns, to_ns in pairwise(times):
        seen = 0
        for start, stop, bits in spans:
            if start <= from_ns < stop:
                seen |= bits
        if found and found[-1][2] == seen:
            found[-1] = (found[-1][0], to_ns, seen)
        else:
            found.append((from_ns, to_ns, seen))
    return found


TimeSpan = tuple[int, int]
"""From an instant to another, in ns."""


class BusOff(NamedTuple):
    """A controller was bus-off. ``back`` tells whether it came back by itself or at its program's
    request, rather than by a reset of the node or not at all.
    """

    from_ns: int
    to_ns: int
    back: bool


def bus_offs(case: Case, node: str, bus: str) -> Iterator[BusOff]:
    """When a node's controller on a bus was bus-off, in order of time. A reset ends bus-off, and no
    state change is recorded for that.
    """
    resets = [
        change.at_ns
        for change in case.recording.nodes.get(node, [])
        if change.state in ("reset", "off")
    ]
    changes = case.recording.states(node, bus)
    for place, change in enumerate(changes):
        if change.state != "BUS_OFF":
            continue
        later = changes[place + 1 :]
        back_ns = next((other.at_ns for other in later if other.state != "BUS_OFF"), case.end_ns)
        reset_ns = next((at_ns for at_ns in resets if at_ns > change.at_ns), case.end_ns)
        back = back_ns <= reset_ns and back_ns < case.end_ns
        yield BusOff(change.at_ns, min(back_ns, reset_ns), back)


def off_the_bus(case: Case, node: str, bus: str) -> Iterator[TimeSpan]:
    """The spans in which a node's controller on a bus is bus-off, so that its program receives
    nothing there and can hand nothing over, each with the time to rejoin afterwards. There is no
    such time after a reset: what is due then is due.
    """
    rejoin_ns = case.vehicle.nodes[node].rejoin
    for off in bus_offs(case, node, bus):
        yield off.from_ns, off.to_ns + rejoin_ns * off.back


class Zone(NamedTuple):
    """A span in which a node must be in service. The faults were gone at ``quiet_ns``;
    ``after_fault`` tells whether there had been any.
    """

    quiet_ns: int
    from_ns: int
    to_ns: int
    after_fault: bool


def zones(case: Case, node: str, rejoin_ns: int) -> list[Zone]:
    """The spans in which a rule of a node with this time to rejoin is strict."""
    faults = case.faults_near(node)
    first_fault = min((fault.applied_ns for fault in faults), default=case.end_ns)
    return [
        Zone(start, max(start + rejoin_ns, case.since_ns), end, start >= first_fault)
        for start, end in case.quiet(node)
        if max(start + rejoin_ns, case.since_ns) < end
    ]


def first_gap(spans: Sequence[tuple[int, int]], from_ns: int, to_ns: int) -> int | None:
    """The first instant of [from_ns, to_ns) that no span covers, or None."""
    reached = from_ns
    for start, end in sorted(spans):
        if start > reached:
            break
        reached = max(reached, end)
    return reached if reached < to_ns else None


def missing_sender(case: Case, load: LoadTable, at_ns: int, since_ns: int) -> tuple[str, str]:
    """The message that does not arrive good at a load's node, and the node at fault: the message's
    sender, unless intact frames were on the bus and none of them was delivered.
    """
    found = []
    for message in load.messages:
        traffic = case.traffic(message)
        sent = traffic.sent.any_in(since_ns, at_ns)
        heard = traffic.heard_by(load.node).any_in(since_ns, at_ns)
        culprit = load.node if sent and not heard else case.vehicle.sender(message)
        found.append((heard, message, culprit))
    _, message, culprit = next((entry for entry in found if not entry[0]), found[0])
    return message, culprit
