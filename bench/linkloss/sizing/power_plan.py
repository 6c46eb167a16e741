"""The power plan of a vehicle: its lines, what fails as the voltage falls, and all findings.

To show what stops working in which order, the battery's voltage falls with everything on.

The same circuit as in a session is simulated: the voltage falls by 1 V/s from the battery's
declared voltage, and the starter stays off. What a program would do about it is left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from linkloss.power.channel import Channel
from linkloss.power.consumers import Filament, Led
from linkloss.power.network import Network
from linkloss.power.supply import Piece, Profile
from linkloss.power.switches import Relay
from linkloss.sizing.assumptions import Assumption, assumptions
from linkloss.sizing.contacts import switch_findings
from linkloss.sizing.lines import (
    Finding,
    LeadLine,
    LoadLine,
    NodeLine,
    Shed,
    Sleep,
    Sums,
    lead_lines,
    load_line,
    node_line,
)
from linkloss.sizing.protection import load_findings, node_findings
from linkloss.sizing.starts import start_findings
from linkloss.sizing.voltages import battery_findings, sleep_of, voltage_findings
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.wiring import build_network

S = 1_000_000_000
SETTLE_NS = 5 * S


def falling(vehicle: Vehicle) -> tuple[Shed, ...]:
    """What stops working, the highest battery voltage first; empty for a vehicle on an ideal
    supply.
    """
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


@dataclass(frozen=True, slots=True)
class PowerPlan:
    """A power plan. ``unchecked`` says what could not be checked for lack of data, ``assumed`` what
    stands in for values that the file does not give.
    """

    vehicle: Vehicle
    loads: tuple[LoadLine, ...]
    nodes: tuple[NodeLine, ...]
    leads: tuple[LeadLine, ...]
    sheds: tuple[Shed, ...]
    sleep: Sleep | None
    findings: tuple[Finding, ...]
    unchecked: tuple[str, ...]
    assumed: tuple[Assumption, ...] = ()

    @property
    def broken(self) -> tuple[Finding, ...]:
        """The findings that say that something is wrong."""
        return tuple(finding for finding in self.findings if finding.weight == "broken")

    @property
    def hints(self) -> tuple[Finding, ...]:
        """The findings that are only worth a thought."""
        return tuple(finding for finding in self.findings if finding.weight == "hint")


def power_plan(vehicle: Vehicle) -> PowerPlan:
    """Make the power plan of a vehicle from its electrical tables."""
    if vehicle.supply is None:
        told = ("there is no table 'supply': nothing is known of battery, leads and loads",)
        return PowerPlan(vehicle, (), (), (), (), None, (), told)
    sums = Sums(vehicle, vehicle.supply)
    return PowerPlan(
        vehicle=vehicle,
        loads=tuple(load_line(sums, name) for name in sums.loads),
        nodes=tuple(node_line(sums, name) for name in vehicle.nodes),
        leads=tuple(lead_lines(sums)),
        sheds=falling(vehicle),
        sleep=sleep_of(sums),
        findings=tuple(_findings(sums)),
        unchecked=tuple(_unchecked(vehicle)),
        assumed=assumptions(vehicle),
    )


def _unchecked(vehicle: Vehicle) -> Iterator[str]:
    bare = [name for name, load in vehicle.loads.items() if load.electrical is None]
    if bare:
        yield f"no electrical data, so nothing was looked at: {', '.join(bare)}"
    fed = [name for name, node in vehicle.nodes.items() if node.supply is None]
    if fed:
        yield f"no table 'supply', so feed and sleep were not looked at: {', '.join(fed)}"


def _findings(sums: Sums) -> Iterator[Finding]:
    for name in sums.loads:
        yield from load_findings(sums, name)
        yield from switch_findings(sums, name)
    for name in sums.vehicle.nodes:
        yield from node_findings(sums, name)
    yield from start_findings(sums)
    yield from voltage_findings(sums)
    yield from battery_findings(sums)
