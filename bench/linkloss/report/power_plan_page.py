"""A power plan as a page to look at and to print for the workbench."""

from __future__ import annotations

from collections.abc import Iterator

from linkloss.report.html import Page, Part, plain_page
from linkloss.report.power_plan import (
    FIRE,
    LEGEND,
    LOAD_COLUMNS,
    finding_words,
    load_cells,
    node_words,
    plan_exit_code,
    plan_verdict,
    shed_groups,
    sleep_words,
)
from linkloss.sizing.plan import PowerPlan


def power_plan_page(plan: PowerPlan) -> Page:
    """The page of a power plan."""
    states = {0: "kept", 1: "broken"}
    return plain_page(
        f"{plan.vehicle.title}: power plan",
        plan_verdict(plan),
        state=states.get(plan_exit_code(plan), "untested"),
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
    for node in plan.nodes:
        rows = tuple(load_cells(line) for line in plan.loads if line.node == node.name)
        columns = LOAD_COLUMNS if rows else ()
        yield Part(node.name, paragraphs=(node_words(node),), columns=columns, rows=rows)
    if plan.loads:
        yield Part("What the columns say", paragraphs=(LEGEND,))
    if plan.sheds:
        title = "Lost as the battery's voltage falls"
        yield Part(title, columns=("V", "what", "how"), rows=tuple(_sheds(plan)))
    if plan.sleep is not None:
        yield Part("Asleep", paragraphs=(sleep_words(plan.sleep),))
    if plan.leads:
        heads = ("from", "to", "colour", "size", "length", "fuse")
        yield Part("Leads", columns=heads, rows=tuple(_leads(plan)))


def _sheds(plan: PowerPlan) -> Iterator[tuple[str, ...]]:
    for volts, names, text in shed_groups(plan.sheds):
        yield volts, ", ".join(names), text


def _leads(plan: PowerPlan) -> Iterator[tuple[str, ...]]:
    for lead in plan.leads:
        fuse = "-" if lead.fuse is None else f"{lead.fuse:g} A"
        colour = lead.colour or "-"
        yield lead.start, lead.end, colour, lead.size, f"{lead.length_m:g} m", fuse
