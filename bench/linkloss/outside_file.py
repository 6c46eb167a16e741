"""What a scenario file says of programs and real nodes that took part from outside."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pydantic import Field

from linkloss.model.loading import Vehicle
from linkloss.model.problem import Problem, unknown
from linkloss.model.table import Table
from linkloss.model.toml import Key, Source
from linkloss.model.units import Duration
from linkloss.outside import Outside, OutsideEvent, Presence, read_frames


class PresenceStep(Table):
    """A program comes onto the bus, goes off it, or only listens; or what a person did to a real
    node, off while it is so.
    """

    at: Duration
    name: str
    state: Presence
    hands: str = Field(default="", description="what a person did to a real node")


class OutsideTable(Table):
    """Programs and real nodes that took part, and the log of the frames that they sent."""

    log: str = Field(description="SocketCAN text log with nine decimals, relative to this file")
    programs: tuple[str, ...] = Field(default=(), description="each with a controller of its own")
    nodes: tuple[str, ...] = Field(default=(), description="nodes of the vehicle that were real")
    delay: Duration = Field(default=0, description="longest way between bus and real node")
    doubt: str = Field(default="", description="why nothing can be said of the real nodes")
    presence: tuple[PresenceStep, ...] = Field(default=(), description="programs come and go")


def load_outside(
    table: OutsideTable, folder: Path, source: Source, vehicle: Vehicle
) -> tuple[Outside, list[Problem]]:
    """Those who took part and what they did, and what is wrong with it."""
    problems = list(_misnamed(table, source, vehicle))
    names = (*table.programs, *table.nodes)
    frames: list[OutsideEvent] = []
    try:
        lines = (folder / table.log).read_text(encoding="utf-8").splitlines()
        frames = read_frames(lines)
    except (OSError, ValueError) as error:
        text = f"'{table.log}' cannot be read: {getattr(error, 'strerror', None) or error}"
        problems.append(source.problem(("outside", "log"), text))
    strangers = {event.name for event in frames}.difference(names)
    problems += [
        source.problem(("outside", "log"), unknown("sender", name, names))
        for name in sorted(strangers)
    ]
    shown = [
        OutsideEvent(step.at, step.name, None, step.state, step.hands) for step in table.presence
    ]
    events = sorted([*shown, *frames], key=lambda event: event.at_ns)
    outside = Outside(table.programs, table.nodes, tuple(events), table.delay, table.doubt)
    return outside, problems


def _misnamed(table: OutsideTable, source: Source, vehicle: Vehicle) -> Iterator[Problem]:
    for index, name in enumerate(table.nodes):
        if name not in vehicle.nodes:
            place: tuple[Key, ...] = ("outside", "nodes", index)
            yield source.problem(place, unknown("node", name, vehicle.nodes))
    for index, name in enumerate(table.programs):
        place = ("outside", "programs", index)
        if name in vehicle.nodes:
            yield source.problem(place, f"'{name}' is a node of the vehicle")
        elif name in table.programs[:index]:
            yield source.problem(place, f"there are two of the name '{name}'")
    for index, step in enumerate(table.presence):
        what, known = ("node", table.nodes) if step.hands else ("program", table.programs)
        if step.name not in known:
            place = ("outside", "presence", index, "name")
            yield source.problem(place, unknown(what, step.name, known))
