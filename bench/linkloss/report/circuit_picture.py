"""The circuit of a car as a picture: a tree from the battery, through feeds, fuses and leads, to
each load, as one SVG file that prints on a sheet of A4.

Each fuse stands with its rating and how much of it is used, each lead with its size, its length and
what is lost. What has to be changed is drawn thick and dashed, with the number of its finding, and
the findings stand below. The symbols are those of IEC 60617, in simple form.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from textwrap import wrap

from linkloss.report.html import Drawing, drawing
from linkloss.sizing.lines import Finding, FuseUse, LoadLine, NodeLine
from linkloss.sizing.power_plan import PowerPlan
from linkloss.units import shown_unit
from linkloss.vehicle.electrical import ElectricalTable, LeadTable

WIDTH, ROW, TOP, LETTERS = 880, 31, 70, 150
"""Width, height of a row and of what stands above them, in px; letters in a line of text below."""
SHOWN = 2
SYMBOLS = {
    "filament": "lamp",
    "led": "led",
    "motor": "motor",
    "solenoid": "coil",
    "heater": "heater",
    "electronics": "box",
}


@dataclass(frozen=True, slots=True)
class Mark:
    """Something drawn: what stands beside it, and the numbers of the findings about it."""

    text: str = ""
    wrong: tuple[int, ...] = ()

    @property
    def numbers(self) -> str:
        """The findings about it, as the picture shows them: two at most."""
        more = "…" if len(self.wrong) > SHOWN else ""
        return f"!{','.join(map(str, self.wrong[:SHOWN]))}{more}" if self.wrong else ""


@dataclass(frozen=True, slots=True)
class LoadRow:
    """A load in the picture."""

    y: int
    symbol: str
    switch: str
    name: Mark
    fuse: Mark | None
    lead: Mark | None
    back: Mark | None


@dataclass(frozen=True, slots=True)
class NodeBlock:
    """A node in the picture, with its loads; ``top`` and ``height`` in px."""

    top: int
    height: int
    name: Mark
    about: str
    feed: Mark | None
    fuse: Mark | None
    ground: Mark | None
    link: Mark | None
    rows: tuple[LoadRow, ...]


@dataclass(frozen=True, slots=True)
class Machine:
    """Starter motor or alternator, straight on the battery."""

    y: int
    symbol: str
    name: Mark
    lead: Mark | None


@dataclass(slots=True)
class _Layout:
    """Lays the tree out from top to bottom."""

    plan: PowerPlan
    y: int = TOP
    numbers: dict[tuple[str, str], list[int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for number, finding in enumerate(self.plan.broken, start=1):
            self.numbers.setdefault(_about(finding), []).append(number)

    def mark(self, text: str, *about: str) -> Mark:
        """A thing with the findings about it: its subject, and which part of that."""
        return Mark(text, tuple(self.numbers.get((about[0], about[1]), ())))

    def lead(self, table: LeadTable | None, about: tuple[str, str], more: str = "") -> Mark | None:
        """A lead with its size and length."""
        if table is None:
            return None
        return self.mark(f"{shown_unit(table.size)} {table.length:g} m{more}", *about)

    def fuse(self, use: FuseUse | None, name: str) -> Mark | None:
        """A fuse with its rating and how much of it is used."""
        if use is None:
            missing = self.mark("no fuse", name, "fuse")
            return missing if missing.wrong else None
        kind = " maxi" if use.kind == "maxi" else ""
        return self.mark(f"{use.rating:g} A{kind} {use.share:.0%}", name, "fuse")

    def machines(self) -> Iterator[Machine]:
        """Alternator and starter motor."""
        supply = self.plan.vehicle.supply
        if supply is None:
            return
        alternator, starter = supply.alternator, supply.starter
        if alternator is not None:
            name = self.mark(f"alternator {alternator.current:g} A", "alternator", "")
            lead = self.lead(alternator.lead, ("alternator", "lead"))
            yield Machine(self._next(), "generator", name, lead)
        if starter is not None:
            name = self.mark(f"starter motor {starter.current:g} A", "starter motor", "")
            lead = self.lead(starter.lead, ("starter motor", "lead"))
            yield Machine(self._next(), "motor", name, lead)

    def _next(self) -> int:
        self.y += ROW
        return self.y - ROW // 2

    def node(self, line: NodeLine) -> NodeBlock:
        """A node with its loads."""
        top, own = self.y, self.plan.vehicle.nodes[line.name].supply
        rows = tuple(self._load(load) for load in self.plan.loads if load.node == line.name)
        self.y = max(self.y, top + 2 * ROW) + 10
        about = f"{line.amps:.1f} A" if line.amps >= 1 else f"{line.amps:.2f} A"
        ground = None if own is None else self.lead(own.ground, (line.name, "ground"))
        link = None
        if own is not None and own.ground_link is not None:
            text = f" to {own.ground_link.to}"
            link = self.lead(own.ground_link, (line.name, "ground_link"), text)
        feed = None if own is None else own.feed
        return NodeBlock(
            top=top,
            height=self.y - 10 - top,
            name=self.mark(line.name, line.name, ""),
            about=f"{about}, {line.drop:.2f} V lost",
            feed=self.lead(feed, (line.name, "feed")),
            fuse=self.fuse(line.fuse, line.name),
            ground=ground,
            link=link,
            rows=rows,
        )

    def _load(self, line: LoadLine) -> LoadRow:
        table = self.plan.vehicle.loads[line.name].electrical
        assert table is not None
        lost = "" if line.drop is None else f", {line.drop:.2f}/{line.allowed:.2f} V"
        fuse = self.fuse(line.fuse, line.name)
        if line.shares_with is not None and line.fuse is not None:
            fuse = self.mark(f"= {line.shares_with}", line.name, "fuse")
        amps = f"{line.amps:.0f}" if line.amps >= 10 else f"{line.amps:.2g}"
        where = "" if table.ground == "body" else f" to {table.ground}"
        return LoadRow(
            y=self._next(),
            symbol=SYMBOLS[line.kind],
            switch=_switch(table),
            name=self.mark(f"{line.name} {amps} A", line.name, ""),
            fuse=fuse,
            lead=self.lead(table.lead, (line.name, "lead"), lost),
            back=self.lead(table.back, (line.name, "back"), where),
        )


def _about(finding: Finding) -> tuple[str, str]:
    """What a finding is about: its subject, and the part of that which has to change."""
    if finding.remedy is None:
        return finding.subject, ""
    place = finding.remedy.place
    part = "fuse" if place[-1] == "fuse" else place[-2] if place[-1] == "size" else ""
    owner = place[1] if place[0] in ("loads", "nodes") else finding.subject
    return owner, part


def _switch(table: ElectricalTable) -> str:
    if table.relay is not None:
        return "relay"
    return "solid" if table.solid_state is not None or table.soft_start else "contact"


def circuit_drawing(plan: PowerPlan, *, alone: bool = True) -> str:
    """The picture of a plan's circuit as SVG text; without a supply it says so. ``alone``: it is a
    file of its own, and asks for paper.
    """
    layout = _Layout(plan)
    machines = tuple(layout.machines())
    nodes = tuple(layout.node(line) for line in plan.nodes)
    told = [
        (number if place == 0 else 0, text)
        for number, finding in enumerate(plan.broken, start=1)
        for place, text in enumerate(wrap(f"{finding.subject}: {finding.text}", LETTERS))
    ]
    supply = plan.vehicle.supply
    battery = "no supply is described" if supply is None else (
        f"battery {supply.battery:g} V {supply.capacity:g} Ah"
    )  # fmt: skip
    return drawing(
        "circuit.svg",
        title=f"{plan.vehicle.title}: circuit",
        battery=battery,
        machines=machines,
        nodes=nodes,
        told=told,
        width=WIDTH,
        top=TOP,
        row=ROW,
        bottom=layout.y,
        alone=alone,
    )


def circuit_part(plan: PowerPlan) -> Drawing:
    """The picture for a page."""
    return Drawing(
        circuit_drawing(plan, alone=False), f"The circuit of {plan.vehicle.title} from the battery"
    )
