"""The lines of a power plan, one for each load, node and lead, and what a finding is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from linkloss.power import fuses
from linkloss.power.fuses import Kind, cold_ohm
from linkloss.vehicle.electrical import ElectricalTable, LeadTable, NodeSupplyTable, SupplyTable
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.wiring import make_lead, make_switch, start_amps

Weight = Literal["broken", "hint"]
Place = tuple[str, ...]
"""The path of a key in the vehicle file: ``("loads", "fan", "fuse")``."""

COMMON = "common practice"
FUSE_GUIDE = "a fuse maker's guide on pulses, looked up"
BAND = "time-current band of ISO 8820-3, from datasheets, second hand"
COLOURS = "the ratings of ISO 8820-3 with their colours, in part looked up, in part from memory"
CABLE_LIST = "a cable maker's list for thin-wall cable at 30 °C, looked up, and common practice"
DROPS = "an automotive handbook's list of allowed voltage drops, from memory"
CIRCUIT = "the circuit of a run, everything else on"
HEATING = "adiabatic heating of PVC-covered copper, k = 115 (IEC 60364-5-54), from memory"


@dataclass(frozen=True, slots=True)
class Remedy:
    """The value that a key of the vehicle file should have, as it is written there: ``"30 A"``.

    ``kind``: the kind that a fuse must have, if that is another one.
    """

    place: Place
    value: str
    kind: Kind | None = None

    @property
    def kind_place(self) -> Place:
        """The key of the kind of that fuse."""
        table = self.place[:-1]
        return (*table, "electrical", "fuse_type") if table[0] == "loads" else (*table, "fuse_type")


def fuse_for(kind: Kind, fits: Callable[[Kind, float], bool]) -> tuple[Kind, float] | None:
    """The smallest fuse that is sold and fits, of a kind or, where none of that does, of the slower
    and larger one; None if there is none.
    """
    kinds: tuple[Kind, ...] = ("blade", "maxi") if kind == "blade" else ("maxi",)
    found = ((each, rating) for each in kinds for rating in fuses.RATINGS[each])
    return next((fuse for fuse in found if fits(*fuse)), None)


def fuse_remedy(place: Place, kind: Kind, fuse: tuple[Kind, float]) -> tuple[Remedy, str]:
    """A fuse in place of one of a kind, and what it is called."""
    other = None if fuse[0] == kind else fuse[0]
    name = f"{fuse[1]:g} A" if other is None else f"a {other} fuse of {fuse[1]:g} A"
    return Remedy(place, f"{fuse[1]:g} A", other), name


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about a load or a node that is wrong (``broken``) or worth a thought (``hint``).

    ``remedy``: the next standard size that puts it right, where there is one.
    """

    weight: Weight
    subject: str
    text: str
    source: str
    remedy: Remedy | None = None


@dataclass(frozen=True, slots=True)
class FuseUse:
    """A fuse and the continuous current ``amps`` through it, in A; ``worth`` is its rating at the
    ambient temperature, in A.

    ``wanted`` is the smallest rating in A that keeps the 80 % rule; None if no single fuse does.
    """

    rating: float
    kind: Kind
    worth: float
    amps: float
    wanted: float | None

    @property
    def share(self) -> float:
        """The current as a share of its derated rating."""
        return self.amps / self.worth


@dataclass(frozen=True, slots=True)
class LoadLine:
    """A load: its current in A at the volts of its nameplate, and the drop in V from the battery to
    it and back.

    ``drop`` and ``allowed`` are None for a load that sits on the node itself, without a lead.
    """

    name: str
    node: str
    kind: str
    amps: float
    start_amps: float
    fuse: FuseUse | None
    shares_with: str | None
    area_mm2: float | None
    size: str
    length_m: float
    drop: float | None
    allowed: float | None


@dataclass(frozen=True, slots=True)
class NodeLine:
    """A node with all of its loads on: the current through its feed in A, and the drop in feed and
    ground in V.
    """

    name: str
    amps: float
    fuse: FuseUse | None
    size: str
    length_m: float
    drop: float
    sleeping_a: float | None


@dataclass(frozen=True, slots=True)
class LeadLine:
    """One lead to cut: where it starts and ends, and the fuse at its start in A."""

    start: str
    end: str
    colour: str
    size: str
    length_m: float
    fuse: float | None


