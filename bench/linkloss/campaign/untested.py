"""Why a rule was not exercised, as far as that can be told, and what would exercise it.

A reason is only given where it is certain: the kinds of faults that the rule needs were not tried,
no situation moves what asks for the load, or no situation lets its condition hold or lasts long
enough. For anything else there is none.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from linkloss.campaign.asked import Asked, unmoved
from linkloss.campaign.result import CheckReport
from linkloss.units import show_duration, write_duration
from linkloss.vehicle.expression import Condition
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle


def reasons(report: CheckReport, subject: str, rules: Iterable[str]) -> dict[str, list[str]]:
    """Rules of a subject that were not exercised, by the reason; "" where none is known."""
    found: dict[str, list[str]] = {}
    for rule in rules:
        found.setdefault(_reason(report, subject, rule), []).append(rule)
    return found


def _reason(report: CheckReport, subject: str, rule: str) -> str:
    """Why no case put a rule to the test and what would, in a clause."""
    vehicle = report.vehicle
    word = rule.partition(" ")[0]
    kinds = _KINDS.get(word, ())
    if word == "notice" and subject in vehicle.loads:
        kinds = _OF_LOADS
    if kinds and not _tried(report.faults).intersection(kinds):
        return f"it takes a fault of the kind {' or '.join(kinds)}, and none was tried"
    if report.drive is not None:  # its windows are the situations
        return ""
    idle = unmoved(vehicle, subject)
    if idle:
        return f"no situation changes {_listed(idle)}: add one that does"
    load = vehicle.loads.get(subject)
    return "" if load is None else next(_of_load(vehicle, load, subject, rule), "")


def _tried(faults: Collection[str]) -> set[str]:
    """The kinds that were tried, alone or together."""
    return {kind for fault in faults for kind in fault.split("+")}


_OF_LOADS = ("fuse_blown", "load_open", "load_short", "relay_welded")
_KINDS = {
    "reset": ("reset", "brown_out", "hang"),
    "stopped": ("hang",),
    "back": ("brown_out",),
    "neighbours": ("load_short",),
}
"""By the first word of a rule, the kinds of faults without which nothing exercises it."""


def _of_load(vehicle: Vehicle, load: LoadTable, name: str, rule: str) -> Iterator[str]:
    """What no situation brings about, by the rules of a load that need it."""
    if rule in ("flash", "in step") and load.flash is not None:
        need_ns = 3 * load.cycle_ns
        longest_ns = _longest_asked(vehicle, name)
        if longest_ns < need_ns:
            yield (
                f"no situation asks for it for long enough ({show_duration(longest_ns)} at most):"
                f" an action behind which 'lasts = \"{write_duration(need_ns)}\"' would do"
            )
    if rule == "longest_on" and load.longest_on is not None:
        longest_ns = _longest_asked(vehicle, name)
        if longest_ns < load.longest_on:
            limit = show_duration(load.longest_on)
            yield f"no situation asks for it for longer than {limit}: add one that does"
    if rule == "trip" and load.trip is not None:
        yield from _never_holds(vehicle, load.trip.when)
    if rule.startswith("never"):
        number = int(rule.partition(" ")[2] or 1)
        if number <= len(load.never):
            yield from _never_holds(vehicle, load.never[number - 1].when)


def _longest_asked(vehicle: Vehicle, load: str) -> int:
    """The longest time for which a situation asks for a load other than off, in ns."""
    asks, longest_ns = Asked(vehicle), 0
    for name, table in vehicle.situations.items():
        course = asks.course(name)
        state, since_ns = course.beginning.get(load, "off"), 0
        moves = [(at_ns, new) for at_ns, moved, new in course.changes if moved == load]
        for at_ns, new in [*moves, (table.lasts, "off")]:
            if state != "off":
                longest_ns = max(longest_ns, at_ns - since_ns)
            state, since_ns = new, at_ns
    return longest_ns


def _never_holds(vehicle: Vehicle, condition: Condition) -> Iterator[str]:
    """That inputs which a condition needs are the same in all situations."""
    moved = {
        name
        for table in vehicle.situations.values()
        for name in (*table.inputs, *(key for action in table.actions for key in action.set))
    }
    still = [name for name in condition.names if name in vehicle.inputs and name not in moved]
    if still:
        yield f"no situation sets {_listed(still)}: add one in which '{condition.text}' holds"


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"`{name}`" for name in names)
