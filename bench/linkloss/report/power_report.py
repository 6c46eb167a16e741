"""A power plan for people and programs: on the screen, as a page to look at and print, as a lead
list and as JSON.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from rich.console import Console
from rich.table import Table

from linkloss.campaign.result import CAUTION
from linkloss.document import lines_of
from linkloss.power.fuses import melting_i2t
from linkloss.problem import EXIT_BROKEN, EXIT_KEPT, EXIT_NOT_EXERCISED, printable
from linkloss.report.circuit_picture import circuit_part
from linkloss.report.html import Page, Part, plain_page
from linkloss.report.screen import (
    OUTCOMES,
    STYLES,
    bullet,
    caution,
    heading,
    paragraph,
    plain_table,
)
from linkloss.report.words import count
from linkloss.sizing.assumptions import Assumption
from linkloss.sizing.lines import Finding, FuseUse, LoadLine, NodeLine, Shed, Sleep
from linkloss.sizing.power_plan import PowerPlan
from linkloss.sizing.suggest import Suggestion
from linkloss.sizing.voltages import STILL_STARTS
from linkloss.units import shown_unit

PLAN_VERSION = 1
NEEDLESS_DAYS = 300
"""Days. A battery without any load does not last much longer than this: common practice."""
FIRE = (
    "A lead without the right fuse can set the car on fire, and a battery gives hundreds of amperes"
    " into a short. Take the battery's minus off before you touch a lead, put each fuse at the"
    " battery's end of what it protects, and have the finished wiring looked over by somebody who"
    " is licensed to. This plan knows what the vehicle file says and nothing of your crimps, your"
    " routes and your heat."
)
"""What every form of a plan ends with, in addition to the general caution."""
LEGEND = (
    "A: all pieces at the volts of their nameplate; start: at the first instant, behind no lead;"
    " used: share of what the fuse is worth at the ambient temperature; lost: from the battery to"
    " the load and back with everything on its node on, and how much may be; V"
)
ASSUMED = "Assumed, as the file does not say"
SHOWN_NAMES = 3
LOAD_COLUMNS = ("load", "A", "start", "fuse", "used", "lead", "lost")
LEAD_COLUMNS = ("from", "to", "colour", "size", "length_m", "fuse_a")


def plan_exit_code(plan: PowerPlan) -> int:
    """1 if something is wrong, 3 if something could not be checked, otherwise 0."""
    if plan.broken:
        return EXIT_BROKEN
    return EXIT_NOT_EXERCISED if plan.unchecked else EXIT_KEPT


def plan_verdict(plan: PowerPlan) -> str:
    """What a reader must know first: how much there is to change or to think about, and the first
    of it.
    """
    parts = [f"{count(len(plan.broken), 'thing') if plan.broken else 'nothing'} to change"]
    parts += [f"{len(plan.hints)} to think about"] if plan.hints else []
    parts += [f"{len(plan.unchecked)} not looked at"] if plan.unchecked else []
    looked = f"{count(len(plan.loads), 'load')}, {count(len(plan.leads), 'lead')} looked at"
    unsure = [*(f"{f.subject}: {f.text}" for f in plan.broken), *plan.unchecked]
    first = [*unsure, *(f"{f.subject}: {f.text}" for f in plan.hints)][:1]
    return " ".join([f"{looked}: {', '.join(parts)}.", *(f"First: {text}." for text in first)])


def show_plan(
    console: Console, plan: PowerPlan, suggestion: Suggestion | None = None, target: str = ""
) -> None:
    """Show a power plan, in 80 columns, and the sizes that are suggested: ``target`` has the
    patch.
    """
    vehicle = plan.vehicle
    paragraph(console, f"{vehicle.title}: power plan", style="bold")
    paragraph(console, plan_verdict(plan), style=STYLES[OUTCOMES[plan_exit_code(plan)]])
    facts = str(vehicle.path)
    if vehicle.supply is not None:
        facts += (
            f", battery {vehicle.supply.battery:g} V {vehicle.supply.capacity:g} Ah, fuses and"
            f" leads at up to {vehicle.supply.ambient:g} °C"
        )
    paragraph(console, facts)
    for node in plan.nodes:
        heading(console, printable(node.name))
        paragraph(console, node_words(node))
        own = [line for line in plan.loads if line.node == node.name]
        if own:
            console.print(loads_table(own))
    if plan.loads:
        console.print()
        paragraph(console, LEGEND)
    if plan.sheds:
        heading(console, "Lost as the battery's voltage falls, everything on but the starter")
        console.print(sheds_table(plan.sheds))
    if plan.sleep is not None:
        heading(console, "Asleep")
        paragraph(console, sleep_words(plan.sleep))
    _show_findings(console, plan)
    if suggestion is not None:
        _show_suggestion(console, suggestion, target)
    console.print()
    paragraph(console, FIRE, style="italic")
    caution(console)


def _show_findings(console: Console, plan: PowerPlan) -> None:
    for title, found, style in (
        ("To change", plan.broken, "broken"),
        ("To think about", plan.hints, ""),
    ):
        if found:
            heading(console, title)
        for finding in found:
            bullet(console, finding_words(finding), style=STYLES.get(style, ""))
    if plan.unchecked:
        heading(console, "Not looked at")
    for text in plan.unchecked:
        bullet(console, text, style=STYLES["not exercised"])
    if plan.assumed:
        heading(console, ASSUMED)
    for entry in plan.assumed:
        bullet(console, assumption_words(entry, SHOWN_NAMES))


def _show_suggestion(console: Console, suggestion: Suggestion, target: str) -> None:
    """Show the sizes that satisfy the rules, what to buy with them, and what no size puts right."""
    heading(console, "Suggested sizes")
    if not suggestion.changes:
        paragraph(console, "Nothing that another size would put right.")
    for change in suggestion.changes:
        before = f"{shown_unit(change.before)} -> " if change.before else "new: "
        place = printable(".".join(change.place))
        bullet(console, f"{place}: {before}{shown_unit(change.after)}")
    if suggestion.changes and target != "-":
        name = suggestion.plan.vehicle.path.name
        text = f"{target} has them as a patch; nothing is changed before 'patch {name} {target}'"
        paragraph(console, text)
    if suggestion.by_hand:
        places = ", ".join(".".join(change.place) for change in suggestion.by_hand)
        paragraph(console, f"To be written by hand, as the patch cannot place them: {places}")
    if suggestion.plan.leads:
        heading(console, "To buy with these sizes")
    for kind, rating, number in suggestion.fuses:
        bullet(console, f"{number} x {kind} fuse {rating:g} A")
    for size, colour, metres in suggestion.leads:
        bullet(console, f"{metres:.1f} m of {size}{f' {printable(colour)}' if colour else ''}")
    if suggestion.plan.broken:
        heading(console, "Left to change")
    for finding in suggestion.plan.broken:
        bullet(console, finding_words(finding), style=STYLES["broken"])


def finding_words(finding: Finding) -> str:
    """A finding with its source."""
    return f"{finding.subject}: {finding.text} ({finding.source})"


def assumption_words(entry: Assumption, most: int | None = None) -> str:
    """An assumption with what it holds for; with ``most``, so many names and how many more."""
    names = entry.names if most is None or len(entry.names) <= most + 1 else entry.names[:most]
    more = len(entry.names) - len(names)
    return f"{entry.text}: {', '.join(names)}" + (f" and {more} more" if more else "")


def node_words(node: NodeLine) -> str:
    """What a node draws and how it is fed, in a sentence."""
    text = f"{node.amps:.1f} A with everything on" if node.amps >= 1 else f"{node.amps:.2f} A"
    if node.size:
        text += f"; feed {shown_unit(node.size)}, {node.length_m:g} m"
        if node.fuse is not None:
            text += f", fuse {_fuse(node.fuse)}, {node.fuse.share:.0%} used"
    return f"{text}; {node.drop:.2f} V lost in feed and ground"


def loads_table(lines: Iterable[LoadLine]) -> Table:
    """The loads of a node."""
    return plain_table(LOAD_COLUMNS, map(load_cells, lines), left=("fuse", "lead"))


def load_cells(line: LoadLine) -> tuple[str, ...]:
    """A load in the columns of ``LOAD_COLUMNS``."""
    fuse = used = lead = lost = "-"
    if line.fuse is not None:
        fuse = f"= {line.shares_with}" if line.shares_with else _fuse(line.fuse)
        used = f"{line.fuse.share:.0%}"
    if line.size:
        lead = f"{shown_unit(line.size)} {line.length_m:g} m"
    if line.drop is not None and line.allowed is not None:
        lost = f"{line.drop:.2f}/{line.allowed:.2f}"
    return line.name, _amps(line.amps), _amps(line.start_amps), fuse, used, lead, lost


def _fuse(use: FuseUse) -> str:
    return f"{use.rating:g} A" + (" maxi" if use.kind == "maxi" else "")


def _amps(amps: float) -> str:
    return f"{amps:.0f}" if amps >= 10 else f"{amps:.1f}" if amps >= 1 else f"{amps:.2f}"


def sheds_table(sheds: Sequence[Shed]) -> Table:
    """What stops working at which voltage. Items that fail in the same way at one voltage share a
    row.
    """
    rows = ((volts, f"{', '.join(names)}: {text}") for volts, names, text in shed_groups(sheds))
    return plain_table(("V", "what"), rows, folds=1)


def shed_groups(sheds: Sequence[Shed]) -> Iterator[tuple[str, list[str], str]]:
    """(volts to a tenth, names, what happens to them), the highest voltage first."""
    groups: dict[tuple[str, str], list[str]] = {}
    for shed in sheds:
        groups.setdefault((f"{shed.volts:.1f}", shed.text), []).append(shed.name)
    for (volts, text), names in groups.items():
        yield volts, names, text


def sleep_words(sleep: Sleep) -> str:
    """The current of the sleeping car, and what it means for the battery."""
    if sleep.days is None:
        text = "no sleeping current is declared"
    else:
        half = sleep.days * STILL_STARTS
        text = f"{sleep.amps * 1000:.1f} mA from {sleep.capacity_ah:g} Ah"
        if half > NEEDLESS_DAYS:
            text += ": the battery's own loss counts for more"
        else:
            text += f": {half:.0f} days until half of it is gone, {sleep.days:.0f} until it is flat"
    if sleep.unknown:
        text += f"; not known, and not counted: {', '.join(sleep.unknown)}"
    return text


def lead_list(plan: PowerPlan) -> str:
    """All leads as CSV: what to buy and cut. Text that a spreadsheet would read as a formula gets
    an apostrophe.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(LEAD_COLUMNS)
    for lead in plan.leads:
        fuse = "" if lead.fuse is None else f"{lead.fuse:g}"
        texts = (lead.start, lead.end, lead.colour, lead.size)
        writer.writerow([*map(_harmless, texts), f"{lead.length_m:g}", fuse])
    return out.getvalue()


