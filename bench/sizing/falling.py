"""What is lost in which order while the battery's voltage falls, with everything on.

The circuit itself runs through it, as in a session: the voltage goes down from the battery's own by
1 V/s, the starter stays off. What a program would do about it is not asked.
"""

from __future__ import annotations

from bench.model.circuit import build_network
from bench.model.electrical import ElectricalTable
from bench.model.loading import Vehicle
from bench.power.loads import IES_LIGHT, Filament, Led
from bench.power.network import Network
from bench.power.profiles import Piece, Profile
from bench.sizing.rows import Shed

S = 1_000_000_000
SETTLE_NS = 5 * S
HALF_LIGHT: float = 0.5 ** (1 / IES_LIGHT)
"""Share of the rated voltage at which a lamp gives half its light."""


def falling(vehicle: Vehicle) -> tuple[Shed, ...]:
    """What is lost, the highest battery voltage first; nothing for a vehicle on an ideal supply."""
    supply = vehicle.supply
    network = build_network(supply, vehicle.nodes, vehicle.loads)
    if supply is None or network is None:
        return ()
    top, lasts_ns = supply.battery, round(supply.battery * S)
    off = supply.starter.switched_by if supply.starter is not None else None
    hold = Piece(SETTLE_NS, top, top)
    profile = Profile("falling", "falling", (hold, Piece(lasts_ns, top, 0.0)), 0.001)
    network.follow(profile)
    for name in network.channels:
        network.drive(name, 0.0 if name == off else 1.0)
    network.settle()
    network.advance(SETTLE_NS)
    return tuple(_walk(network, vehicle))


def _walk(network: Network, vehicle: Vehicle) -> list[Shed]:
    found: list[Shed] = []
    dim: set[str] = set()
    while network.next_ns is not None:
        for event in network.advance(network.next_ns):
            volts = network.battery_volts
            if event.what == "power_lost":
                text = "its processor resets; its outputs go to what the hardware does"
                found.append(Shed(volts, event.name, text))
            elif event.what == "cut_off":
                found.append(Shed(volts, event.name, "its relay lets go"))
        for name, channel in network.channels.items():
            table = vehicle.loads[name].electrical
            if table is not None and name not in dim and _dim(network, name, table):
                dim.add(name)
                text = "half its light" if isinstance(channel.load, Filament) else "dark"
                found.append(Shed(network.battery_volts, name, text))
    return found


def _dim(network: Network, name: str, table: ElectricalTable) -> bool:
    channel = network.channels[name]
    if not channel.live:
        return False
    if isinstance(channel.load, Filament):
        return network.load_volts(name) < HALF_LIGHT * table.volts
    return isinstance(channel.load, Led) and network.amps(name) <= 0
