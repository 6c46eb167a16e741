"""All faults by name, found by looking into this folder, and faults made from what users write."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from functools import cache
from typing import Any

from pydantic import ValidationError

import linkloss.faults
from linkloss.faults.base import Fault
from linkloss.problem import unknown
from linkloss.units import FROM_FILE
from linkloss.vehicle.loading import Vehicle

_ORDER = ("cable", "frames", "node", "input", "output")


class FaultError(ValueError):
    """A fault that cannot be made; ``key`` names the parameter, the text is for the user."""

    def __init__(self, key: str, text: str) -> None:
        self.key = key
        super().__init__(text)


@cache
def catalogue() -> Mapping[str, type[Fault]]:
    """The fault classes by name, in the order cable, frames, node, input, output."""
    found: dict[str, type[Fault]] = {}
    for module in pkgutil.iter_modules(linkloss.faults.__path__):
        loaded = importlib.import_module(f"linkloss.faults.{module.name}")
        for value in vars(loaded).values():
            if isinstance(value, type) and issubclass(value, Fault) and value.kind:
                found[value.kind] = value
    ordered = sorted(found.values(), key=lambda fault: (_ORDER.index(fault.group), fault.kind))
    return {fault.kind: fault for fault in ordered}


def make_fault(kind: str, parameters: Mapping[str, Any], vehicle: Vehicle) -> Fault:
    """A fault from its name and parameters. Raises FaultError with a text for the user."""
    if kind not in catalogue():
        raise FaultError("fault", unknown("fault", kind, catalogue()))
    form = catalogue()[kind]
    try:
        fault = form.model_validate(dict(parameters), context=FROM_FILE)
    except ValidationError as error:
        details = error.errors(include_url=False)
        misspelt = [detail for detail in details if detail["type"] == "extra_forbidden"]
        detail = (misspelt or details)[0]
        key = str(detail["loc"][0]) if detail["loc"] else "fault"
        if detail["type"] == "extra_forbidden":
            text = unknown(f"parameter of '{kind}'", key, form.model_fields)
        elif detail["type"] == "missing":
            text = f"'{kind}' needs the parameter '{key}'"
        else:
            text = detail["msg"].removeprefix("Value error, ")
        raise FaultError(key, text) from None
    problem = fault.problem(vehicle)
    if problem:
        raise FaultError("fault", problem)
    return fault
