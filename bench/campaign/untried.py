"""What a check cannot judge of a vehicle: what has no rule, and which faults it cannot have."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace

from bench.faults.catalogue import catalogue
from bench.judge import Unjudged, unjudged
from bench.model.loading import Vehicle


def left_unjudged(vehicle: Vehicle, logged: Collection[str] = ()) -> tuple[Unjudged, ...]:
    """All that stays unjudged in a check of a vehicle, each with what its file says of it."""
    allowed = {entry.what: entry.reason for entry in vehicle.file.unjudged}
    found = [*unjudged(vehicle, logged), *_untried(vehicle)]
    return tuple(replace(entry, allowed=allowed.get(entry.what, "")) for entry in found)


def _untried(vehicle: Vehicle) -> Iterator[Unjudged]:
    """The kinds of faults that the vehicle has no place for."""
    if vehicle.supply is None:
        reason = "the vehicle has no [supply]: no fault of supply, fuses, leads or relays is tried"
        yield Unjudged("supply", reason)
    for kind, form in catalogue().items():
        if form.electrical and vehicle.supply is None:
            continue
        if not any(True for source in (form.every, form.of_wiring) for _ in source(vehicle)):
            yield Unjudged(f"fault {kind}", form.needs or "nothing in the vehicle can have it")
