"""What is lost in which order while the battery's voltage falls, with everything on.

The circuit itself runs through it, as in a session: the voltage goes down from the battery's own by
1 V/s, the starter stays off. What a program would do about it is not asked.
"""

from __future__ import annotations

from linkloss.model.circuit import build_network
from linkloss.model.loading import Vehicle
from linkloss.power.channel import Channel
from linkloss.power.filament import Filament
from linkloss.power.loads import Led
from linkloss.power.network import Network
from linkloss.power.profiles import Piece, Profile
from linkloss.power.switches import Relay
from linkloss.sizing.rows import Shed

S = 1_000_000_000
SETTLE_NS = 5 * S


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
    return tuple(_walk(network))


def _walk(network: Network) -> list[Shed]:
    found: list[Shed] = []
    dim: set[str] = set()
    while network.next_ns is not None:
        for event in network.advance(network.next_ns):
            volts = network.battery_volts
            if event.what == "power_lost":
                text = "its processor resets; its outputs go to what the hardware does"
                found.append(Shed(volts, event.name, text))
            elif event.what == "cut_off":
                found.append(Shed(volts, event.name, _why(network.channels[event.name])))
        for name, channel in network.channels.items():
            if name not in dim and _dim(channel):
                dim.add(name)
                text = "half its light" if isinstance(channel.load, Filament) else "dark"
                found.append(Shed(network.battery_volts, name, text))
    return found


def _why(channel: Channel) -> str:
    if not channel.whole:
        return "its fuse opens"
    return "its relay lets go" if isinstance(channel.switch, Relay) else "its switch trips"


def _dim(channel: Channel) -> bool:
    if not channel.live:
        return False
    if isinstance(channel.load, Filament):
        return channel.load.light() < 0.5
    return isinstance(channel.load, Led) and channel.amps <= 0
