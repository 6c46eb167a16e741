"""What a check cannot judge of a vehicle: what has no rule, and which faults it cannot have."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import replace

from linkloss.campaign.rotation import ROLL_OVERS, rolled_over
from linkloss.faults.catalogue import catalogue
from linkloss.judge import Unjudged, unjudged
from linkloss.model.loading import Vehicle
from linkloss.model.problem import nearest
from linkloss.scenario import Scenario

_ROLL_OVER = "roll-over of"


def left_unjudged(
    vehicle: Vehicle, logged: Collection[str] = (), cases: Iterable[Scenario] | None = None
) -> tuple[Unjudged, ...]:
    """All that stays unjudged in a check of a vehicle, each with what its file says of it. With
    ``cases`` also the roll-overs that no case reaches. What the file allows and nothing is called
    by comes last.
    """
    allowed = {entry.what: entry.reason for entry in vehicle.file.unjudged}
    found = [*unjudged(vehicle, logged), *_untried(vehicle)]
    if cases is not None:
        found += _not_rolled_over(vehicle, logged, cases)
    told = [replace(entry, allowed=allowed.get(entry.what, "")) for entry in found]
    return (*told, *([] if logged else _idle(allowed, [entry.what for entry in found])))


def _idle(allowed: Iterable[str], found: Collection[str]) -> Iterator[Unjudged]:
    """Entries of the file that excuse nothing: a name that was mistyped, or a rule that has come
    since.
    """
    for what in allowed:
        if what not in found and not what.startswith(_ROLL_OVER):
            reason = "[[unjudged]] names it, and nothing unjudged is called so" + nearest(
                what, found
            )
            yield Unjudged(what, reason)


def _not_rolled_over(
    vehicle: Vehicle, logged: Collection[str], cases: Iterable[Scenario]
) -> Iterator[Unjudged]:
    """The roll-overs of nodes' own clocks that no case reaches."""
    met = {entry for case in cases for entry in rolled_over(case)}
    for node in vehicle.nodes:
        for name in ROLL_OVERS:
            if node not in logged and (node, name) not in met:
                what = f"{_ROLL_OVER} {node}'s clock at {name}"
                yield Unjudged(what, "no case reaches it")


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
