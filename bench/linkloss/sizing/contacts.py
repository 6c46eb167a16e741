"""What switches a load, against the load: the contacts of relays, and solid-state switches with
their limit, their trips and their diagnosis.
"""

from __future__ import annotations

from collections.abc import Iterator

from linkloss.power.consumers import IES_CURRENT
from linkloss.sizing.lines import COMMON, Finding, Sums
from linkloss.vehicle.electrical import ElectricalTable, RelayTable, SolidStateTable
from linkloss.vehicle.wiring import make_load, start_amps

FILE = "the vehicle file"
RELAYS = "a data sheet of plug-in relays for cars (ISO 7588), looked up"
RELAY_RATINGS = (10.0, 20.0, 30.0, 40.0, 50.0, 70.0)
"""Ratings in A of relays for cars that are sold: common practice."""


def drawn(table: ElectricalTable, volts: float) -> float:
    """What all pieces of a load draw once they run, in A, with ``volts`` at their terminals."""
    amps = table.current * table.count
    if table.kind == "filament":
        share: float = (volts / table.volts) ** IES_CURRENT
        return amps * share
    if table.kind == "motor":
        return amps
    if table.kind == "solenoid":
        return amps * volts / table.volts
    g, i0 = make_load(table).line(volts)
    return g * volts + i0


def switch_findings(sums: Sums, name: str) -> Iterator[Finding]:
    """What is wrong with the switch of a load."""
    table = sums.loads[name]
    if table.relay is not None:
        yield from _of_relay(sums, name, table.relay)
    if table.solid_state is not None:
        yield from _of_solid_state(sums, name, table.solid_state)


def first_amps(sums: Sums, name: str) -> float:
    """The current of a load at the first instant at the charging voltage, behind all its leads, in
    A.
    """
    table, volts = sums.loads[name], sums.supply.charging
    cold_ohm = table.volts / (start_amps(table) * table.count)
    return volts / (cold_ohm + sums.loop_ohm(name))


def _of_relay(sums: Sums, name: str, relay: RelayTable) -> Iterator[Finding]:
    """A contact carries the load's current, and closes on its first current."""
    table = sums.loads[name]
    rating = relay.rated(sums.supply.nominal)
    kinds = {"filament": ("lamps", relay.lamps), "motor": ("motors", relay.motors)}
    what, own = kinds.get(table.kind, ("", None))
    carries, amps = own or rating, drawn(table, sums.supply.charging)
    if amps > carries:
        for_what = f" for {what}" if own else ""
        text = (
            f"it draws {amps:.1f} A at {sums.supply.charging:g} V, and the contact of its relay is"
            f" good for {carries:g} A{for_what}; {_larger(amps, 0.0, sums.supply.nominal)}"
        )
        yield Finding("broken", name, text, FILE if own or relay.rating else RELAYS)
    first, makes = first_amps(sums, name), relay.makes(sums.supply.nominal)
    if first > makes:
        text = (
            f"its relay closes on {first:.0f} A, and may weld from {makes:g} A on;"
            f" {_larger(amps, first, sums.supply.nominal)}, or a solid-state switch"
        )
        yield Finding("broken", name, text, FILE if relay.making else RELAYS)


def _larger(amps: float, first: float, nominal: float) -> str:
    """Which relay would do."""
    for rating in RELAY_RATINGS:
        relay = RelayTable(rating=rating)
        if rating >= amps and relay.makes(nominal) >= first:
            return f"a relay of {rating:g} A would do"
    return "several relays, each for a part of the load"


def _of_solid_state(sums: Sums, name: str, switch: SolidStateTable) -> Iterator[Finding]:
    """It lets the current pass, does not trip by it or by its own losses, and does not take it for
    an open load.
    """
    table, supply = sums.loads[name], sums.supply
    amps = max(sums.amps(name), drawn(table, supply.charging))
    if switch.limit is not None and switch.limit < amps:
        text = f"its switch lets no more than {switch.limit:g} A pass, and it draws {amps:.1f} A"
        yield Finding("broken", name, f"{text} at {supply.charging:g} V", FILE)
    if switch.trip is not None and switch.trip <= amps:
        text = f"its switch trips at {switch.trip:g} A, and it draws {amps:.1f} A"
        yield Finding("broken", name, f"{text} at {supply.charging:g} V", FILE)
    watts = amps * amps * switch.on_resistance
    if watts * switch.thermal >= switch.rise:
        most = switch.rise / (switch.thermal * amps * amps)
        text = (
            f"at {amps:.1f} A its switch loses {watts:.1f} W, gets {watts * switch.thermal:.0f} K"
            f" warmer and trips at {switch.rise:g} K; expected less than {most * 1000:.2g} mohm, or"
            " a better heat sink"
        )
        yield Finding("broken", name, text, "arithmetic on the vehicle file")
    if switch.open_load is not None:
        yield from _open_load(sums, name, switch.open_load)


def _open_load(sums: Sums, name: str, threshold: float) -> Iterator[Finding]:
    """A sound load is not reported as open, neither at rest nor at the lowest voltage of its
    node.
    """
    node = sums.vehicle.nodes[sums.vehicle.loads[name].node].supply
    lowest = sums.supply.battery if node is None else node.range[0]
    for volts, weight in ((sums.supply.battery, "broken"), (lowest, "hint")):
        amps = drawn(sums.loads[name], volts)
        if amps >= threshold:
            continue
        text = (
            f"its switch reports an open load below {threshold:g} A, and at {volts:g} V it draws"
            f" {amps:.2g} A; expected {amps / 2:.1g} A or less"
        )
        yield Finding("broken" if weight == "broken" else "hint", name, text, COMMON)
        return