def _harmless(text: str) -> str:
    return f"'{text}" if text[:1] in ("=", "+", "-", "@") else text


def plan_json(plan: PowerPlan) -> str:
    """The plan as JSON, the same every time, in A, V, m and mm2."""
    sleep = plan.sleep
    document: dict[str, Any] = {
        "format": "linkloss power plan",
        "version": PLAN_VERSION,
        "vehicle": plan.vehicle.title,
        "vehicle_file": str(plan.vehicle.path),
        "exit_code": plan_exit_code(plan),
        "caution": f"{FIRE} {CAUTION}",
        "loads": [_load(line) for line in plan.loads],
        "nodes": [_node(line) for line in plan.nodes],
        "leads": [
            {
                "from": lead.start,
                "to": lead.end,
                "colour": lead.colour,
                "size": lead.size,
                "length_m": lead.length_m,
                "fuse_a": lead.fuse,
            }
            for lead in plan.leads
        ],
        "sheds": [[round(shed.volts, 3), shed.name, shed.text] for shed in plan.sheds],
        "sleep": None
        if sleep is None
        else {
            "amps": round(sleep.amps, 6),
            "capacity_ah": sleep.capacity_ah,
            "days": None if sleep.days is None else round(sleep.days, 1),
            "not_counted": list(sleep.unknown),
        },
        "findings": [
            {
                "weight": f.weight,
                "subject": f.subject,
                "text": f.text,
                "source": f.source,
                "remedy": None if f.remedy is None else [list(f.remedy.place), f.remedy.value],
            }
            for f in plan.findings
        ],
        "not_looked_at": list(plan.unchecked),
        "assumed": [[entry.text, list(entry.names)] for entry in plan.assumed],
    }
    return "".join(lines_of(document))


