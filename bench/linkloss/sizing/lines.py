"""The lines of the plan: what each load and node draws, loses and is cut from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from linkloss.model.circuit import make_lead, make_switch, start_amps
from linkloss.model.electrical import ElectricalTable, LeadTable, NodeSupplyTable, SupplyTable
from linkloss.model.loading import Vehicle
from linkloss.power.fuses import cold_ohm
from linkloss.sizing.fused import use_of
from linkloss.sizing.rows import FuseUse, LeadLine, LoadLine, NodeLine

LAMP_DROPS = ((15.0, 0.6), (45.0, 0.9), (1000.0, 0.6))
"""(W of one lamp below which, V from the battery to it and back): side lamps, larger lamps,
headlamps."""
OTHER_DROP, COIL_DROP, LED_DROP = 1.5, 1.7, 0.6


@dataclass(frozen=True, slots=True)
class Sums:
    """A vehicle and what its loads amount to, for whoever makes lines and findings."""

    vehicle: Vehicle
    supply: SupplyTable

    @property
    def loads(self) -> dict[str, ElectricalTable]:
        """The loads that have electrical data."""
        found = {name: load.electrical for name, load in self.vehicle.loads.items()}
        return {name: table for name, table in found.items() if table is not None}

    def amps(self, name: str) -> float:
        """What a load draws, all its pieces."""
        table = self.loads[name]
        return table.current * table.count

    def node_amps(self, node: str) -> float:
        """Everything on a node at one time, with its own electronics."""
        own = self.vehicle.nodes[node].supply
        drawn = sum(self.amps(name) for name in self.loads if self.vehicle.loads[name].node == node)
        return drawn + (0.0 if own is None else own.current)

    def ground_amps(self, node: str) -> float:
        """What comes back through a node's ground lead: electronics, and loads that end there."""
        own = self.vehicle.nodes[node].supply
        back = sum(self.amps(name) for name, table in self.loads.items() if table.ground == node)
        return back + (0.0 if own is None else own.current)

    def fuse_owner(self, name: str) -> str:
        """The load in whose row the fuse stands that a load hangs on."""
        return self.loads[name].fuse_with or name

    def fuse_use(self, name: str) -> FuseUse | None:
        """The fuse of a load with the current of all that hangs on it."""
        owner = self.fuse_owner(name)
        rating = self.vehicle.loads[owner].fuse
        if rating is None:
            return None
        amps = sum(self.amps(other) for other in self.loads if self.fuse_owner(other) == owner)
        return use_of(rating, self.loads[owner].fuse_type, amps, self.supply.ambient)

    def feed_use(self, node: str) -> FuseUse | None:
        """The fuse in the feed of a node with everything on."""
        own = self.vehicle.nodes[node].supply
        if own is None or own.feed is None or own.feed.fuse is None:
            return None
        amps = self.node_amps(node)
        return use_of(own.feed.fuse, own.feed.fuse_type, amps, self.supply.ambient)

    def lead_ohm(self, table: LeadTable | None) -> float:
        """From end to end, warm."""
        return 0.0 if table is None else make_lead(table, self.supply.copper).ohm

    def feed_ohm(self, node: str) -> float:
        """Feed and its fuse."""
        own, use = self.vehicle.nodes[node].supply, self.feed_use(node)
        feed = None if own is None else own.feed
        return self.lead_ohm(feed) + (0.0 if use is None else cold_ohm(use.rating, use.kind))

    def ground_ohm(self, node: str) -> float:
        """Ground lead of a node."""
        own = self.vehicle.nodes[node].supply
        return self.lead_ohm(None if own is None else own.ground)

    def path_ohm(self, name: str) -> float:
        """A load's own way: switch, fuse, lead there and back; without the node's leads."""
        table, use = self.loads[name], self.fuse_use(name)
        fuse = 0.0 if use is None else cold_ohm(use.rating, use.kind)
        leads = self.lead_ohm(table.lead) + self.lead_ohm(table.back)
        return make_switch(table).ohm + fuse + leads

    def loop_ohm(self, name: str) -> float:
        """From the battery to a load and back."""
        table, node = self.loads[name], self.vehicle.loads[name].node
        ground = 0.0 if table.ground == "body" else self.ground_ohm(table.ground)
        return self.feed_ohm(node) + self.path_ohm(name) + ground

    def drop(self, name: str) -> float:
        """V lost from the battery to a load and back, with everything on its node on."""
        table, node = self.loads[name], self.vehicle.loads[name].node
        lost = self.amps(name) * self.path_ohm(name) + self.node_amps(node) * self.feed_ohm(node)
        if table.ground != "body":
            lost += self.ground_amps(table.ground) * self.ground_ohm(table.ground)
        return lost


def allowed_drop(table: ElectricalTable) -> float:
    """What a load may lose, in V: what it declares, or what is usual for its kind."""
    if table.drop is not None:
        return table.drop
    if table.kind == "filament":
        watts = table.current * table.volts
        return next(volts for below, volts in LAMP_DROPS if watts < below)
    return {"led": LED_DROP, "solenoid": COIL_DROP}.get(table.kind, OTHER_DROP)


def load_line(sums: Sums, name: str) -> LoadLine:
    """The line of a load."""
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
        allowed=None if lead is None else allowed_drop(table),
    )


def node_line(sums: Sums, name: str) -> NodeLine:
    """The line of a node."""
    own = sums.vehicle.nodes[name].supply
    feed = None if own is None else own.feed
    amps = sums.node_amps(name)
    lost = amps * sums.feed_ohm(name) + sums.ground_amps(name) * sums.ground_ohm(name)
    return NodeLine(
        name=name,
        amps=amps,
        fuse=sums.feed_use(name),
        size="" if feed is None else feed.size,
        length_m=0.0 if feed is None else feed.length,
        drop=lost,
        sleeping_a=None if own is None else own.sleeping,
    )


def lead_lines(sums: Sums) -> Iterator[LeadLine]:
    """Every lead of the car that has to be cut, in the order of the file."""
    starter = sums.supply.starter
    if starter is not None and starter.lead is not None:
        yield _lead("battery plus", "starter motor", starter.lead, None)
    for name, own in sums.vehicle.nodes.items():
        if own.supply is not None:
            yield from _node_leads(name, own.supply)
    for name, table in sums.loads.items():
        use = sums.fuse_use(name)
        node = sums.vehicle.loads[name].node
        if table.lead is not None:
            yield _lead(node, name, table.lead, None if use is None else use.rating)
        if table.back is not None:
            end = "body" if table.ground == "body" else f"{table.ground} ground"
            yield _lead(name, end, table.back, None)


def _node_leads(name: str, table: NodeSupplyTable) -> Iterator[LeadLine]:
    if table.feed is not None:
        yield _lead("battery plus", name, table.feed, table.feed.fuse)
    if table.ground is not None:
        yield _lead(f"{name} ground", "body", table.ground, None)
    if table.ground_link is not None:
        end = f"{table.ground_link.to} ground"
        yield _lead(f"{name} ground", end, table.ground_link, None)


def _lead(start: str, end: str, table: LeadTable, fuse: float | None) -> LeadLine:
    return LeadLine(start, end, table.colour, table.size, table.length, fuse)


def short_paths(sums: Sums) -> Mapping[str, float]:
    """Ohm from the battery's own inside to the end of each load's lead and back by the body."""
    inside = sums.supply.internal_resistance
    return {name: inside + sums.loop_ohm(name) for name in sums.loads}
