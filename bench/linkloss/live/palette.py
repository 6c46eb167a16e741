"""The faults that can be dropped onto a vehicle, and where each of them can go."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue
from linkloss.model.loading import Vehicle

Place = tuple[str, str]
"""What it is (``gap``, ``node``, ``input``, ``load``, ``message``) and its name; a gap is named by
its two neighbours, ``left|right``.
"""


@dataclass(frozen=True, slots=True)
class Offer:
    """One fault that a person can choose."""

    number: int
    fault: Fault
    places: tuple[Place, ...]


def offers(vehicle: Vehicle) -> tuple[Offer, ...]:
    """All faults that a check of the vehicle would try, in the order of the catalogue."""
    faults = [fault for form in catalogue().values() for fault in form.every(vehicle)]
    return tuple(
        Offer(number, fault, _places(vehicle, fault)) for number, fault in enumerate(faults)
    )


def _places(vehicle: Vehicle, fault: Fault) -> tuple[Place, ...]:
    """A fault goes where its parameters point: a parameter is known by what it names."""
    found: list[Place] = []
    for name, value in fault:
        if name == "between":
            found.append(("gap", gap_name(vehicle, value)))
        elif isinstance(value, str):
            found += _named(vehicle, name, value)
    return tuple(found)


def _named(vehicle: Vehicle, parameter: str, value: str) -> list[Place]:
    kinds: dict[str, tuple[str, Any]] = {
        "node": ("node", vehicle.nodes),
        "beside": ("node", vehicle.nodes),
        "receiver": ("node", vehicle.nodes),
        "input": ("input", vehicle.inputs),
        "load": ("load", vehicle.loads),
        "output": ("load", vehicle.loads),
        "message": ("message", vehicle.messages),
    }
    kind, known = kinds.get(parameter, ("", ()))
    return [(kind, value)] if value in known else []


def gap_name(vehicle: Vehicle, between: tuple[str, ...]) -> str:
    """The name of the piece of cable between two neighbours, in cable order."""
    return "|".join(sorted(between, key=vehicle.bus.cable.index))
