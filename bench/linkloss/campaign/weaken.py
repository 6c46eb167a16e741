"""Weaker faults in place of a fault: does it take that much to break the rule?

slow_boot, hang          -> reset
cut in mid cable         -> unplug of one node beside it
corrupt, alter, freeze   -> drop: one receiver only misses the message
mute                     -> drop: one receiver only misses one of the node's messages
again and again, n times -> fewer times, once
chance, odd figures      -> as the fault is by default

A cut at the end of the cable stays: it does what unplugging the last node does.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from linkloss.faults.base import Fault
from linkloss.faults.catalogue import FaultError, make_fault
from linkloss.faults.traffic import requests
from linkloss.model.loading import Vehicle

_TIMES = ("count", "times")
"""Parameters that say how often. Without them a fault does more, so they stay, as small as may
be."""
_PLACES = ("node", "input", "message", "receiver", "identifier", "period")
"""Parameters that say where and which, or that only make sense with others."""


def weaker(fault: Fault, vehicle: Vehicle) -> Iterator[Fault]:
    """The faults that are worth trying in place of a fault, the weakest first."""
    for kind, parameters in _kinds(fault, vehicle):
        try:
            yield make_fault(kind, parameters, vehicle)
        except FaultError:
            continue  # this vehicle has nothing for the weaker kind to take hold of
    for changes in _parameters(fault):
        changed = type(fault).model_validate({**dict(fault), **changes})
        if changed != fault and not changed.problem(vehicle):
            yield changed


def as_unplugged(fault: Fault, vehicle: Vehicle) -> Fault:
    """A cut at the end of the cable as what it comes to, the unplugging of the node at that end;
    any other fault as it is.
    """
    if fault.kind == "cut":
        cable, pair = vehicle.bus.cable, dict(fault)["between"]
        for node in (cable[0], cable[-1]):
            if node in pair:
                return make_fault("unplug", {"node": node}, vehicle)
    return fault


def _kinds(fault: Fault, vehicle: Vehicle) -> Iterator[tuple[str, dict[str, Any]]]:
    told, heard = dict(fault), requests(vehicle)
    if fault.kind in ("slow_boot", "hang"):
        yield "reset", told
    elif fault.kind == "cut":
        ends = {vehicle.bus.cable[0], vehicle.bus.cable[-1]}
        if ends.isdisjoint(told["between"]):
            yield from (("unplug", {"node": node}) for node in told["between"])
    elif fault.kind in ("corrupt", "alter", "freeze"):
        yield from (("drop", {**told, "receiver": node}) for node in heard.get(told["message"], ()))
    elif fault.kind == "mute":
        for message, nodes in heard.items():
            if fault.nodes() == vehicle.messages[message].senders:
                yield from (("drop", {"message": message, "receiver": node}) for node in nodes)


def _parameters(fault: Fault) -> Iterator[Mapping[str, Any]]:
    fields = type(fault).model_fields
    if getattr(fault, "period", None) is not None:
        yield {"period": None, "times": None}
    for name, value in fault:
        if fields[name].is_required() or value == fields[name].default:
            continue
        if name in _TIMES:
            yield from ({name: less} for less in _fewer(value))
        elif name not in _PLACES:
            yield {name: fields[name].default}


def _fewer(times: int) -> list[int]:
    return sorted({less for less in (1, 2, 3, times // 2, times - 1) if 0 < less < times})
