"""One path through the car: from a node's supply through switch, fuse and lead to a load and
back.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

from linkloss.power.circuit import BODY, Element
from linkloss.power.consumers import Filament, Heater, Load, Motor
from linkloss.power.fuses import Fuse
from linkloss.power.switches import Relay, SolidState, Status, Switch

SHORT_OHM = 0.01
"""Resistance between a load's shorted terminals: common practice for a solid short."""
REST_V = 0.02
"""A settled load is not recalculated until its voltage has moved by this: 0.1 % of a lamp's
current.
"""
_SHORT = Heater(1.0, 1.0 / SHORT_OHM)


@dataclass(slots=True)
class Channel:
    """An output and its load.

    ``lead_ohm`` is the resistance of the lead to the load and back. The return ends at the car's
    body, or at the ground of the node ``ground``. Channels that share a fuse hold the same object.
    ``source_ohm`` lies in battery and feed, and in the ground that it returns to; the network sets
    it.
    """

    name: str
    node: str
    switch: Switch
    load: Load
    lead_ohm: float = 0.0
    fuse: Fuse | None = None
    ground: str = ""
    source_ohm: float = 0.01
    opened: int = 0
    shorted: int = 0
    element: Element = field(init=False)
    coil: Element | None = None
    """The coil of its relay, between the node's own terminals."""
    moved_ns: int = 0
    on: bool = False
    """Whether it was live in the last solution."""
    was_live: bool = False
    _warms: bool = False
    _still: bool = False
    _rest: float | None = None

    def __post_init__(self) -> None:
        self._warms = isinstance(self.switch, SolidState)
        self._still = type(self.load).advance is Load.advance
        fuse = 0.0 if self.fuse is None else self.fuse.ohm
        ohm = self.switch.ohm + self.lead_ohm + fuse
        self.element = Element(BODY, BODY, ohm, self.load, self.switch.limit)

    @property
    def whole(self) -> bool:
        """Whether a current could flow if the switch conducted."""
        return not self.opened and (self.fuse is None or not self.fuse.opened)

    @property
    def live(self) -> bool:
        """Whether the load is connected to the node's supply now."""
        fuse = self.fuse
        return self.switch.duty > 0 and not self.opened and (fuse is None or not fuse.opened)

    @property
    def amps(self) -> float:
        """The current now, in A; the mean over a period if the switch dims."""
        return self.element.amps if self.on else 0.0

    @property
    def load_volts(self) -> float:
        """The voltage at the load's own terminals while the switch is on, in V."""
        if not self.on or self.shorted:
            return 0.0
        return self.element.volts - self.element.ohm * self.element.amps / self.element.duty

    @property
    def watts(self) -> float:
        """The mean power lost in the switch now, in W: high while it limits the current."""
        element = self.element
        if not self._warms or not self.on or not element.amps:
            return 0.0
        on = element.amps / element.duty
        if on < element.limit * (1 - 1e-9):
            return element.duty * on * on * self.switch.ohm
        g, i0 = element.load.line(element.volts)
        held_back = element.volts - on * (element.ohm - self.switch.ohm) - (on - i0) / max(g, 1e-9)
        return element.duty * on * max(0.0, held_back)

    @property
    def status(self) -> Status:
        """What the switch reports to its program."""
        return self.switch.status(self.amps, broken=not self.whole)

    def prepare(self, now_ns: int) -> Element:
        """Its element for the next solution; a load that was off until now first catches up with
        time.
        """
        element, switch = self.element, self.switch
        if self.moved_ns < now_ns:
            dt_s = (now_ns - self.moved_ns) / 1e9
            self.load.advance(0.0, inf, dt_s, inf, 0.0)
            switch.warmed(0.0, dt_s)
            self.moved_ns, self._rest = now_ns, None
        load = _SHORT if self.shorted else self.load
        if element.duty == switch.duty and element.load is load and self._rests():
            return element
        element.load, element.duty, self._rest = load, switch.duty, None
        element.prepare()
        return element

    def _rests(self) -> bool:
        """Whether its load has settled and its voltage has not moved since, so that its line
        stays.
        """
        if self._still:
            return True
        return self._rest is not None and abs(self.element.volts - self._rest) < REST_V

    @property
    def faulty(self) -> bool:
        """Whether a fault makes it draw current that nothing asked for."""
        return self.shorted > 0 or (isinstance(self.switch, Relay) and self.switch.welded)

    @property
    def busy(self) -> bool:
        """Whether it is live, was live until now, or has a switch that may still change."""
        return self.was_live or not self.switch.idle or self.live

    def advance(self, to_ns: int) -> None:
        """Advance the load and the switch, which were live with the current of the last solution.
        Fuses are advanced by the network.
        """
        dt_s = (to_ns - self.moved_ns) / 1e9
        self.moved_ns = to_ns
        element = self.element
        if self._warms:
            self.switch.warmed(self.watts, dt_s)
        if self._rests():
            return
        volts, ohm = self._behind()
        self.load.advance(volts, ohm, dt_s, element.limit, element.duty)

    def _behind(self) -> tuple[float, float]:
        """The voltage in V that drives the load, and the resistance in ohm between that and the
        load: with what lies before the switch, because a current that changes moves the voltage
        that it is drawn at.
        """
        element = self.element
        if self.shorted:
            return element.volts, inf
        volts = element.volts + self.source_ohm * element.amps
        return volts, element.ohm + self.source_ohm * element.duty

    def next_s(self) -> float:
        """When its load needs a new solution, in s from now; inf: never."""
        if self.shorted or self._rests():
            return inf
        element, (volts, ohm) = self.element, self._behind()
        wait_s = self.load.next_s(volts, ohm, element.limit, element.duty, self.source_ohm)
        if wait_s == inf and isinstance(self.load, Filament | Motor):
            self._rest = element.volts
        return wait_s
