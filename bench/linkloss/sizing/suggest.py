"""Sizes that satisfy the rules of the power plan: fuses, leads and grounds, from what is sold.

What a finding says would do is put in, and the plan made again, until no finding is left that a
size could put right. Sizes only grow, so that comes to an end. Nothing is written.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from difflib import unified_diff
from typing import Any, TypeVar

from linkloss.power.fuses import Kind
from linkloss.power.leads import parse_size
from linkloss.sizing.lines import Place, Remedy
from linkloss.sizing.power_plan import PowerPlan, power_plan
from linkloss.units import parse_current
from linkloss.vehicle.electrical import FeedTable
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.rewrite import rewritten
from linkloss.vehicle.toml import Table

ROUNDS = 40
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Change:
    """A key of the vehicle file, what stands there (empty: nothing), and what should."""

    place: Place
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Suggestion:
    """Sizes for a vehicle, and the plan of the vehicle with them.

    ``patch``: the changes as a unified diff of the vehicle file; ``by_hand``: those that its layout
    does not let the bench place.
    """

    changes: tuple[Change, ...]
    plan: PowerPlan
    patch: str
    by_hand: tuple[Change, ...]

    @property
    def fuses(self) -> tuple[tuple[Kind, float, int], ...]:
        """(kind, rating in A, how many) of the fuses to buy, the smallest first."""
        return tuple((*key, count) for key, count in sorted(_fuses(self.plan.vehicle).items()))

    @property
    def leads(self) -> tuple[tuple[str, str, float], ...]:
        """(size, colour, metres) of the leads to buy, each once, the thinnest first."""
        found: dict[tuple[str, str], float] = {}
        for lead in sorted(self.plan.leads, key=lambda lead: parse_size(lead.size)):
            metric = f"{parse_size(lead.size):g} mm²"
            key = lead.size if "AWG" in lead.size else metric, lead.colour
            found[key] = found.get(key, 0.0) + lead.length_m
        return tuple((size, colour, metres) for (size, colour), metres in found.items())


def suggest(vehicle: Vehicle) -> Suggestion:
    """Sizes that satisfy all rules that sizes can satisfy; what is left stands in the plan of the
    suggestion.
    """
    found: dict[Place, str] = {}
    plan = power_plan(vehicle)
    for _ in range(ROUNDS):
        wanted = _wanted(plan)
        if not wanted:
            break
        found |= wanted
        file = plan.vehicle.file
        for place, value in wanted.items():
            file = _with_value(file, place, value)
        plan = power_plan(replace(plan.vehicle, file=file))
    text = vehicle.source.text
    changes = tuple(Change(p, _written(vehicle.file, p), _like(text, v)) for p, v in found.items())
    after, left = rewritten(text, {change.place: change.after for change in changes})
    name = vehicle.path.name
    lines = unified_diff(
        text.splitlines(keepends=True), after.splitlines(keepends=True), name, name
    )
    by_hand = tuple(change for change in changes if change.place in left)
    return Suggestion(changes, plan, "".join(lines), by_hand)


def _wanted(plan: PowerPlan) -> dict[Place, str]:
    """What the findings say would do; of several values for a key the largest."""
    found: dict[Place, Remedy] = {}
    for finding in plan.broken:
        remedy = finding.remedy
        if remedy is not None and _larger(remedy, found.get(remedy.place)):
            found[remedy.place] = remedy
    values = {place: remedy.value for place, remedy in found.items()}
    kinds = {each.kind_place: each.kind for each in found.values() if each.kind is not None}
    return values | kinds


def _larger(remedy: Remedy, other: Remedy | None) -> bool:
    return other is None or (_number(remedy.value), remedy.kind or "") > (
        _number(other.value),
        other.kind or "",
    )


def _number(value: str) -> float:
    return float(value.split(maxsplit=1)[0])


def _like(text: str, value: str) -> str:
    """A size in the spelling of the file."""
    plain = "mm2" in text and "mm²" not in text
    return value.replace("mm²", "mm2") if plain else value


def _with_value(table: T, place: Place, value: str) -> T:
    """A copy of a table, or of tables by their names, with another value at a place."""
    key, below = place[0], place[1:]
    if isinstance(table, dict):
        return table | {key: _with_value(table[key], below, value)}  # type: ignore[return-value]
    assert isinstance(table, Table)
    inner: Any = parse_current(value) if key == "fuse" else value
    if below:
        inner = _with_value(getattr(table, key), below, value)
    return table.model_copy(update={key: inner})


def _written(table: Any, place: Place) -> str:
    """What stands at a place, as a user writes it; empty for nothing."""
    for key in place:
        table = table[key] if isinstance(table, dict) else getattr(table, key)
    if table is None:
        return ""
    return table if isinstance(table, str) else f"{table:g} A"


def _fuses(vehicle: Vehicle) -> Counter[tuple[Kind, float]]:
    found: Counter[tuple[Kind, float]] = Counter()
    for load in vehicle.loads.values():
        if load.fuse is not None and load.electrical is not None:
            found[load.electrical.fuse_type, load.fuse] += 1
    for node in vehicle.nodes.values():
        feed: FeedTable | None = None if node.supply is None else node.supply.feed
        if feed is not None and feed.fuse is not None:
            found[feed.fuse_type, feed.fuse] += 1
    return found
