"""All faults by name, found by looking into this folder; faults made from what users write: a table
of parameters (:func:`make_fault`), or a label as :meth:`Fault.label` writes it
(:func:`read_fault`). Both report mistakes as a FaultError.
"""

from __future__ import annotations

import importlib
import pkgutil
import re
from collections.abc import Iterable, Mapping
from contextlib import suppress
from functools import cache
from typing import Any, get_args

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
        elif detail["type"] in _MISSING:
            names = dict.fromkeys(str(d["loc"][0]) for d in details if d["type"] in _MISSING)
            told = (_with_values(form, name, parameters, vehicle) for name in names)
            text = f"'{kind}' needs the parameter {'; '.join(told)}"
        else:
            text = detail["msg"].removeprefix("Value error, ")
        raise FaultError(key, text) from None
    problem = fault.problem(vehicle)
    if problem:
        raise FaultError("fault", problem)
    return fault


_MISSING = ("missing", "tuple_type")
"""What pydantic calls a parameter that is not there, or of which a part is not."""
_MOST = 24
"""So many values of a parameter are listed."""


def _with_values(form: type[Fault], name: str, given: Mapping[str, Any], vehicle: Vehicle) -> str:
    """A missing parameter with the values that it can have: ``'receiver': body, gauge``."""
    field = form.model_fields[name]
    every: Mapping[str, Iterable[Any]] = {
        "between": vehicle.stretches,
        "input": vehicle.inputs,
        "load": vehicle.loads,
        "message": vehicle.messages,
        **dict.fromkeys(("beside", "node", "receiver"), vehicle.along),
    }
    values = list(every.get(name, get_args(field.annotation)))
    values = [value for value in values if _fits(form, {**given, name: value}, vehicle)] or values
    told = [f"({','.join(v)})" if isinstance(v, tuple) else str(v) for v in values]
    if not told:
        return f"'{name}': {field.description}" if field.description else f"'{name}'"
    more = f" and {len(told) - _MOST} more" if len(told) > _MOST else ""
    return f"'{name}': {', '.join(told[:_MOST])}{more}"


def _fits(form: type[Fault], parameters: Mapping[str, Any], vehicle: Vehicle) -> bool:
    """Whether nothing speaks against a fault, as far as it is given."""
    try:
        return not form.model_validate(dict(parameters), context=FROM_FILE).problem(vehicle)
    except ValidationError:
        return True


_BARE = re.compile(r"\s*(?P<kind>\w+)\s*")
_LABEL = re.compile(r"\s*(?P<kind>\w+)\s*\((?P<given>.*)\)\s*")


def read_fault(text: str, vehicle: Vehicle) -> Fault:
    """The fault with a label such as ``drop(LampRequest,rear,count=2)``. Required parameters are
    given in order, or by name. Raises FaultError with a text for the user.
    """
    found = _LABEL.fullmatch(text)
    if found is None:
        bare = _BARE.fullmatch(text)
        if bare is not None:
            make_fault(bare["kind"], {}, vehicle)  # which says what is missing
        raise FaultError("fault", f"got '{text.strip()}'; expected '{_form(bare)}'")
    kind, given = found["kind"], _parameters(found["kind"], found["given"])
    try:
        return make_fault(kind, {name: _number(value) for name, value in given.items()}, vehicle)
    except FaultError:
        with suppress(FaultError):  # the name of a position or a node may look like a number
            return make_fault(kind, given, vehicle)
        raise


def _form(bare: re.Match[str] | None) -> str:
    return "KIND(PARAMETERS)" if bare is None else f"{bare['kind']}()"


def _parameters(kind: str, text: str) -> dict[str, Any]:
    """The parameters by name, as texts; a single required one may have several parts, as a list."""
    fields = catalogue()[kind].model_fields if kind in catalogue() else {}
    needed = [name for name, field in fields.items() if field.is_required()]
    parts = [part.strip() for part in text.split(",") if part.strip()]
    bare = [part for part in parts if "=" not in part]
    given = [part.partition("=") for part in parts if "=" in part]
    named = {name.strip(): value.strip() for name, _, value in given}
    if len(needed) == 1 and len(bare) > 1:
        return {needed[0]: bare, **named}
    if fields and len(bare) > len(needed):
        listed = ", ".join(needed) or "none"
        text = f"too many parameters without a name; '{kind}' needs: {listed}"
        raise FaultError("fault", text)
    return {**dict(zip(needed, bare, strict=False)), **named}


def _number(text: Any) -> Any:
    """The number in a text, if it is one; everything else unchanged."""
    with suppress(ValueError, TypeError):
        return int(text, 0)
    with suppress(ValueError, TypeError):
        return float(text)
    return text