def _load(line: LoadLine) -> dict[str, Any]:
    return {
        "name": line.name,
        "node": line.node,
        "kind": line.kind,
        "amps": round(line.amps, 4),
        "start_amps": round(line.start_amps, 4),
        "fuse": _fuse_fields(line.fuse),
        "fuse_with": line.shares_with,
        "area_mm2": None if line.area_mm2 is None else round(line.area_mm2, 4),
        "length_m": line.length_m,
        "lost_volts": None if line.drop is None else round(line.drop, 4),
        "allowed_volts": line.allowed,
    }


def _node(line: NodeLine) -> dict[str, Any]:
    return {
        "name": line.name,
        "amps": round(line.amps, 4),
        "fuse": _fuse_fields(line.fuse),
        "size": line.size,
        "length_m": line.length_m,
        "lost_volts": round(line.drop, 4),
        "sleeping_amps": line.sleeping_a,
    }


def _fuse_fields(use: FuseUse | None) -> dict[str, Any] | None:
    if use is None:
        return None
    return {
        "rating_a": use.rating,
        "kind": use.kind,
        "worth_a": round(use.worth, 4),
        "amps": round(use.amps, 4),
        "share": round(use.share, 4),
        "shortest_melting_i2t_a2s": round(melting_i2t(use.rating, use.kind), 1),
        "smallest_that_suits_a": use.wanted,
    }


