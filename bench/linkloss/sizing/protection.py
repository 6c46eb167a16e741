"""Fuses and leads against each other, against their current and against a short; and the voltage
that is lost on the way.

A finding that a standard size puts right carries it: the next fuse, the next cross-section.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from math import inf

from linkloss.power import fuses, leads
from linkloss.power.fuses import CONTINUOUS_SHARE, Kind
from linkloss.sizing.lines import (
    BAND,
    CABLE_LIST,
    COLOURS,
    COMMON,
    HEATING,
    Finding,
    FuseUse,
    Place,
    Remedy,
    Sums,
    allowed_drop,
    fuse_for,
    fuse_remedy,
    load_line,
)
from linkloss.units import shown_unit
from linkloss.vehicle.electrical import LeadTable

SHORT_S = 5.0
"""The slowest fuse of the band must clear a short at the end of a lead within this time."""
PVC_K = 115.0
"""A s**0.5 / mm2, for heating from 70 to 160 degC."""
STALL_SHARE = 1.35
"""From this multiple of its rating on, every fuse of the band opens, within 10 min."""


@dataclass(frozen=True, slots=True)
class Run:
    """A lead of the car: what it is called in a finding on ``subject``, its place in the file, and
    the current through it, in A.
    """

    subject: str
    what: str
    table: LeadTable
    place: Place
    amps: float

    def ohm(self, sums: Sums) -> float:
        """Its resistance in ohm."""
        return sums.lead_ohm(self.table)

    def wanting(self, text: str, source: str, area_mm2: float | None) -> Finding:
        """A finding that a cross-section in mm2 puts right; None: no usual one does."""
        if area_mm2 is None:
            text = f"{text}; none of the usual sizes does"
            return Finding("broken", self.subject, text, source)
        remedy = Remedy((*self.place, "size"), f"{area_mm2:g} mm²")
        return Finding("broken", self.subject, f"{text}; {area_mm2:g} mm² does", source, remedy)


def size_that_loses(lead: LeadTable, amps: float, volts: float, copper: float) -> float | None:
    """The smallest larger usual size in mm2 of a lead that loses no more than so many V; None if
    none does.
    """
    larger = (size for size in leads.METRIC_SIZES if size > lead.area_mm2 + 1e-9)
    extra = lead.contacts
    fits = (s for s in larger if amps * leads.Lead(s, lead.length, copper, extra).ohm <= volts)
    return next(fits, None)


def load_findings(sums: Sums, name: str) -> Iterator[Finding]:
    """What is wrong with the fuse and the leads of a load."""
    table, node = sums.loads[name], sums.vehicle.loads[name].node
    use = sums.fuse_use(name)
    if use is not None and table.fuse_with is None:
        yield from _sold(name, use, ("loads", name, "fuse"))
        yield from _continuous(name, use, ("loads", name, "fuse"), sums.supply.ambient)
    runs = list(load_runs(sums, name))
    for run in runs:
        yield from carries(sums, run)
    guard = use or sums.feed_use(node)
    if table.lead is not None:
        if guard is None:
            text = "no fuse protects its lead, neither its own nor one in the node's feed"
            place, kind = ("loads", name, "fuse"), table.fuse_type
            yield _without(name, text, sums.amps(name), kind, sums.supply.ambient, place)
        else:
            for run in runs:
                yield from carries(sums, run, guard.rating)
            ohm = sums.supply.internal_resistance + sums.loop_ohm(name)
            yield from _short(sums, runs[0], guard, ohm)
        yield from _drop(sums, name, runs)
    yield from _stall(sums, name, guard)


def load_runs(sums: Sums, name: str) -> Iterator[Run]:
    """The leads of a load, the one to it first."""
    table, amps = sums.loads[name], sums.amps(name)
    place = ("loads", name, "electrical")
    if table.lead is not None:
        yield Run(name, "lead", table.lead, (*place, "lead"), amps)
    if table.back is not None:
        yield Run(name, "return lead", table.back, (*place, "back"), amps)


def node_findings(sums: Sums, name: str) -> Iterator[Finding]:
    """What is wrong with the feed of a node and its ground."""
    own = sums.own(name)
    yield from _ground(sums, name)
    if own.feed is None:
        return
    place: Place = ("nodes", name, "supply", "feed")
    run, use = Run(name, "feed", own.feed, place, sums.node_amps(name)), sums.feed_use(name)
    yield from carries(sums, run)
    if use is None:
        text = "no fuse in its feed: a short there has the whole battery behind it"
        kind, ambient = own.feed.fuse_type, sums.supply.ambient
        yield _without(name, text, run.amps, kind, ambient, (*place, "fuse"))
        return
    yield from _sold(name, use, (*place, "fuse"))
    yield from _continuous(name, use, (*place, "fuse"), sums.supply.ambient)
    yield from carries(sums, run, use.rating)
    ohm = sums.supply.internal_resistance + sums.feed_ohm(name)
    yield from _short(sums, run, use, ohm)
    for load, table in sums.loads.items():
        behind = sums.fuse_use(load)
        if sums.vehicle.loads[load].node != name or behind is None or table.fuse_with is not None:
            continue
        if behind.rating >= use.rating:
            text = (
                f"the fuse of {load}, {behind.rating:g} A, is no smaller than that of the feed,"
                f" {use.rating:g} A: its short takes the whole node down"
            )
            larger = fuse_for(use.kind, partial(_above, behind.rating))
            yield _rated(name, text, use.kind, larger, (*place, "fuse"))


def _without(
    name: str, text: str, amps: float, kind: Kind, ambient: float, place: Place
) -> Finding:
    fuse = fuse_for(kind, lambda each, rating: _carried(each, rating, amps, ambient))
    return _rated(name, text, kind, fuse, place)


def _rated(
    name: str, text: str, kind: Kind, fuse: tuple[Kind, float] | None, place: Place
) -> Finding:
    """A finding on a fuse of a kind that another fuse puts right, if there is one."""
    if fuse is None:
        return Finding("broken", name, text, COMMON)
    remedy, called = fuse_remedy(place, kind, fuse)
    return Finding("broken", name, f"{text}; {called} would do", COMMON, remedy)


def _above(least: float, _: Kind, rating: float) -> bool:
    return rating > least


def _carried(kind: Kind, rating: float, amps: float, ambient: float) -> bool:
    return fuses.derated(rating, kind, ambient) * CONTINUOUS_SHARE >= amps - 1e-9


def _continuous(name: str, use: FuseUse, place: Place, ambient: float) -> Iterator[Finding]:
    """The 80 % rule for continuous current."""
    if use.share <= CONTINUOUS_SHARE + 1e-9:
        return
    fuse = fuse_for(use.kind, lambda kind, rating: _carried(kind, rating, use.amps, ambient))
    advice, remedy = "no single fuse does", None
    if fuse is not None:
        remedy, called = fuse_remedy(place, use.kind, fuse)
        advice = f"{called} would keep the rule"
    text = (
        f"{use.amps:.1f} A are {use.share:.0%} of what its fuse of {use.rating:g} A is worth there;"
        f" expected {CONTINUOUS_SHARE:.0%} at most; {advice}"
    )
    yield Finding("broken", name, text, COMMON, remedy)


def _sold(name: str, use: FuseUse, place: Place) -> Iterator[Finding]:
    """The rating is one that is sold."""
    known = fuses.RATINGS[use.kind]
    if use.rating not in known:
        listed = ", ".join(f"{rating:g}" for rating in known)
        text = f"a {use.kind} fuse of {use.rating:g} A is not sold; expected one of {listed} A"
        larger = next((rating for rating in known if rating > use.rating), None)
        remedy = None if larger is None else Remedy(place, f"{larger:g} A")
        yield Finding("broken", name, text, COLOURS, remedy)


def carries(sums: Sums, run: Run, fuse: float | None = None, whose: str = "") -> Iterator[Finding]:
    """A lead carries its own current or, with ``fuse``, the rating in A of its fuse, which then
    opens before the lead gets too hot for its insulation. ``whose``: the load that the fuse belongs
    to, if that is another's.
    """
    table, ambient = run.table, sums.supply.ambient
    amps = run.amps if fuse is None else fuse
    carried = leads.amperes(table.area_mm2, ambient, table.bundled)
    if amps <= carried + 1e-9:
        return
    wanted = leads.smallest_for(amps, ambient, table.bundled)
    advice = "none of the usual sizes does" if wanted is None else f"{wanted:g} mm² carries it"
    text = (
        f"{amps:.1f} A on its {run.what}, {shown_unit(table.size)}, which carries {carried:.1f} A"
        f" at {ambient:g} °C; {advice}"
    )
    if fuse is not None:
        which = f"the fuse of {whose}, {amps:g} A," if whose else f"its fuse of {amps:g} A"
        text = (
            f"{which} lets through more than the {carried:.1f} A that its"
            f" {run.what}, {shown_unit(table.size)}, carries at {ambient:g} °C; {advice}: an"
            " overload could burn it"
        )
    remedy = None if wanted is None else Remedy((*run.place, "size"), f"{wanted:g} mm²")
    yield Finding("broken", run.subject, text, CABLE_LIST, remedy)


def _short(sums: Sums, run: Run, use: FuseUse, ohm: float) -> Iterator[Finding]:
    """A short at the far end draws enough current to open the fuse, and the lead withstands it
    until then.

    ``ohm`` is everything from the battery to that end and back.
    """
    volts, table = sums.supply.battery, run.table
    opens_s = _opens_s(use, volts / ohm)
    if opens_s > SHORT_S:
        after = "never" if opens_s == inf else f"after up to {opens_s:.0f} s"
        text = (
            f"a short at the end of its lead makes {volts / ohm:.0f} A, and its fuse of"
            f" {use.rating:g} A opens {after}; expected within {SHORT_S:g} s: a shorter or thicker"
            " lead"
        )
        rest = ohm - run.ohm(sums)
        wanted = next((size for size in leads.METRIC_SIZES if size > table.area_mm2
                       and _opens_s(use, volts / (rest + _ohm(sums, table, size))) <= SHORT_S),
                      None)  # fmt: skip
        yield run.wanting(text, f"{BAND}; {COMMON}", wanted)
        return
    yield from bears(run, volts / ohm, opens_s, "a short")


def _ohm(sums: Sums, table: LeadTable, area_mm2: float) -> float:
    return leads.Lead(area_mm2, table.length, sums.supply.copper, table.contacts).ohm


def _opens_s(use: FuseUse, amps: float) -> float:
    return fuses.melting_s(amps / use.worth, use.kind, "slowest")


def bears(run: Run, amps: float, lasts_s: float, what: str) -> Iterator[Finding]:
    """A lead withstands the heat of a current in A for so many s. ``what`` makes it."""
    heat = amps * amps * lasts_s
    if heat <= (PVC_K * run.table.area_mm2) ** 2:
        return
    text = (
        f"{what} makes {amps:.0f} A for up to {lasts_s:.2f} s, which its {run.what} of"
        f" {shown_unit(run.table.size)} does not bear; expected I2t of"
        f" {(PVC_K * run.table.area_mm2) ** 2:.0f} A2s at most, got {heat:.0f}"
    )
    wanted = next((size for size in leads.METRIC_SIZES if (PVC_K * size) ** 2 >= heat), None)
    yield run.wanting(text, HEATING, wanted)


def _drop(sums: Sums, name: str, runs: list[Run]) -> Iterator[Finding]:
    """What is lost from the battery to a load and back; the lead that loses most has to be thicker,
    or the next one if that alone is not enough.
    """
    table, lost = sums.loads[name], sums.drop(name)
    allowed, source = allowed_drop(table, sums.supply)
    if lost <= allowed + 1e-9:
        return
    text = (
        f"{lost:.2f} V are lost from the battery to it and back with everything on its node on;"
        f" expected {allowed:.2f} V at most"
    )
    node = sums.vehicle.loads[name].node
    feed = sums.own(node).feed
    ground = None if table.ground == "body" else sums.own(table.ground).ground
    candidates = list(runs)
    if feed is not None:
        place: Place = ("nodes", node, "supply", "feed")
        candidates.append(Run(node, "node's feed", feed, place, sums.node_amps(node)))
    if ground is not None:
        place = ("nodes", table.ground, "supply", "ground")
        candidates.append(Run(node, "node's ground", ground, place, sums.ground_amps(table.ground)))
    worst = max(candidates, key=lambda run: run.amps * run.ohm(sums))
    own = worst.amps * worst.ohm(sums)
    larger = next((size for size in leads.METRIC_SIZES if size > worst.table.area_mm2), None)
    wanted = size_that_loses(worst.table, worst.amps, own - (lost - allowed), sums.supply.copper)
    size = wanted or larger
    if size is None:
        yield Finding("broken", name, f"{text}; none of the usual sizes does", source)
        return
    told = f"{text}; {size:g} mm² for its {worst.what}, which loses {own:.2f} V"
    yield Finding("broken", name, told, source, Remedy((*worst.place, "size"), f"{size:g} mm²"))


def _stall(sums: Sums, name: str, guard: FuseUse | None) -> Iterator[Finding]:
    """A motor whose rotor is held must open its fuse, unless it cuts itself off."""
    line, table = load_line(sums, name), sums.loads[name]
    if table.kind != "motor" or guard is None or table.thermal_cut_out:
        return
    share = line.start_amps / guard.worth
    if share >= STALL_SHARE:
        return
    text = (
        f"its rotor held, it draws {line.start_amps:.0f} A, {share:.0%} of its fuse, which may"
        f" never open; expected {STALL_SHARE:.0%} or more, or a thermal cut-out of its own"
        " ('thermal_cut_out')"
    )
    own, ambient = None, sums.supply.ambient
    if sums.fuse_use(name) is None:
        own = fuses.smallest_for(line.amps, table.fuse_type, ambient)
    if own is None or line.start_amps < STALL_SHARE * fuses.derated(own, table.fuse_type, ambient):
        yield Finding("broken", name, text, COMMON)
    else:
        place, kind = ("loads", name, "fuse"), table.fuse_type
        yield _rated(name, f"{text}; or a fuse of its own", kind, (kind, own), place)


def _ground(sums: Sums, name: str) -> Iterator[Finding]:
    """The ground lead of a node and its link to another node's ground carry what returns there, and
    what the fuses in front of them let through.

    A link carries everything once the ground lead beside it is off; a short inside the node returns
    through both.
    """
    own, place = sums.own(name), ("nodes", name, "supply")
    ground = sums.ground_ohm(name) if own.ground is not None else inf
    link = inf
    runs: list[tuple[Run, float, list[str]]] = []
    if own.ground_link is not None:
        ends = [name, own.ground_link.to]
        link = sums.lead_ohm(own.ground_link) + sums.ground_ohm(own.ground_link.to)
        most = max(map(sums.ground_amps, ends))
        run = Run(name, "ground link", own.ground_link, (*place, "ground_link"), most)
        runs.append((run, link, ends))
    if own.ground is not None:
        run = Run(name, "ground lead", own.ground, (*place, "ground"), sums.ground_amps(name))
        runs.append((run, ground, [name]))
    returns = 1 / (1 / ground + 1 / link) if ground < inf or link < inf else 0.0
    for run, ohm, ends in runs:
        yield from carries(sums, run)
        worst = max(_returning(sums, ends), default=None)
        if worst is not None:
            yield from carries(sums, run, *worst)
        use = sums.feed_use(name)
        if use is None:
            continue
        source = sums.supply.internal_resistance + sums.feed_ohm(name)
        short = sums.supply.battery / (source + returns)
        opens_s = _opens_s(use, short)
        if opens_s <= SHORT_S:
            yield from bears(run, short * returns / ohm, opens_s, "a short inside the node")


def _returning(sums: Sums, nodes: list[str]) -> Iterator[tuple[float, str]]:
    """The ratings in A of the fuses of the loads that are grounded at some nodes, with whose they
    are.
    """
    for load, table in sums.loads.items():
        if table.ground in nodes:
            use = sums.fuse_use(load) or sums.feed_use(sums.vehicle.loads[load].node)
            if use is not None:
                yield use.rating, load
