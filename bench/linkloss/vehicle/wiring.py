"""From the electrical tables of a vehicle to the parts of its circuit."""

from __future__ import annotations

from collections.abc import Mapping
from math import inf

from linkloss.power.channel import Channel
from linkloss.power.consumers import Electronics, Filament, Heater, Led, Load, Motor, Solenoid
from linkloss.power.fuses import Fuse
from linkloss.power.leads import Lead
from linkloss.power.network import Network, Starter, Terminal
from linkloss.power.supply import Alternator, Battery, NodeSupply
from linkloss.power.switches import Direct, Relay, SolidState, Switch
from linkloss.vehicle.electrical import (
    AlternatorTable,
    ElectricalTable,
    LeadTable,
    NodeSupplyTable,
    RelayTable,
    SolidStateTable,
    StarterTable,
    SupplyTable,
)
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.tables import NodeTable

S = 1_000_000_000
DEFAULT_START = {"motor": 5.0, "solenoid": 3.0}
"""Current at rest or while pulling in, as a multiple of the nameplate's: common practice."""
DEFAULT_TIME_S = {"filament": 0.036, "motor": 0.1, "solenoid": 0.03}


def build_network(
    supply: SupplyTable | None,
    nodes: Mapping[str, NodeTable],
    loads: Mapping[str, LoadTable],
) -> Network | None:
    """A vehicle's circuit with all its switches open; None for one on an ideal supply.

    The tables must agree with each other, as those of a loaded vehicle do.
    """
    if supply is None:
        return None
    fuses = {
        name: Fuse(load.fuse, load.electrical.fuse_type, supply.ambient)
        for name, load in loads.items()
        if load.fuse is not None and load.electrical is not None
    }
    channels = [
        _channel(name, load, load.electrical, fuses, supply.copper)
        for name, load in loads.items()
        if load.electrical is not None
    ]
    return Network(
        Battery(supply.battery, supply.internal_resistance),
        {name: _terminal(node.supply, supply) for name, node in nodes.items()},
        channels,
        None if supply.alternator is None else _alternator(supply.alternator, supply.copper),
        None if supply.starter is None else _starter(supply.starter, supply),
    )


def _alternator(table: AlternatorTable, degc: float) -> Alternator:
    ohm = table.internal_resistance + _ohm(table.lead, degc)
    return Alternator(table.volts, table.current, ohm)


def make_lead(table: LeadTable, degc: float) -> Lead:
    """A lead whose copper is at a temperature, in degC."""
    return Lead(table.area_mm2, table.length, degc, table.contacts)


def _ohm(table: LeadTable | None, degc: float) -> float:
    return 0.0 if table is None else make_lead(table, degc).ohm


def _terminal(table: NodeSupplyTable | None, supply: SupplyTable) -> Terminal:
    if table is None:
        return Terminal()
    degc, feed, link = supply.copper, table.feed, table.ground_link
    fuse = None
    if feed is not None and feed.fuse is not None:
        fuse = Fuse(feed.fuse, feed.fuse_type, supply.ambient)
    return Terminal(
        feed_ohm=None if feed is None else _ohm(feed, degc),
        ground_ohm=None if table.ground is None else _ohm(table.ground, degc),
        link=None if link is None else (link.to, _ohm(link, degc)),
        feed_fuse=fuse,
        supply=_node_supply(table),
        amps=table.current,
    )


def _node_supply(table: NodeSupplyTable) -> NodeSupply:
    least = None if table.brown_out_detector else table.least
    return NodeSupply(table.brown_out, table.hysteresis, table.hold_up, table.current, least)


def _channel(
    name: str, load: LoadTable, table: ElectricalTable, fuses: Mapping[str, Fuse], degc: float
) -> Channel:
    return Channel(
        name,
        load.node,
        make_switch(table),
        make_load(table),
        lead_ohm=_ohm(table.lead, degc) + _ohm(table.back, degc),
        fuse=fuses.get(name if table.fuse_with is None else table.fuse_with),
        ground="" if table.ground == "body" else table.ground,
    )


def make_load(table: ElectricalTable) -> Load:
    """The load of a table, cold and at rest; pieces in parallel make one."""
    volts, amps = table.volts, table.current * table.count
    start = table.count * start_amps(table)
    time_s = table.start_time / S if table.start_time else DEFAULT_TIME_S.get(table.kind, 0.0)
    match table.kind:
        case "filament":
            return Filament(volts, amps, table.cold, time_s)
        case "led":
            return Led(volts, amps, volts / 2 if table.knee is None else table.knee)
        case "motor":
            return Motor(volts, amps, start, time_s)
        case "solenoid":
            return Solenoid(volts, amps, start, time_s, table.holds_from, table.holds_to)
        case "heater":
            return Heater(volts, amps)
        case "electronics":
            return Electronics(amps)


def start_amps(table: ElectricalTable) -> float:
    """Current of one piece at the first instant at the volts of its nameplate, in A."""
    if table.kind == "filament":
        return table.current / table.cold
    if table.start is not None:
        return table.start
    return table.current * DEFAULT_START.get(table.kind, 1.0)


def make_switch(table: ElectricalTable) -> Switch:
    """The switch of a table, open; one that follows at once where none is declared."""
    if table.relay is not None:
        return _relay(table.relay)
    if table.solid_state is not None or table.soft_start:
        return _solid_state(table.solid_state or SolidStateTable(), table.soft_start)
    return Direct(table.contact)


def _relay(table: RelayTable) -> Relay:
    return Relay(
        coil_ohm=table.coil,
        pull_in=table.pull_in,
        drop_out=table.drop_out,
        closes_ns=table.closes_in,
        opens_ns=table.opens_in,
        bounces=table.bounces,
        bounce_ns=table.bounce,
        ohm=table.contact,
    )


def _solid_state(table: SolidStateTable, soft_ns: int) -> SolidState:
    return SolidState(
        ohm=table.on_resistance,
        limit=inf if table.limit is None else table.limit,
        trip=inf if table.trip is None else table.trip,
        blanking_ns=table.blanking,
        retry_ns=table.retry_after,
        retries=table.retries,
        open_load=table.open_load or 0.0,
        open_load_off=table.open_load_off,
        kelvin_per_watt=table.thermal,
        thermal_s=table.thermal_time / S,
        rise=table.rise,
        soft_ns=soft_ns,
    )


def _starter(table: StarterTable, supply: SupplyTable) -> Starter:
    motor = Motor(table.volts, table.current, table.stall, table.start_time / S)
    lead_ohm = _ohm(table.lead, supply.copper)
    channel = Channel("starter motor", "", Direct(table.contact), motor, lead_ohm)
    return Starter(table.switched_by, channel)
