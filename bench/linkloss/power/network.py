"""The circuit of a whole car over time: its parts, and what a session may change and ask.

``linkloss.vehicle.wiring.build_network`` makes a :class:`Network` from the tables of a vehicle; it
returns None if there is no ``[supply]``. A network has no clock of its own. Its owner

1. calls :meth:`Network.advance` with the present instant before anything changes,
2. changes something (:meth:`drive`, :meth:`charge`, :meth:`follow`, the faults),
3. calls :meth:`Network.settle`, which solves the circuit at this instant,
4. reads voltages, currents, ``powered`` and ``status``, and :attr:`Network.next_ns`, the latest
   instant at which the network must be advanced again; None while all is at rest.

``advance`` and ``settle`` return what happened, as :class:`Event`, in order. Between two events the
voltage at each node's terminals stays as it was solved, while the state of loads, fuses and
switches moves on. The next event is due when the solution would no longer hold: a fuse opens, a
relay moves, the current of a filament or motor has changed enough to matter, a profile has moved by
0.1 V or takes a node over a threshold, a hold-up capacitor is empty, a switch trips or tries again.
Between two events all values are those of the last solution: node voltages are right within 2 %,
and a changing current may be off by a fifth; ``settle`` solves for the present instant.

The same calls give the same floats: nothing is random, and no set is iterated. Instants are integer
ns, everything else volts, amperes, ohms.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import Literal, NamedTuple

from linkloss.power.channel import Channel
from linkloss.power.circuit import BODY, Circuit, Element
from linkloss.power.consumers import Electronics, Heater, Line, Lined, Solenoid
from linkloss.power.fuses import Fuse
from linkloss.power.supply import Alternator, Battery, NodeSupply, Profile
from linkloss.power.switches import NEVER, Relay, Status

What = Literal["fuse_opened", "fed", "cut_off", "power_lost", "power_back"]


class Event(NamedTuple):
    """Something happened in the circuit.

    ``name``: a load for ``fuse_opened`` (the first on that fuse, or ``feed of NODE``), ``fed`` and
    ``cut_off``; a node for ``power_lost`` and ``power_back``.
    """

    at_ns: int
    what: What
    name: str


@dataclass(slots=True)
class Terminal:
    """How a node is connected to the car: resistances in ohm (None: no lead of its own), and its
    supply.
    """

    feed_ohm: float | None = None
    ground_ohm: float | None = None
    link: tuple[str, float] | None = None
    feed_fuse: Fuse | None = None
    supply: NodeSupply = field(default_factory=NodeSupply)
    amps: float = 0.0
    plus: int = BODY
    minus: int = BODY
    feed_lost: int = 0
    ground_lost: int = 0
    siemens: float = 0.0
    """Conductance of the feed in the present circuit, in S."""

    @property
    def whole_feed_ohm(self) -> float:
        """The feed with its fuse, in ohm."""
        return (self.feed_ohm or 0.0) + (0.0 if self.feed_fuse is None else self.feed_fuse.ohm)

    @property
    def feed_siemens(self) -> float:
        """Conductance of the feed with its fuse, in S; 0 while it is interrupted."""
        if self.feed_ohm is None or self.feed_lost or (self.feed_fuse and self.feed_fuse.opened):
            return 0.0
        return 1 / self.whole_feed_ohm

    @property
    def ground_siemens(self) -> float:
        """Conductance of the ground lead, in S; 0 while it is interrupted."""
        return 0.0 if self.ground_ohm is None or self.ground_lost else 1 / self.ground_ohm


@dataclass(slots=True)
class Starter:
    """The starter motor: connected to the battery while the solenoid ``coil``, a load, is pulled
    in.
    """

    coil: str
    channel: Channel
    moves: int = 0
    """How often it was connected or disconnected so far."""


class Source(Lined):
    """A profile in place of battery and alternator."""

    def __init__(self, profile: Profile, since_ns: int) -> None:
        self.profile = profile
        self.since_ns = since_ns
        self.volts = profile.volts(0)

    def line(self, volts: float) -> Line:
        """The profile's voltage behind its resistance."""
        return Line(1 / self.profile.ohm, -self.volts / self.profile.ohm)


