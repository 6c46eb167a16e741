"""The power plan of a vehicle: its lines, what fails as the voltage falls, its sleep current, and
the findings.

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
from linkloss.sizing import lines as fused
from linkloss.sizing.assumptions import Assumption, assumptions
from linkloss.sizing.contacts import switch_findings
from linkloss.sizing.lines import (
    COMMON,
    DROPS,
    Finding,
    LeadLine,
    LoadLine,
    NodeLine,
    Shed,
    Sleep,
    Sums,
    allowed_drop,
    lead_lines,
    load_line,
    node_line,
)
from linkloss.sizing.starts import start_findings
from linkloss.vehicle.electrical import ElectricalTable, LeadTable
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


LONGEST_SLEEP_DAYS = 30
"""After so many days parked, the car must still start."""
STILL_STARTS = 0.5
"""Below this share of its charge, a battery is not relied on to start the engine."""
STALL_SHARE = 1.35
"""From this multiple of its rating on, every fuse of the band opens, within 10 min."""


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
        sleep=_sleep(sums),
        findings=tuple(_findings(sums)),
        unchecked=tuple(_unchecked(vehicle)),
        assumed=assumptions(vehicle),
    )


def _sleep(sums: Sums) -> Sleep:
    asleep = {name: sums.own(name).sleeping for name in sums.vehicle.nodes}
    drawn = sum(amps for amps in asleep.values() if amps is not None)
    drawn += sum(table.asleep for table in sums.loads.values())
    unknown = tuple(name for name, amps in asleep.items() if amps is None)
    return Sleep(drawn, sums.supply.capacity, unknown)


def _unchecked(vehicle: Vehicle) -> Iterator[str]:
    bare = [name for name, load in vehicle.loads.items() if load.electrical is None]
    if bare:
        yield f"no electrical data, so nothing was looked at: {', '.join(bare)}"
    fed = [name for name, node in vehicle.nodes.items() if node.supply is None]
    if fed:
        yield f"no table 'supply', so feed and sleep were not looked at: {', '.join(fed)}"


def _findings(sums: Sums) -> Iterator[Finding]:
    for name in sums.loads:
        yield from _of_load(sums, name)
    for name in sums.vehicle.nodes:
        yield from _of_node(sums, name)
    yield from start_findings(sums)
    yield from _of_car(sums)


def _of_load(sums: Sums, name: str) -> Iterator[Finding]:
    table, ambient = sums.loads[name], sums.supply.ambient
    use = sums.fuse_use(name)
    if use is not None and table.fuse_with is None:
        yield from fused.sold(name, use)
        yield from fused.continuous(name, use)
    for what, lead in _leads(table):
        yield from fused.lead_carries(name, what, lead, sums.amps(name), ambient)
    guard = use or sums.feed_use(sums.vehicle.loads[name].node)
    if table.lead is not None:
        if guard is None:
            text = "no fuse protects its lead, neither its own nor one in the node's feed"
            yield Finding("broken", name, text, COMMON)
        else:
            for what, lead in _leads(table):
                yield from fused.lead_carries(name, what, lead, guard.rating, ambient, fuse=True)
            ohm = sums.supply.internal_resistance + sums.loop_ohm(name)
            yield from fused.short_at_the_end(name, table.lead, guard, sums.supply.battery, ohm)
        yield from _drop(sums, name)
    yield from _stall(sums, name)
    yield from switch_findings(sums, name)


def _leads(table: ElectricalTable) -> Iterator[tuple[str, LeadTable]]:
    if table.lead is not None:
        yield "lead", table.lead
    if table.back is not None:
        yield "return lead", table.back


def _drop(sums: Sums, name: str) -> Iterator[Finding]:
    table, lost = sums.loads[name], sums.drop(name)
    allowed = allowed_drop(table)
    if lost <= allowed + 1e-9:
        return
    text = (
        f"{lost:.2f} V are lost from the battery to it and back with everything on its node on;"
        f" expected {allowed:.2f} V at most"
    )
    source = DROPS if table.drop is None else "the vehicle file"
    yield Finding("broken", name, text, source)


def _stall(sums: Sums, name: str) -> Iterator[Finding]:
    """A stalled motor whose fuse may not open."""
    line, table = load_line(sums, name), sums.loads[name]
    use = sums.fuse_use(name) or sums.feed_use(sums.vehicle.loads[name].node)
    if table.kind == "motor" and use is not None and not table.thermal_cut_out:
        share = line.start_amps / use.worth
        if share < STALL_SHARE:
            text = (
                f"its rotor held, it draws {line.start_amps:.0f} A, {share:.0%} of its fuse, which"
                f" may never open; expected {STALL_SHARE:.0%} or more, or a thermal cut-out of its"
                " own ('thermal_cut_out')"
            )
            yield Finding("broken", name, text, COMMON)


def _of_node(sums: Sums, name: str) -> Iterator[Finding]:
    own, ambient = sums.own(name), sums.supply.ambient
    if own.ground is not None:
        yield from fused.lead_carries(
            name, "ground lead", own.ground, sums.ground_amps(name), ambient
        )
    if own.feed is None:
        return
    use = sums.feed_use(name)
    yield from fused.lead_carries(name, "feed", own.feed, sums.node_amps(name), ambient)
    if use is None:
        text = "no fuse in its feed: a short there has the whole battery behind it"
        yield Finding("broken", name, text, COMMON)
        return
    yield from fused.sold(name, use)
    yield from fused.continuous(name, use)
    yield from fused.lead_carries(name, "feed", own.feed, use.rating, ambient, fuse=True)
    ohm = sums.supply.internal_resistance + sums.feed_ohm(name)
    yield from fused.short_at_the_end(name, own.feed, use, sums.supply.battery, ohm)
    for load, table in sums.loads.items():
        behind = sums.fuse_use(load)
        if sums.vehicle.loads[load].node != name or behind is None or table.fuse_with is not None:
            continue
        if behind.rating >= use.rating:
            text = (
                f"the fuse of {load}, {behind.rating:g} A, is no smaller than that of the feed,"
                f" {use.rating:g} A: its short takes the whole node down"
            )
            yield Finding("broken", name, text, COMMON)


def _of_car(sums: Sums) -> Iterator[Finding]:
    total = sum(sums.node_amps(name) for name in sums.vehicle.nodes)
    alternator = sums.supply.alternator
    if alternator is not None and total > alternator.current:
        text = (
            f"everything on draws {total:.0f} A, the alternator gives {alternator.current:g} A: the"
            " battery pays the difference"
        )
        yield Finding("hint", "supply", text, "arithmetic on the vehicle file")
    if sums.supply.starter is not None:
        text = (
            "no fuse protects the lead of the starter motor: keep it short, in a sleeve, and away"
            " from edges and heat"
        )
        yield Finding("hint", "supply", text, COMMON)
    sleep = _sleep(sums)
    if sleep.days is not None and sleep.days * STILL_STARTS < LONGEST_SLEEP_DAYS:
        days = sleep.days * STILL_STARTS
        text = (
            f"asleep it draws {sleep.amps * 1000:.1f} mA; after {days:.0f} days"
            f" half the battery is gone; expected {LONGEST_SLEEP_DAYS} days or more"
        )
        yield Finding("broken", "supply", text, COMMON)