@dataclass(frozen=True, slots=True)
class Shed:
    """What stops working when the battery's voltage has fallen to ``volts``."""

    volts: float
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Sleep:
    """Current of the sleeping car in A; ``unknown`` names the nodes that do not declare theirs."""

    amps: float
    capacity_ah: float
    unknown: tuple[str, ...]

    @property
    def days(self) -> float | None:
        """Days until the battery is empty; None without a current."""
        return self.capacity_ah / self.amps / 24 if self.amps > 0 else None


def use_of(rating: float, kind: Kind, amps: float, ambient: float) -> FuseUse:
    """A fuse of ``rating`` A and the continuous current ``amps`` through it, at an ambient
    temperature in degC.
    """
    worth = fuses.derated(rating, kind, ambient)
    return FuseUse(rating, kind, worth, amps, fuses.smallest_for(amps, kind, ambient))


LAMP_DROPS = ((15.0, 0.6), (45.0, 0.9), (1000.0, 0.6))
"""(below this power of one lamp in W, allowed drop in V from the battery to it and back): side
lamps, larger lamps, headlamps.
"""
OTHER_DROP, COIL_DROP, LED_DROP = 1.5, 1.7, 0.6


_NOTHING = NodeSupplyTable.model_construct(current=0.0)


def _fuse_ohm(use: FuseUse | None) -> float:
    return 0.0 if use is None else cold_ohm(use.rating, use.kind)


@dataclass(frozen=True, slots=True)
class Sums:
    """The totals of a vehicle's currents, resistances and drops, from which lines and findings are
    made.
    """

    vehicle: Vehicle
    supply: SupplyTable

    @property
    def loads(self) -> dict[str, ElectricalTable]:
        """The loads that have electrical data."""
        found = {name: load.electrical for name, load in self.vehicle.loads.items()}
        return {name: table for name, table in found.items() if table is not None}

    def amps(self, name: str) -> float:
        """What all pieces of a load draw together, in A."""
        table = self.loads[name]
        return table.current * table.count

    def own(self, node: str) -> NodeSupplyTable:
        """How a node is fed; one without a table has no leads and draws nothing."""
        return self.vehicle.nodes[node].supply or _NOTHING

    def node_amps(self, node: str) -> float:
        """All loads of a node at once and its own electronics, in A."""
        drawn = (self.amps(name) for name in self.loads if self.vehicle.loads[name].node == node)
        return sum(drawn) + self.own(node).current

    def ground_amps(self, node: str) -> float:
        """What returns through a node's ground lead, in A: its electronics, and the loads grounded
        there.
        """
        back = (self.amps(name) for name, table in self.loads.items() if table.ground == node)
        return sum(back) + self.own(node).current

    def fuse_owner(self, name: str) -> str:
        """The load whose table declares the fuse of this load."""
        return self.loads[name].fuse_with or name

    def trips(self, name: str) -> bool:
        """Whether the switch of a load trips at a current."""
        switch = self.loads[name].solid_state
        return switch is not None and switch.trip is not None

    def on_fuse(self, owner: str) -> tuple[str, ...]:
        """The loads on the fuse that a load declares."""
        return tuple(name for name in self.loads if self.fuse_owner(name) == owner)

    def fuse_use(self, name: str) -> FuseUse | None:
        """The fuse of a load, with the current of all loads on it."""
        owner = self.fuse_owner(name)
        rating = self.vehicle.loads[owner].fuse
        if rating is None:
            return None
        amps = sum(map(self.amps, self.on_fuse(owner)))
        return use_of(rating, self.loads[owner].fuse_type, amps, self.supply.ambient)

    def feed_use(self, node: str) -> FuseUse | None:
        """The fuse in the feed of a node with everything on."""
        feed = self.own(node).feed
        if feed is None or feed.fuse is None:
            return None
        return use_of(feed.fuse, feed.fuse_type, self.node_amps(node), self.supply.ambient)

    def lead_ohm(self, table: LeadTable | None) -> float:
        """The resistance of a lead from end to end, warm, in ohm."""
        return 0.0 if table is None else make_lead(table, self.supply.copper).ohm

    def feed_ohm(self, node: str) -> float:
        """The feed of a node and its fuse, in ohm."""
        return self.lead_ohm(self.own(node).feed) + _fuse_ohm(self.feed_use(node))

    def ground_ohm(self, node: str) -> float:
        """The ground lead of a node, in ohm."""
        return self.lead_ohm(self.own(node).ground)

    def path_ohm(self, name: str) -> float:
        """A load's own path in ohm: switch, fuse, lead there and back, without the node's leads."""
        table = self.loads[name]
        leads = self.lead_ohm(table.lead) + self.lead_ohm(table.back)
        return make_switch(table).ohm + _fuse_ohm(self.fuse_use(name)) + leads

    def loop_ohm(self, name: str) -> float:
        """From the battery to a load and back, in ohm."""
        table, node = self.loads[name], self.vehicle.loads[name].node
        ground = 0.0 if table.ground == "body" else self.ground_ohm(table.ground)
        return self.feed_ohm(node) + self.path_ohm(name) + ground

    def node_drop(self, node: str) -> float:
        """V lost in the feed and the ground lead of a node with everything on."""
        ground = self.ground_amps(node) * self.ground_ohm(node)
        return self.node_amps(node) * self.feed_ohm(node) + ground

    def drop(self, name: str) -> float:
        """V lost from the battery to a load and back, with everything on its node on."""
        table, node = self.loads[name], self.vehicle.loads[name].node
        lost = self.amps(name) * self.path_ohm(name) + self.node_amps(node) * self.feed_ohm(node)
        if table.ground != "body":
            lost += self.ground_amps(table.ground) * self.ground_ohm(table.ground)
        return lost