def power_plan_page(plan: PowerPlan) -> Page:
    """The page of a power plan."""
    outcome = OUTCOMES[plan_exit_code(plan)]
    return plain_page(
        f"{plan.vehicle.title}: power plan",
        plan_verdict(plan),
        state="untested" if outcome == "not exercised" else outcome,
        parts=tuple(_parts(plan)),
        vehicle=plan.vehicle,
        warnings=(FIRE,),
    )


def _parts(plan: PowerPlan) -> Iterator[Part]:
    for title, texts in (
        ("To change", tuple(map(finding_words, plan.broken))),
        ("To think about", tuple(map(finding_words, plan.hints))),
        ("Not looked at", plan.unchecked),
    ):
        if texts:
            yield Part(title, paragraphs=texts)
    if plan.nodes:
        yield Part("The circuit from the battery", drawing=circuit_part(plan))
    if plan.loads:
        yield Part("What the columns of loads say", paragraphs=(LEGEND,))
    for node in plan.nodes:
        rows = tuple(load_cells(line) for line in plan.loads if line.node == node.name)
        columns = LOAD_COLUMNS if rows else ()
        yield Part(node.name, paragraphs=(node_words(node),), columns=columns, rows=rows)
    if plan.sheds:
        title = "Lost as the battery's voltage falls"
        yield Part(title, columns=("V", "what", "how"), rows=tuple(_sheds(plan)))
    if plan.sleep is not None:
        yield Part("Asleep", paragraphs=(sleep_words(plan.sleep),))
    if plan.leads:
        heads = ("from", "to", "colour", "size", "length", "fuse")
        yield Part("Leads", columns=heads, rows=tuple(_leads(plan)))
    if plan.assumed:
        yield Part(ASSUMED, paragraphs=tuple(map(assumption_words, plan.assumed)))


def _sheds(plan: PowerPlan) -> Iterator[tuple[str, ...]]:
    for volts, names, text in shed_groups(plan.sheds):
        yield volts, ", ".join(names), text


def _leads(plan: PowerPlan) -> Iterator[tuple[str, ...]]:
    for lead in plan.leads:
        fuse = "-" if lead.fuse is None else f"{lead.fuse:g} A"
        colour = lead.colour or "-"
        yield lead.start, lead.end, colour, shown_unit(lead.size), f"{lead.length_m:g} m", fuse
