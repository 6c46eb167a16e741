"""Fuse against load and fuse against lead."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf

from linkloss.model.circuit import make_load, make_switch
from linkloss.model.electrical import ElectricalTable, LeadTable
from linkloss.power import fuses, leads
from linkloss.power.fuses import CONTINUOUS_SHARE, PULSE_SHARES, Kind
from linkloss.sizing.rows import (
    BAND,
    CABLE_LIST,
    COLOURS,
    COMMON,
    FUSE_GUIDE,
    HEATING,
    Finding,
    FuseUse,
)

CHARGING_V = 14.2
"""Voltage at which a start is looked at: the engine runs, the battery is full."""
STEP_S = 0.0005
START_S = 3.0
SHORT_S = 5.0
"""A short at the end of a lead is to be off within this time, by the slowest fuse of the band."""
PVC_K = 115.0
"""A s**0.5 / mm2: from 70 to 160 degC."""


def use_of(rating: float, kind: Kind, amps: float, ambient: float) -> FuseUse:
    """A fuse, and a current that it carries for ever."""
    worth = fuses.derated(rating, kind, ambient)
    return FuseUse(rating, kind, worth, amps, fuses.smallest_for(amps, kind, ambient))


def continuous(name: str, use: FuseUse) -> Iterator[Finding]:
    """The 80 % rule."""
    if use.share <= CONTINUOUS_SHARE + 1e-9:
        return
    advice = "no single fuse of this kind does"
    if use.wanted is not None:
        advice = f"{use.wanted:g} A would keep the rule"
    text = (
        f"{use.amps:.1f} A are {use.share:.0%} of what its fuse of {use.rating:g} A is worth there;"
        f" expected {CONTINUOUS_SHARE:.0%} at most; {advice}"
    )
    yield Finding("broken", name, text, COMMON)


def sold(name: str, use: FuseUse) -> Iterator[Finding]:
    """The rating is one that there is."""
    known = fuses.RATINGS[use.kind]
    if use.rating not in known:
        listed = ", ".join(f"{rating:g}" for rating in known)
        text = f"a {use.kind} fuse of {use.rating:g} A is not sold; expected one of {listed} A"
        yield Finding("broken", name, text, COLOURS)


def pulse(name: str, table: ElectricalTable, use: FuseUse, ohm: float) -> Iterator[Finding]:
    """The start of a load may spend a small part of its fuse only, by the fastest of the band."""
    spent = start_spends(table, use, ohm)
    pulses, allowed = PULSE_SHARES[0]
    if spent <= allowed:
        return
    text = (
        f"one start spends {min(spent, 1):.0%} of the fastest fuse of {use.rating:g} A; expected"
        f" {allowed:.0%} at most for {pulses} starts"
    )
    yield Finding("broken", name, text, FUSE_GUIDE)


def start_spends(table: ElectricalTable, use: FuseUse, ohm: float) -> float:
    """Which part of the fastest fuse a start from cold spends; 1 and more: it opens.

    ``ohm`` is everything from the battery to the load and back. The start is worked out in steps
    of 0.5 ms with the switch fully on, but for its soft start.
    """
    load, switch = make_load(table), make_switch(table)
    switch.command(1.0, 0)
    spent, now_s = 0.0, 0.0
    while now_s < START_S and spent < 1:
        now_ns = round(now_s * 1e9)
        switch.look(CHARGING_V, 0.0, now_ns)
        duty = max(switch.duty, 1e-9) if table.soft_start else 1.0
        g, i0 = load.line(CHARGING_V)
        amps = duty * min((g * CHARGING_V + i0) / (1 + g * ohm), switch.limit)
        time_s = fuses.melting_s(amps / use.worth, use.kind, "fastest")
        if time_s < inf:
            spent += STEP_S / time_s
        elif now_ns > table.soft_start:
            break  # from here on the current only falls
        load.advance(CHARGING_V, ohm, STEP_S, switch.limit, duty)
        now_s += STEP_S
    return spent


def _which_carries(amps: float, table: LeadTable, ambient: float) -> str:
    """The smallest size that carries a current, in words."""
    wanted = leads.smallest_for(amps, ambient, table.bundled)
    return "none of the usual sizes does" if wanted is None else f"{wanted:g} mm2 carries it"


def lead_protected(
    name: str, what: str, table: LeadTable, rating: float, ambient: float
) -> Iterator[Finding]:
    """The fuse opens before the lead is hotter than its insulation bears; ``what``: which lead."""
    carries = leads.amperes(table.area_mm2, ambient, table.bundled)
    if rating <= carries + 1e-9:
        return
    advice = _which_carries(rating, table, ambient)
    text = (
        f"its fuse of {rating:g} A lets through more than the {carries:.1f} A that its {what},"
        f" {table.size}, carries at {ambient:g} degC; {advice}: an overload could burn it"
    )
    yield Finding("broken", name, text, CABLE_LIST)


def lead_carries(
    name: str, what: str, table: LeadTable, amps: float, ambient: float
) -> Iterator[Finding]:
    """The lead carries the current that it is there for; ``what``: which lead."""
    carries = leads.amperes(table.area_mm2, ambient, table.bundled)
    if amps <= carries + 1e-9:
        return
    advice = _which_carries(amps, table, ambient)
    text = (
        f"{amps:.1f} A on its {what}, {table.size}, which carries {carries:.1f} A at"
        f" {ambient:g} degC; {advice}"
    )
    yield Finding("broken", name, text, CABLE_LIST)


def short_at_the_end(
    name: str, table: LeadTable, use: FuseUse, volts: float, ohm: float
) -> Iterator[Finding]:
    """A short at the far end makes enough current for the fuse, and the lead bears it so long.

    ``ohm`` is everything from the battery to that end and back.
    """
    amps = volts / ohm
    opens_s = fuses.melting_s(amps / use.worth, use.kind, "slowest")
    if opens_s > SHORT_S:
        after = "never" if opens_s == inf else f"after up to {opens_s:.0f} s"
        text = (
            f"a short at the end of its lead makes {amps:.0f} A, and its fuse of {use.rating:g} A"
            f" opens {after}; expected within {SHORT_S:g} s: a shorter or thicker lead"
        )
        yield Finding("broken", name, text, f"{BAND}; {COMMON}")
        return
    bears = (PVC_K * table.area_mm2) ** 2
    if amps * amps * opens_s > bears:
        text = (
            f"a short makes {amps:.0f} A for up to {opens_s:.2f} s, which {table.size} does not"
            f" bear; expected I2t of {bears:.0f} A2s at most, got {amps * amps * opens_s:.0f}"
        )
        yield Finding("broken", name, text, HEATING)