def allowed_drop(table: ElectricalTable, supply: SupplyTable) -> tuple[float, str]:
    """The drop that a load may have, in V, and the source of that: as declared for the load or its
    kind, or as usual for its kind. The usual values are those of 12 V; other systems have the same
    share.
    """
    declared = supply.allowed_drop(table.kind) if table.drop is None else table.drop
    if declared is not None:
        return declared, "the vehicle file"
    usual = {"led": LED_DROP, "solenoid": COIL_DROP}.get(table.kind, OTHER_DROP)
    if table.kind == "filament":
        watts = table.current * table.volts
        usual = next(volts for below, volts in LAMP_DROPS if watts < below)
    return usual * supply.nominal / 12, DROPS


def load_line(sums: Sums, name: str) -> LoadLine:
    """The line of a load in the power plan."""
    table = sums.loads[name]
    lead = table.lead
    return LoadLine(
        name=name,
        node=sums.vehicle.loads[name].node,
        kind=table.kind,
        amps=sums.amps(name),
        start_amps=start_amps(table) * table.count,
        fuse=sums.fuse_use(name),
        shares_with=table.fuse_with,
        area_mm2=None if lead is None else lead.area_mm2,
        size="" if lead is None else lead.size,
        length_m=0.0 if lead is None else lead.length,
        drop=None if lead is None else sums.drop(name),
        allowed=None if lead is None else allowed_drop(table, sums.supply)[0],
    )


def node_line(sums: Sums, name: str) -> NodeLine:
    """The line of a node in the power plan."""
    feed, amps = sums.own(name).feed, sums.node_amps(name)
    return NodeLine(
        name=name,
        amps=amps,
        fuse=sums.feed_use(name),
        size="" if feed is None else feed.size,
        length_m=0.0 if feed is None else feed.length,
        drop=sums.node_drop(name),
        sleeping_a=sums.own(name).sleeping,
    )


def lead_lines(sums: Sums) -> Iterator[LeadLine]:
    """Every lead of the car that has to be cut, in the order of the file."""
    alternator, starter = sums.supply.alternator, sums.supply.starter
    if alternator is not None and alternator.lead is not None:
        yield _lead("alternator", "battery plus", alternator.lead, None)
    if starter is not None and starter.lead is not None:
        yield _lead("battery plus", "starter motor", starter.lead, None)
    for name in sums.vehicle.nodes:
        own = sums.own(name)
        if own.feed is not None:
            yield _lead("battery plus", name, own.feed, own.feed.fuse)
        if own.ground is not None:
            yield _lead(f"{name} ground", "body", own.ground, None)
        if own.ground_link is not None:
            end = f"{own.ground_link.to} ground"
            yield _lead(f"{name} ground", end, own.ground_link, None)
    for name, table in sums.loads.items():
        use = sums.fuse_use(name)
        node = sums.vehicle.loads[name].node
        if table.lead is not None:
            yield _lead(node, name, table.lead, None if use is None else use.rating)
        if table.back is not None:
            end = "body" if table.ground == "body" else f"{table.ground} ground"
            yield _lead(name, end, table.back, None)


def _lead(start: str, end: str, table: LeadTable, fuse: float | None) -> LeadLine:
    return LeadLine(start, end, table.colour, table.size, table.length, fuse)
