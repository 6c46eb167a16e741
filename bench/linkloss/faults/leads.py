"""What the faults of the group "input" have in common: which leads of an input they mean."""

from __future__ import annotations

from linkloss.faults.base import Undo, input_problem, node_problem
from linkloss.faults.rig import Line, Rig
from linkloss.model.expression import Value
from linkloss.model.loading import Vehicle


def lead_problem(vehicle: Vehicle, name: str, node: str | None) -> str:
    """The text for an input that is not there or not wired to a node; empty when all is well."""
    missing = input_problem(vehicle, name)
    if missing or node is None:
        return missing
    wired_to = vehicle.inputs[name].wired_to
    missing = node_problem(vehicle, node)
    if not missing and node not in wired_to:
        return f"input '{name}' is wired to {', '.join(wired_to)}, not to node '{node}'"
    return missing


def leads(rig: Rig, name: str, node: str | None) -> list[Line]:
    """The leads of an input to one node, or to all that it is wired to."""
    lines = rig.inputs.lines(name)
    return list(lines.values()) if node is None else [lines[node]]


def stick(lines: list[Line], value: Value | None) -> Undo:
    """The nodes read one value (None: the one that each reads now) until this is undone."""
    freeing = [line.stick(line.value if value is None else value) for line in lines]

    def free() -> None:
        for release in freeing:
            release()

    return free