SHORTEST_NS = 1_000
"""The least time from one event to the next that float arithmetic finds: 1 us."""
SETTLING = 50
_FOREVER_S = 1e9
"""More than 30 years: never."""


class Network:
    """The circuit of one car, and its course from event to event. Nothing is switched on and no
    node has power until ``settle``.
    """

    def __init__(
        self,
        battery: Battery,
        terminals: Mapping[str, Terminal],
        channels: Sequence[Channel],
        alternator: Alternator | None = None,
        starter: Starter | None = None,
    ) -> None:
        self.battery, self.alternator, self.starter = battery, alternator, starter
        self.terminals = dict(terminals)
        self.channels = {channel.name: channel for channel in channels}
        self.now_ns = 0
        self.next_ns: int | None = None
        self._changed, self._solved_ns = True, 0
        self._timer_ns: int | None = None
        self._engaged_ns = -1
        self._source: Source | None = None
        self._all = [*channels, *([] if starter is None else [starter.channel])]
        self._live: list[Channel] = []
        self._number()
        self._busy: list[Channel] = []
        self.fuses = self._named_fuses()
        """Each fuse by its name in events."""
        self._strained: list[Fuse] = []
        self._loaded: list[Fuse] = []
        self._feeds = [(t.feed_fuse, name) for name, t in self.terminals.items() if t.feed_fuse]
        self._blown = [False] * len(self.fuses)
        self._held = [name for name, t in self.terminals.items() if t.supply.hold_up > 0]
        self._fixed = self._electronics()
        self._positive = [Element(self._plus, BODY, 0.0, battery)]
        if alternator is not None:
            self._positive.append(Element(self._plus, BODY, 0.0, alternator))
        self.rewire()

    def _number(self) -> None:
        """Number the points of the circuit, feeds first: that keeps the matrix sparse during
        elimination.
        """
        count = 0
        for terminal in self.terminals.values():
            if terminal.feed_ohm is not None:
                terminal.plus, count = count, count + 1
        for terminal in self.terminals.values():
            if terminal.ground_ohm is not None:
                terminal.minus, count = count, count + 1
        self._plus = count
        self._circuit = Circuit(count + 1)
        for terminal in self.terminals.values():
            if terminal.feed_ohm is None:
                terminal.plus = self._plus
        for channel in self.channels.values():
            terminal = self.terminals[channel.node]
            channel.element.a = terminal.plus
            back = self.terminals[channel.ground] if channel.ground else None
            channel.element.b = BODY if back is None else back.minus
            if isinstance(channel.switch, Relay):
                coil = Heater(1.0, 1 / channel.switch.coil_ohm)
                channel.coil = Element(terminal.plus, terminal.minus, 0.0, coil)
            channel.source_ohm = self.battery.ohm + terminal.whole_feed_ohm
            if back is not None:
                channel.source_ohm += back.ground_ohm or 0.0
        if self.starter is not None:
            self.starter.channel.element.a = self._plus
            self.starter.channel.source_ohm = self.battery.ohm

    def rewire(self) -> None:
        """Replace all leads, after one was interrupted or restored."""
        self._changed = True
        self._circuit.clear()
        for terminal in self.terminals.values():
            terminal.siemens = terminal.feed_siemens
            if terminal.feed_ohm is not None:
                self._circuit.lead(self._plus, terminal.plus, terminal.siemens)
            if terminal.ground_ohm is not None:
                self._circuit.lead(terminal.minus, BODY, terminal.ground_siemens)
            if terminal.link is not None:
                other, ohm = terminal.link
                self._circuit.lead(terminal.minus, self.terminals[other].minus, 1 / ohm)

    def _electronics(self) -> list[Element]:
        drawing = (terminal for terminal in self.terminals.values() if terminal.amps)
        return [Element(t.plus, t.minus, 0.0, Electronics(t.amps)) for t in drawing]

    def _named_fuses(self) -> list[tuple[str, Fuse]]:
        """Each fuse once, named by the first load on it, or by the node whose feed it is in."""
        found: dict[int, tuple[str, Fuse]] = {}
        for channel in self._all:
            if channel.fuse is not None:
                found.setdefault(id(channel.fuse), (channel.name, channel.fuse))
        for name, terminal in self.terminals.items():
            if terminal.feed_fuse is not None:
                found[id(terminal.feed_fuse)] = (f"feed of {name}", terminal.feed_fuse)
        return list(found.values())

    def _fuses_before(self, channel: Channel) -> tuple[Fuse | None, Fuse | None]:
        """The fuses that a load's current flows through: its own, and that of its node's feed."""
        return channel.fuse, self.terminals[channel.node].feed_fuse

    # ---- voltages and currents of the last solution ----

    @property
    def battery_volts(self) -> float:
        """The voltage of the car's positive against its body, in V."""
        return self._circuit.volts[self._plus]

    def volts(self, node: str) -> float:
        """The voltage between a node's terminals, in V."""
        terminal, volts = self.terminals[node], self._circuit.volts
        return volts[terminal.plus] - volts[terminal.minus]

    def feed_amps(self, node: str) -> float:
        """Current through a node's feed now, in A; 0 if it has no lead of its own."""
        terminal = self.terminals[node]
        volts = self._circuit.volts
        return (volts[self._plus] - volts[terminal.plus]) * terminal.siemens

    @property
    def disturbed(self) -> bool:
        """Whether a fault is present that can cut a node's supply or open a fuse: a supply profile,
        a lost battery, feed or ground, or a load that draws current that nothing asked for.
        """
        if self._source is not None or not self.battery.connected:
            return True
        if any(t.feed_lost or t.ground_lost for t in self.terminals.values()):
            return True
        return any(channel.faulty and channel.live for channel in self.channels.values())

    @property
    def starting(self) -> bool:
        """Whether the starter motor is on, or changed at this very instant: it can starve its own
        solenoid.
        """
        starter = self.starter
        on = starter is not None and starter.channel.switch.duty > 0
        return on or self._engaged_ns == self.now_ns

    # ---- time ----

    def advance(self, to_ns: int) -> list[Event]:
        """Advance to an instant, which must not be before the present one."""
        events: list[Event] = []
        while self.next_ns is not None and self.next_ns <= to_ns:
            self._move(self.next_ns)
            self._settle(events)
        self._move(to_ns)
        return events

    def settle(self) -> list[Event]:
        """Solve the circuit at this instant. Does nothing if it is solved already.

        :raises ArithmeticError: if the switches do not come to rest.
        """
        events: list[Event] = []
        if self._changed or self._solved_ns != self.now_ns:
            self._settle(events)
        return events

    def _move(self, to_ns: int) -> None:
        """Advance the states to an instant at the voltages of the last solution."""
        dt_s = (to_ns - self.now_ns) / 1e9
        if dt_s == 0:
            return
        for channel in self._live:
            channel.advance(to_ns)
        for fuse in self._strained:
            fuse.advance(dt_s)
        for name in self._held:
            self.terminals[name].supply.advance(self.volts(name), dt_s)
        self.now_ns = to_ns

    def _settle(self, events: list[Event]) -> None:
        self._blow(events)
        if self._timer_ns is not None and self._timer_ns <= self.now_ns:
            self._solve()  # the end of a blanking time looks at the current of this instant
            self._look(events)  # a switch moves by itself before the circuit is solved again
        for _ in range(SETTLING):
            self._solve()
            if not self._look(events):
                self._plan()
                self._solved_ns = self.now_ns
                return
        raise ArithmeticError("the switches did not come to rest")

    def _blow(self, events: list[Event]) -> None:
        """Report fuses that have opened since the last time, and rewire if any opened or was
        replaced.
        """
        if not self._changed and not any(fuse.opened for fuse in self._strained):
            return
        opened = [fuse.opened for _, fuse in self.fuses]
        if opened == self._blown:
            return
        for (name, fuse), was, now in zip(self.fuses, self._blown, opened, strict=True):
            if now and not was:
                fuse.faulty = self.disturbed or any(
                    channel.faulty and fuse in self._fuses_before(channel)
                    for channel in self.channels.values()
                )
                events.append(Event(self.now_ns, "fuse_opened", name))
        self._blown = opened
        self.rewire()

    def _solve(self) -> None:
        if self._changed:
            self._busy = [channel for channel in self._all if channel.busy]
            self._changed = False
        for channel in self._live:
            channel.on = False
        self._live = [channel for channel in self._busy if channel.live]
        for channel in self._live:
            channel.on = True
        elements = [channel.prepare(self.now_ns) for channel in self._live]
        elements += self._fixed
        elements += [c.coil for c in self._busy if c.coil is not None and c.switch.coil_g]
        if self._source is None:
            for element in self._positive:
                element.prepare()
            self._circuit.solve([*elements, *self._positive])
        else:
            source = self._source
            source.volts = source.profile.volts(self.now_ns - source.since_ns)
            elements.append(Element(self._plus, BODY, 0.0, source))
            self._circuit.solve(elements, (self._plus, 1 / source.profile.ohm))
        self._measure()

    def _measure(self) -> None:
        """Set the currents through the fuses."""
        for fuse in self._loaded:
            fuse.amps = 0.0
        self._loaded = []
        for channel in self._live:
            if channel.fuse is None:
                continue
            if not channel.fuse.amps:
                self._loaded.append(channel.fuse)
            channel.fuse.amps += channel.element.amps
        for fuse, name in self._feeds:
            fuse.amps = self.feed_amps(name)
            self._loaded.append(fuse)
        cooling = [fuse for fuse in self._strained if not fuse.amps]
        self._strained = [
            fuse
            for fuse in (*self._loaded, *cooling)
            if (abs(fuse.amps) > fuse.safe or fuse.spent) and not fuse.opened
        ]

    def _look(self, events: list[Event]) -> bool:
        """Switches and supplies react to the solution; True if it must be solved again."""
        again = False
        volts = {name: self.volts(name) for name in self.terminals}
        for channel in self._busy:
            if channel.node not in volts:
                continue
            switch = channel.switch
            before = switch.duty, switch.coil_g
            switch.look(volts[channel.node], channel.amps, self.now_ns)
            again = again or before != (switch.duty, switch.coil_g)
            live = channel.live
            if live != channel.was_live:
                channel.was_live = live
                what: What = "fed" if live else "cut_off"
                events.append(Event(self.now_ns, what, channel.name))
        for name, terminal in self.terminals.items():
            if terminal.supply.look(volts[name]):
                what = "power_back" if terminal.supply.powered else "power_lost"
                events.append(Event(self.now_ns, what, name))
        return self._engage() or again

    def _engage(self) -> bool:
        """The starter motor follows its solenoid; True if it has changed."""
        if self.starter is None:
            return False
        coil, switch = self.channels[self.starter.coil], self.starter.channel.switch
        pulled = coil.live and isinstance(coil.load, Solenoid) and coil.load.pulled
        if (switch.duty > 0) == pulled:
            return False
        switch.command(float(pulled), self.now_ns)
        self.starter.moves += 1
        self._engaged_ns = self.now_ns
        self._changed = True
        return True

    def _plan(self) -> None:
        """Find the next instant at which something happens if nothing is changed from outside."""
        now_ns = self.now_ns
        waits = [channel.next_s() for channel in self._live]
        waits += [fuse.left_s() for fuse in self._strained]
        waits += [self.terminals[name].supply.next_s(self.volts(name)) for name in self._held]
        waits += self._crossings()
        due = [now_ns + max(SHORTEST_NS, ceil(wait * 1e9)) for wait in waits if wait < _FOREVER_S]
        timers = [channel.switch.next_ns(channel.watts, now_ns) for channel in self._busy]
        timers = [max(at_ns, now_ns + 1) for at_ns in timers if at_ns != NEVER]
        self._timer_ns = min(timers, default=None)
        due += timers
        if self._source is not None:
            source = self._source
            step_ns = source.profile.next_ns(now_ns - source.since_ns)
            if step_ns is not None:
                due.append(source.since_ns + step_ns)
        self.next_ns = min(due, default=None)

    def _crossings(self) -> Iterator[float]:
        """When the ramping source takes nodes over thresholds, in s from now."""
        source = self._source
        slope = 0.0 if source is None else source.profile.slope(self.now_ns - source.since_ns)
        if not slope:
            return
        follows = self._circuit.slopes
        for name, terminal in self.terminals.items():
            rate = follows[terminal.plus] - follows[terminal.minus]
            known = [*terminal.supply.thresholds()]
            for channel in self._busy:
                if channel.node == name:
                    known += channel.switch.thresholds()
            for threshold in known:
                gap = threshold - self.volts(name)
                if gap * rate * slope > 0:
                    yield gap / (rate * slope)

    # ---- changes from outside; settle afterwards ----

    def drive(self, load: str, level: float) -> None:
        """The program, or the hardware in its place, drives a load's output at a level from 0 to
        1.
        """
        self._changed = True
        self.channels[load].switch.command(level, self.now_ns)

    def charge(self, *, running: bool) -> None:
        """The engine starts or stops turning the alternator."""
        self._changed = True
        if self.alternator is not None:
            self.alternator.running = running

    def follow(self, profile: Profile | None) -> None:
        """From now on a profile replaces battery and alternator; None ends it."""
        self._changed = True
        self._source = None if profile is None else Source(profile, self.now_ns)

    def draw(self, node: str, amps: float) -> None:
        """A node's own electronics draw another current, in A."""
        self._changed = True
        terminal = self.terminals[node]
        terminal.amps = terminal.supply.amps = amps
        self._fixed = self._electronics()

    def open_load(self, load: str, by: int = 1) -> None:
        """The lead to a load is broken (``by`` -1: mended)."""
        self._changed = True
        self.channels[load].opened += by

    def short_load(self, load: str, by: int = 1) -> None:
        """A load's terminals are shorted (``by`` -1: no longer)."""
        self._changed = True
        self.channels[load].shorted += by

    def set_fuse(self, load: str, *, opened: bool) -> None:
        """The fuse of a load is blown, or has been replaced.

        :raises KeyError: if the load has no fuse.
        """
        self._changed = True
        fuse = self.channels[load].fuse
        if fuse is None:
            raise KeyError(load)
        fuse.opened, fuse.spent = opened, 0.0

    def weld(self, load: str, *, welded: bool) -> None:
        """The contact of a load's relay is welded, or no longer.

        :raises KeyError: if the load has no relay.
        """
        self._changed = True
        switch = self.channels[load].switch
        if not isinstance(switch, Relay):
            raise KeyError(load)
        switch.welded = welded

    def lose_ground(self, node: str, by: int = 1) -> None:
        """A node's own ground lead is disconnected (``by`` -1: restored); a link to another ground
        stays.
        """
        self.terminals[node].ground_lost += by
        self.rewire()

    def lose_feed(self, node: str, by: int = 1) -> None:
        """A node's feed is disconnected (``by`` -1: restored)."""
        self.terminals[node].feed_lost += by
        self.rewire()

    def connect_battery(self, *, connected: bool) -> None:
        """The battery's terminal is connected or disconnected."""
        self._changed = True
        self.battery.connected = connected

    # ---- state, apart from voltages ----

    def powered(self, node: str) -> bool:
        """Whether the node's processor runs."""
        return self.terminals[node].supply.powered

    def wild(self, node: str) -> bool:
        """Whether the node's processor runs below its minimum voltage, and so behaves
        unpredictably.
        """
        return self.terminals[node].supply.wild

    def amps(self, load: str) -> float:
        """Current through a load's output now, in A; the mean over a period if the switch dims."""
        return self.channels[load].amps

    def fuse(self, name: str) -> tuple[Fuse, tuple[str, ...]]:
        """A fuse by the name that events use, and the loads behind it."""
        fuse = next(found for known, found in self.fuses if known == name)
        behind = (
            channel.name
            for channel in self.channels.values()
            if fuse in self._fuses_before(channel)
        )
        return fuse, tuple(behind)

    def load_volts(self, load: str) -> float:
        """Voltage at the load's own terminals now, in V."""
        return self.channels[load].load_volts

    def fed(self, load: str) -> float:
        """Share of time for which a load is connected to its node's supply: switch, fuse and
        lead.
        """
        channel = self.channels[load]
        return channel.switch.duty if channel.live else 0.0

    def status(self, load: str) -> Status:
        """What the load's switch reports to the program."""
        return self.channels[load].status
