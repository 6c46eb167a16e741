"""From a case's name back to the case: the name tells all of it but the vehicle and the seed.

night_drive/unplug(rear)@543ms+1527ms/reset(rear)@1200ms/lights=off@1300ms/again/clocks(rear=65s)
"""

from __future__ import annotations

import re
from typing import Any

from linkloss.campaign.cases import AGAIN, MOVED, NO_FAULT, CaseMaker
from linkloss.campaign.soak import SOAK, SOAK_WITH_FAULTS, soak
from linkloss.clocks import read_clock_part
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import FaultError, catalogue, make_fault
from linkloss.model.expression import Value
from linkloss.model.loading import Vehicle
from linkloss.model.units import parse_duration
from linkloss.scenario import Scenario, TimedAction, TimedFault

_BETWEEN = re.compile(r"/(?![^(]*\))")
"""A stroke that is not inside parentheses, where it may be part of a unit."""
_FAULT = re.compile(r"(?P<label>(?P<kind>\w+)\((?P<given>.*)\))@(?P<at>\w+)(\+(?P<lasts>\w+))?")
_ACTION = re.compile(r"(?P<values>[^@]+=[^@]+)@(?P<at>\w+)")


def case_named(vehicle: Vehicle, name: str, seed: int = 0) -> Scenario | None:
    """The case with a name as :func:`linkloss.campaign.cases.story_name` writes it, or None when it
    is not such a name or does not fit the vehicle.
    """
    situation, *parts = _BETWEEN.split(name)
    if situation not in vehicle.situations or not parts:
        return None
    try:
        case = _told(vehicle, situation, [part for part in parts if part != NO_FAULT], seed)
    except ValueError:  # a duration that is none
        return None
    return case if case is not None and case.name == name else None


def _told(vehicle: Vehicle, situation: str, parts: list[str], seed: int) -> Scenario | None:
    maker = CaseMaker(vehicle, seed)
    if parts in ([SOAK], [SOAK_WITH_FAULTS]):
        return soak(maker, parts[0])
    faults: list[TimedFault] = []
    more: list[TimedAction] = []
    clocks: dict[str, int] = {}
    drifts: dict[str, float] = {}
    for part in parts:
        if part in (MOVED, AGAIN):
            continue
        timed = _timed_fault(part, vehicle)
        action = _timed_action(part, vehicle) if timed is None else None
        given = read_clock_part(part)
        if timed is not None:
            faults.append(timed)
        elif action is not None:
            more.append(action)
        elif given is not None and {*given[0], *given[1]} <= vehicle.nodes.keys():
            clocks |= given[0]
            drifts |= given[1]
        else:
            return None
    moved = MOVED in parts
    if moved and not faults:
        return None
    return maker.case(
        situation,
        tuple(faults),
        more=tuple(more),
        moved=moved,
        again=AGAIN in parts,
        clocks=clocks,
        drifts=drifts,
    )


def _timed_fault(part: str, vehicle: Vehicle) -> TimedFault | None:
    match = _FAULT.fullmatch(part)
    if match is None:
        return None
    fault = _fault(match["kind"], match["given"], match["label"], vehicle)
    if fault is None or (match["lasts"] is not None and not fault.lasting):
        return None
    at_ns = parse_duration(match["at"])
    until_ns = None if match["lasts"] is None else at_ns + parse_duration(match["lasts"])
    return TimedFault(fault, at_ns, until_ns)


def _fault(kind: str, given: str, label: str, vehicle: Vehicle) -> Fault | None:
    """The fault with a label; its numbers may be numbers or the names of positions."""
    if kind not in catalogue():
        return None
    for read in (_number, str):
        try:
            fault = make_fault(kind, _parameters(catalogue()[kind], given, read), vehicle)
        except (FaultError, IndexError):
            continue
        if fault.label() == label:
            return fault
    return None


def _parameters(form: type[Fault], given: str, read: Any) -> dict[str, Any]:
    """The parameters in a label: those that must be there by place, others by name."""
    required = [name for name, field in form.model_fields.items() if field.is_required()]
    texts = given.split(",") if given else []
    found: dict[str, Any] = {}
    if required == ["between"]:
        found["between"], texts = texts[:2], texts[2:]
    for index, text in enumerate(texts):
        name, equals, value = text.partition("=")
        if equals:
            found[name] = read(value)
        else:
            found[required[index]] = read(text)
    return found


def _number(text: str) -> Value:
    try:
        number = float(text)
    except ValueError:
        return text
    return int(number) if number.is_integer() else number


def _timed_action(part: str, vehicle: Vehicle) -> TimedAction | None:
    match = _ACTION.fullmatch(part)
    if match is None:
        return None
    values: dict[str, Value] = {}
    for text in match["values"].split(","):
        name, _, value = text.partition("=")
        table = vehicle.inputs.get(name)
        if table is None or (table.positions is not None and value not in table.positions):
            return None
        number = _number(value)
        if table.positions is None and isinstance(number, str):
            return None
        values[name] = value if table.positions is not None else float(number)
    return TimedAction(parse_duration(match["at"]), values)
