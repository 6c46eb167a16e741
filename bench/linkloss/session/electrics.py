"""The electrical side of a session: how nodes act on the circuit, and its voltages on the nodes.

    output driven, input moved, fault      ->  the circuit is told, and solved once for the instant
    voltage at a node under its threshold  ->  the node is off, its outputs drop
    voltage back                           ->  the node boots, for the cause "supply"
    a fuse that opens, what took a supply  ->  the recording
    current, status                        ->  the board, for the program to read

A vehicle without ``[supply]`` has none of this: its outputs follow their commands at once.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Protocol

from linkloss.clock import Event, EventQueue, Priority
from linkloss.power.network import Event as Happening
from linkloss.power.network import Network
from linkloss.power.supply import Profile
from linkloss.power.switches import SolidState
from linkloss.recording import FuseOpened, Recording, Series, series
from linkloss.vehicle.expression import Condition, Value
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.wiring import build_network

MS = 1_000_000
START_UP_NS = MS
"""From the return of a node's supply until its processor begins to boot: power-on reset of common
microcontrollers, 1 to 4.5 ms (from memory).
"""
NOTED_V, NOTED_A, NOTED_SHARE = 0.05, 0.05, 0.05
"""Smaller changes of a voltage (V) or a current (A) are not recorded; for a current the larger of
ampere value and share counts.
"""
WORKS_AGAIN = 1.1
"""A load that stopped for lack of voltage works again from this many times that voltage."""


AFTERMATH_NS = 300 * MS
"""For this long after a fault of the supply its effects last: filaments are cold and motors at
rest, and all draw their inrush at once (about ten time constants of a lamp, three of a motor).
"""


class Fed(Protocol):
    """A node as the circuit sees it."""

    def supply_lost(self, by: str) -> None:
        """The node's processor has too little voltage; ``by``: what took it."""

    def supply_back(self) -> None:
        """The processor has enough voltage again."""

    def run_wild(self) -> None:
        """The program has too little voltage, and nothing holds the processor in reset."""


def make_power(
    queue: EventQueue, vehicle: Vehicle, recording: Recording, real: Collection[str] = ()
) -> Power | None:
    """The circuit of a vehicle; None on an ideal supply. The nodes ``real`` are fed by what they
    are really connected to: this circuit does not switch them off.
    """
    network = build_network(vehicle.supply, vehicle.nodes, vehicle.loads)
    return None if network is None else Power(queue, vehicle, network, recording, real)


