"""Voltages of the car against what its parts are made for: nameplates, the ranges and brown-out
thresholds of nodes, the charging voltage, and what is left while the starter motor turns.

Also what hangs on the battery without a node: the leads of starter motor and alternator, whether
the alternator can feed a drive, and whether the battery lasts while the car is parked.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil

from linkloss.sizing.lines import COMMON, DROPS, Finding, Sleep, Sums
from linkloss.sizing.protection import Run, bears, carries, size_that_loses
from linkloss.sizing.starts import Start, Starts
from linkloss.vehicle.electrical import NodeSupplyTable

STARTING = "the circuit of a run, the engine being started"
ARITHMETIC = "arithmetic on the vehicle file"
FITS = (0.75, 1.35)
"""The nameplate of what belongs into a car, as a share of its nominal voltage: lamps of 12 V are
rated at 12 to 13.5 V, some motors at 14 V (common practice)."""
OVERCHARGED = 1.3
"""From this share of the nominal voltage on, a battery boils: 15.6 V in a 12 V car (common
practice)."""
STARTER_DROP, ALTERNATOR_DROP = 0.5, 0.4
"""V in the lead of a 12 V car."""
HELD_S = 10.0
"""So long a driver holds the key while the starter motor cannot turn: common practice."""
STILL_STARTS = 0.5
"""Below this share of its charge, a battery is not relied on to start the engine."""


def voltage_findings(sums: Sums) -> Iterator[Finding]:
    """What is wrong with the voltages of a vehicle."""
    yield from _nameplates(sums)
    for name in sums.vehicle.nodes:
        own = sums.vehicle.nodes[name].supply
        if own is not None:
            yield from _range(sums, name, own)
            yield from _brown_out(name, own)
    yield from _charging(sums)
    if sums.supply.starter is not None:
        yield from _cranking(sums)


def _nameplates(sums: Sums) -> Iterator[Finding]:
    """A lamp of 12 V does not belong into a car of 24 V, nor the other way round."""
    nominal, starter = sums.supply.nominal, sums.supply.starter
    low, high = (share * nominal for share in FITS)
    found = [(name, table.volts, ("loads", name)) for name, table in sums.loads.items()
             if table.kind != "electronics" or "volts" in table.model_fields_set]  # fmt: skip
    if starter is not None:
        found.append(("starter motor", starter.volts, ("supply", "starter")))
    for name, volts, place in found:
        if low <= volts <= high:
            continue
        what = "too much for it" if volts < low else "too little for it"
        text = (
            f"it is made for {volts:g} V, and the car has {nominal:g} V, {what}; expected"
            f" 'volts' from {low:g} V to {high:g} V"
        )
        key = (*place, "volts") if place[0] == "supply" else (*place, "electrical", "volts")
        yield Finding("broken", name, f"{text} ({'.'.join(key)})", COMMON)


def _range(sums: Sums, name: str, own: NodeSupplyTable) -> Iterator[Finding]:
    """A node works at the battery's voltage with everything on, and at the charging voltage."""
    supply = sums.supply
    total = sum(sums.node_amps(node) for node in sums.vehicle.nodes)
    lost = sums.node_drop(name) + total * supply.internal_resistance
    left, most = supply.battery - lost, supply.battery
    if supply.alternator is not None:
        most = supply.charging
    low, high = own.range
    if left < low:
        text = (
            f"with everything on it gets {left:.1f} V from the battery alone, and its range begins"
            f" at {low:g} V: a shorter or thicker feed and ground, or a lower range"
        )
        yield Finding("broken", name, text, ARITHMETIC)
    if most > high:
        text = f"it gets up to {most:g} V, and its range ends at {high:g} V"
        yield Finding("broken", name, text, ARITHMETIC)


def _brown_out(name: str, own: NodeSupplyTable) -> Iterator[Finding]:
    """Within its range a node neither resets nor stays in reset."""
    low, back = own.range[0], own.brown_out + own.hysteresis
    if own.brown_out >= low:
        text = (
            f"it resets below {own.brown_out:g} V, within its range, which begins at {low:g} V;"
            f" expected a brown-out below {low:g} V, or a range from above it"
        )
        yield Finding("broken", name, text, ARITHMETIC)
    elif back > low:
        text = (
            f"once it has reset it starts again from {back:g} V only, and its range begins at"
            f" {low:g} V; expected {low - own.brown_out:.2g} V of hysteresis at most"
        )
        yield Finding("broken", name, text, ARITHMETIC)


def _charging(sums: Sums) -> Iterator[Finding]:
    """The alternator charges the battery, neither too little nor too much, through its lead."""
    supply, alternator = sums.supply, sums.supply.alternator
    if alternator is None:
        return
    most = OVERCHARGED * supply.nominal
    if alternator.volts <= supply.battery:
        text = (
            f"its regulator holds {alternator.volts:g} V, and the battery has {supply.battery:g} V:"
            f" it never charges; expected about {14.2 * supply.nominal / 12:.3g} V"
        )
        yield Finding("broken", "alternator", text, ARITHMETIC)
    elif alternator.volts > most:
        text = f"its regulator holds {alternator.volts:g} V; expected {most:g} V at most"
        yield Finding("broken", "alternator", f"{text}: a battery boils", COMMON)
    if alternator.lead is not None:
        place = ("supply", "alternator", "lead")
        run = Run("alternator", "lead", alternator.lead, place, alternator.current)
        yield from carries(sums, run)
        yield from _lead_drop(sums, run, ALTERNATOR_DROP)


