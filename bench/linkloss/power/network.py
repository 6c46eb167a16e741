"""The electrical side of a whole car in time: what a session asks, and what it is told.

A :class:`Network` is made of parts that move (``linkloss.model.circuit.build_network`` makes one
out of a vehicle's tables, or None where it has no ``[supply]``). It has no clock of its own.
Whoever holds it

1. calls :meth:`Network.advance` with the present instant before anything changes,
2. changes something (:meth:`drive`, :meth:`charge`, :meth:`follow`, the faults),
3. calls :meth:`Network.settle`, which solves the circuit at this instant,
4. looks at voltages, currents, ``powered`` and ``status``, and asks :attr:`Network.next_ns`: then
   at the latest it wants to be advanced again; None while all is at rest.

``advance`` and ``settle`` return what happened, as :class:`Event`, in order. Between two events the
voltage at each node's terminals stays as it was solved; what moves on is the state of loads, fuses
and switches. An event is due when that would no longer be true: a fuse opens, a relay moves, the
current of a filament or motor has changed so much that it matters, a profile has moved by 0.1 V or
takes a node over a threshold, a hold-up capacitor is empty, a switch trips or tries again. What is
told between two events is told as of the last solution: node voltages are right within 2 %, a
current that is on the move may be a fifth off; ``settle`` solves for this very instant.

Same calls, same floats: no random draw, no set is iterated. Instants are integer ns, everything
else volts, amperes, ohms.
"""

from __future__ import annotations

from linkloss.power.fuses import Fuse
from linkloss.power.parts import Event, Source, Starter, Terminal
from linkloss.power.plant import Plant
from linkloss.power.profiles import Profile
from linkloss.power.switches import Relay, Status

__all__ = ["Event", "Network", "Starter", "Status", "Terminal"]


class Network(Plant):
    """The circuit of one car. Nothing is switched on and no node has power until ``settle``."""

    # ---- what is changed from outside; settle afterwards ----

    def drive(self, load: str, level: float) -> None:
        """The program, or the hardware in its place, drives a load's output: 0 to 1."""
        self._changed = True
        self.channels[load].switch.command(level, self.now_ns)

    def charge(self, *, running: bool) -> None:
        """The engine turns the alternator, or no longer."""
        self._changed = True
        if self.alternator is not None:
            self.alternator.running = running

    def follow(self, profile: Profile | None) -> None:
        """From now on a profile stands in place of battery and alternator; None: it ends."""
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
        """A load's terminals touch (``by`` -1: no longer)."""
        self._changed = True
        self.channels[load].shorted += by

    def set_fuse(self, load: str, *, opened: bool) -> None:
        """The fuse of a load is blown, or has been replaced. Raises KeyError: it has none."""
        self._changed = True
        fuse = self.channels[load].fuse
        if fuse is None:
            raise KeyError(load)
        fuse.opened, fuse.spent = opened, 0.0

    def weld(self, load: str, *, welded: bool) -> None:
        """The contact of a load's relay sticks, or no longer. Raises KeyError: it has none."""
        self._changed = True
        switch = self.channels[load].switch
        if not isinstance(switch, Relay):
            raise KeyError(load)
        switch.welded = welded

    def lose_ground(self, node: str, by: int = 1) -> None:
        """A node's own ground lead is off (``by`` -1: on again); a link to another ground stays."""
        self.terminals[node].ground_lost += by
        self.rewire()

    def lose_feed(self, node: str, by: int = 1) -> None:
        """A node's feed is off (``by`` -1: on again)."""
        self.terminals[node].feed_lost += by
        self.rewire()

    def connect_battery(self, *, connected: bool) -> None:
        """The battery's terminal is on or off."""
        self._changed = True
        self.battery.connected = connected

    # ---- what is told, beside the voltages ----

    def powered(self, node: str) -> bool:
        """Whether the node's processor has what it needs."""
        return self.terminals[node].supply.powered

    def wild(self, node: str) -> bool:
        """Whether the node's processor runs on less than it needs, and does what it likes."""
        return self.terminals[node].supply.wild

    def amps(self, load: str) -> float:
        """Current through a load's output now, in A; a mean where the switch dims."""
        return self.channels[load].amps

    def fuse(self, name: str) -> tuple[Fuse, tuple[str, ...]]:
        """A fuse by the name that events tell, and the loads that hang on it."""
        fuse = next(found for known, found in self._fuses if known == name)
        behind = (
            channel.name
            for channel in self.channels.values()
            if fuse in self._fuses_before(channel)
        )
        return fuse, tuple(behind)

    def load_volts(self, load: str) -> float:
        """At the load's own terminals now, in V."""
        return self.channels[load].load_volts

    def fed(self, load: str) -> float:
        """Share of time that a load is connected to its node's supply: switch, fuse and lead."""
        channel = self.channels[load]
        return channel.switch.duty if channel.live else 0.0

    def status(self, load: str) -> Status:
        """What the load's switch reports to the program."""
        return self.channels[load].status