class Power:
    """The circuit of one session. ``hosts`` are the nodes by name, once they exist."""

    def __init__(
        self,
        queue: EventQueue,
        vehicle: Vehicle,
        network: Network,
        recording: Recording,
        real: Collection[str] = (),
    ) -> None:
        self.network = network
        self.hosts: dict[str, Fed] = {}
        self._queue = queue
        self._vehicle = vehicle
        self._recording = recording
        self._nodes = {node: True for node in vehicle.nodes if node not in real}
        self._disturbed_ns = -AFTERMATH_NS - 1
        self._works_from = {
            name: table.electrical.works_from
            for name, table in vehicle.loads.items()
            if table.electrical is not None
        }
        self._followed: list[tuple[Profile, object]] = []
        self._changed = False
        self._due: Event | None = None
        self._due_ns = -1
        self._faint: set[str] = set()
        self._wild: set[str] = set()
        self._starting: dict[str, Event] = {}
        self._values: dict[str, Value] = {}
        self._protected: list[tuple[SolidState, Series[str]]] = []
        for node in self._nodes:
            recording.volts[node] = Series()
        for name in self._works_from:
            if vehicle.loads[name].node not in recording.logged:
                recording.amps[name] = Series()
                recording.driven[name] = Series()
                switch = network.channels[name].switch
                if isinstance(switch, SolidState):
                    recording.trips[name] = series((0, ""))
                    self._protected.append((switch, recording.trips[name]))

    # ---- what the session tells ----

    def begin(self, values: Mapping[str, Value]) -> None:
        """Connect the battery. ``values`` are the inputs."""
        self._values = dict(values)
        self._charge()
        self._tell(self.network.settle())
        self._nodes = {node: self.network.powered(node) for node in self._nodes}
        self._note()
        if self.network.next_ns is not None:
            self._wake(self.network.next_ns)

    def powered(self, node: str) -> bool:
        """Whether a node's processor has its voltage."""
        return self._nodes[node]

    def wild(self, node: str) -> bool:
        """Whether a node's program runs wild, for lack of voltage and of a brown-out detector."""
        return self.network.wild(node)

    def feeds(self, load: str) -> bool:
        """Whether a load is part of the circuit; a load that is not always gets what its node
        drives.
        """
        return load in self.network.channels

    def drive(self, load: str, level: float) -> None:
        """A load's output is driven, by its node or by the hardware without one."""
        driven = self._recording.driven[load]
        if not driven.values or driven.values[-1] != level:
            driven.set(self._queue.now_ns, level)
            self.change(lambda: self.network.drive(load, level))

    def sleeps(self, node: str, *, asleep: bool) -> None:
        """A node's own electronics go to sleep, or wake."""
        table = self._vehicle.nodes[node].supply
        if table is not None and table.sleeping is not None:
            amps = table.sleeping if asleep else table.current
            self.change(lambda: self.network.draw(node, amps))

    def moved(self, name: str, value: Value) -> None:
        """An input has changed."""
        self._values[name] = value
        table = self._vehicle.supply
        if table is not None and table.alternator is not None:
            condition: Condition = table.alternator.runs_while
            if name in condition.names:
                self.change(self._charge)

    def change(self, action: Callable[[], object]) -> None:
        """Change something in the circuit; it is solved once everything of this instant is done."""
        self._tell(self.network.advance(self._queue.now_ns))
        action()
        self._changed = True
        if self._due is None or self._due_ns > self._queue.now_ns:
            self._wake(self._queue.now_ns)

    # ---- what faults do ----

    def follow(self, profile: Profile) -> Callable[[], None]:
        """Put a profile in place of battery and alternator; returns a function that ends it.

        If there are several, the latest counts; one that counts again starts from its beginning.
        """
        entry = (profile, object())
        self._followed.append(entry)
        self.change(lambda: self.network.follow(profile))

        def end() -> None:
            last = self._followed[-1] is entry
            self._followed.remove(entry)
            if last:
                before = self._followed[-1][0] if self._followed else None
                self.change(lambda: self.network.follow(before))

        return end

    # ---- what is read ----

    def volts(self, node: str) -> float:
        """Voltage at a node's terminals now, in V."""
        return self.network.volts(node)

    def amps(self, load: str) -> float:
        """Current into a load now, in A."""
        return self.network.amps(load)

    def status(self, load: str) -> str:
        """What a load's switch reports."""
        return self.network.status(load).value

    def taken_by(self, node: str) -> str:
        """What took a node's supply just now: ``fault``, ``start`` or ``car``.

        A fault of the supply counts wherever it is, and for a while afterwards; a start of the
        engine counts for the nodes that the vehicle declares. Neither counts when the node's own
        fuse opened without a fault: then it is the car.
        """
        fuse = self.network.terminals[node].feed_fuse
        if fuse is not None and fuse.opened:
            return "fault" if fuse.faulty else "car"
        if self._queue.now_ns - self._disturbed_ns <= AFTERMATH_NS:
            return "fault"
        table = self._vehicle.supply
        starter = None if table is None else table.starter
        if starter is not None and node in starter.may_reset and self.network.starting:
            return "start"
        return "car"

    # ---- inside ----

    def _tell(self, events: list[Happening]) -> None:
        """Record what happened in the circuit up to now."""
        if self.network.disturbed:
            self._disturbed_ns = self._queue.now_ns
        for event in events:
            if event.what != "fuse_opened":
                continue
            fuse, loads = self.network.fuse(event.name)
            if not fuse.spent:
                continue  # a fault took it out
            nodes = tuple(n for n, t in self.network.terminals.items() if t.feed_fuse is fuse)
            by = "fault" if fuse.faulty else "car"
            opened = FuseOpened(event.at_ns, event.name, loads, nodes, by)
            self._recording.fuses.append(opened)

    def _charge(self) -> None:
        table = self._vehicle.supply
        if table is not None and table.alternator is not None:
            self.network.charge(running=table.alternator.runs_while(self._values))

    def _wake(self, at_ns: int) -> None:
        """Look at the circuit at an instant, after all else that happens then."""
        if self._due is not None:
            self._queue.cancel(self._due)
        self._due_ns = at_ns
        self._due = self._queue.at(at_ns, self._settle, priority=Priority.CIRCUIT)

    def _settle(self) -> None:
        """Solve the circuit for this instant, and pass the result to the nodes."""
        self._due = None
        self._tell(self.network.advance(self._queue.now_ns))
        if self._changed:
            self._changed = False
            self._tell(self.network.settle())
        self._note()
        for node, was in self._nodes.items():
            if self.network.wild(node) != (node in self._wild):
                self._turn_wild(node)
            powered = self.network.powered(node)
            if powered != was:
                self._nodes[node] = powered
                self._turn(node, powered=powered)
        if self._due is None and self.network.next_ns is not None:
            self._wake(self.network.next_ns)

    def _turn_wild(self, node: str) -> None:
        """The voltage has fallen too far for a program, or has left that band."""
        if node in self._wild:
            self._wild.discard(node)
        else:
            self._wild.add(node)
            self.hosts[node].run_wild()

    def _turn(self, node: str, *, powered: bool) -> None:
        waiting = self._starting.pop(node, None)
        if waiting is not None:
            self._queue.cancel(waiting)
        if powered:
            self._starting[node] = self._queue.after(START_UP_NS, self._start, node)
        else:
            self.hosts[node].supply_lost(self.taken_by(node))

    def _start(self, node: str) -> None:
        del self._starting[node]
        self.hosts[node].supply_back()

    def _note(self) -> None:
        """Record what has changed by enough to be worth it."""
        now_ns, network = self._queue.now_ns, self.network
        for switch, trips in self._protected:
            trips.set(now_ns, "" if switch.tripped is None else switch.tripped.value)
        for node, volts in self._recording.volts.items():
            self._note_volts(node, volts, network.volts(node))
        for name, noted in self._recording.amps.items():
            level = network.fed(name)
            last = noted.values[-1] if noted.values else None
            outputs = self._recording.outputs[name]
            if level == 0 and last == 0 and outputs.values[-1] == 0:
                continue
            if level > 0:
                faint = name in self._faint
                least = self._works_from[name] * (WORKS_AGAIN if faint else 1)
                if network.load_volts(name) < least:
                    level = 0.0
                    self._faint.add(name)
                else:
                    self._faint.discard(name)
            if not outputs.values or outputs.values[-1] != level:
                outputs.set(now_ns, level)
            amps = network.amps(name)
            least = NOTED_A if last is None else max(NOTED_A, NOTED_SHARE * abs(last))
            if last is None or abs(amps - last) >= least or (amps == 0) != (last == 0):
                noted.set(now_ns, round(amps, 2))

    def _note_volts(self, node: str, series: Series[float], volts: float) -> None:
        """A voltage that leaves or enters its range is always recorded."""
        volts = round(volts, 3)
        if series.values:
            last = series.values[-1]
            supply = self._vehicle.nodes[node].supply
            low, high = (0.0, 1e9) if supply is None else supply.range
            same = (low <= last <= high) == (low <= volts <= high)
            if same and abs(volts - last) < NOTED_V:
                return
        series.set(self._queue.now_ns, volts)