def _lead_drop(sums: Sums, run: Run, usual: float) -> Iterator[Finding]:
    """What the lead of starter motor or alternator may lose."""
    supply, amps = sums.supply, run.amps
    declared = supply.allowed_drop(run.place[1])
    allowed = usual * supply.nominal / 12 if declared is None else declared
    lost = amps * run.ohm(sums)
    if lost <= allowed:
        return
    text = f"{lost:.2f} V are lost in its lead at {amps:.0f} A; expected {allowed:.2f} V at most"
    wanted = size_that_loses(run.table, amps, allowed, supply.copper)
    yield run.wanting(text, DROPS if declared is None else "the vehicle file", wanted)


def _cranking(sums: Sums) -> Iterator[Finding]:
    """The starter motor turns, and what has to live through that does."""
    starter = sums.supply.starter
    assert starter is not None
    if starter.lead is not None:
        place = ("supply", "starter", "lead")
        run = Run("starter motor", "lead", starter.lead, place, starter.current)
        yield from _lead_drop(sums, run, STARTER_DROP)
        yield from bears(run, starter.stall, HELD_S, "its rotor held it")
    alone = Starts(sums.vehicle, None).crank(all_on=False)
    if alone.moves != 1:
        text = "its solenoid lets go again as it begins to turn: the voltage breaks down"
        if alone.moves == 0:
            text = "its solenoid never pulls in"
        yield Finding("broken", "starter motor", text, STARTING)
        return
    laden = Starts(sums.vehicle, None).crank(all_on=True)
    for name, node in sums.vehicle.nodes.items():
        if node.supply is not None and name not in starter.may_reset:
            yield from _through_a_start(name, node.supply, alone, laden)


def _through_a_start(
    name: str, own: NodeSupplyTable, alone: Start, laden: Start
) -> Iterator[Finding]:
    """A node that may not reset while the engine is started stays within its range."""
    but = "or the node in 'supply.starter.may_reset'"
    alone_resets, laden_resets = (
        any(event.what == "power_lost" and event.name == name for event in start.events)
        for start in (alone, laden)
    )
    low = own.range[0]
    if alone_resets or (laden_resets and laden.lowest[name] < alone.lowest[name]):
        start, laden_too = (alone, "") if alone_resets else (laden, " with everything on")
        text = (
            f"it resets when the engine is started{laden_too}: it gets {start.lowest[name]:.1f} V;"
            f" expected {own.brown_out:g} V or more, {but}"
        )
        yield Finding("broken" if alone_resets else "hint", name, text, STARTING)
    elif alone.last[name] < low:
        text = (
            f"while the engine is started it gets {alone.last[name]:.1f} V, and its range begins"
            f" at {low:g} V; a lower range, {but}"
        )
        yield Finding("broken", name, text, STARTING)


def sleep_of(sums: Sums) -> Sleep:
    """What the sleeping car draws."""
    asleep = {name: sums.own(name).sleeping for name in sums.vehicle.nodes}
    drawn = sum(amps for amps in asleep.values() if amps is not None)
    drawn += sum(table.asleep for table in sums.loads.values())
    unknown = tuple(name for name, amps in asleep.items() if amps is None)
    return Sleep(drawn, sums.supply.capacity, unknown)


def battery_findings(sums: Sums) -> Iterator[Finding]:
    """Whether the alternator feeds what runs, and whether the battery lasts while parked."""
    yield from _fed(sums)
    if sums.supply.starter is not None:
        text = (
            "no fuse protects the lead of the starter motor: keep it short, in a sleeve, and away"
            " from edges and heat"
        )
        yield Finding("hint", "supply", text, COMMON)
    sleep, parked = sleep_of(sums), sums.supply.parked_days
    if sleep.days is not None and sleep.days * STILL_STARTS < parked:
        most = sums.supply.capacity * STILL_STARTS / 24 / parked
        text = (
            f"asleep it draws {sleep.amps * 1000:.1f} mA; after"
            f" {sleep.days * STILL_STARTS:.0f} days half the battery is gone; expected {parked}"
            f" days or more: {most * 1000:.1f} mA at most"
        )
        yield Finding("broken", "supply", text, COMMON)


def _fed(sums: Sums) -> Iterator[Finding]:
    """The alternator feeds the declared drive, or what everything on draws is told."""
    alternator, drive = sums.supply.alternator, sums.supply.drive
    if alternator is None:
        return
    nodes = sum(sums.own(name).current for name in sums.vehicle.nodes)
    if drive:
        total = nodes + sum(sums.amps(name) * share for name, share in drive.items())
        if total > alternator.current:
            most = max(drive, key=lambda name: sums.amps(name) * drive[name])
            text = (
                f"the drive of the file draws {total:.1f} A on the mean, the alternator gives"
                f" {alternator.current:g} A: the battery runs flat on the way; expected"
                f" {ceil(total)} A or more, or less to feed (most: {most},"
                f" {sums.amps(most) * drive[most]:.0f} A)"
            )
            yield Finding("broken", "supply", text, ARITHMETIC)
        return
    total = sum(sums.node_amps(name) for name in sums.vehicle.nodes)
    if total > alternator.current:
        text = (
            f"everything on draws {total:.0f} A, the alternator gives {alternator.current:g} A: the"
            " battery pays the difference; '[supply.drive]' says what runs together"
        )
        yield Finding("hint", "supply", text, ARITHMETIC)
