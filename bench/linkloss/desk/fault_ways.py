"""Which faults can be done to a node on the desk, and who does them."""

from __future__ import annotations

from collections.abc import Iterator
from enum import Enum

from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue
from linkloss.scenario import Scenario
from linkloss.vehicle.desk_wiring import IoTable
from linkloss.vehicle.loading import Vehicle


class Way(Enum):
    """Who does a fault to a node on the desk."""

    BOARD = "by the board"
    BENCH = "by the bench"
    HAND = "by hand"
    NONE = "not on the desk"


_BITS = (
    "noise", "corrupt", "short", "stuck_dominant", "swapped", "unterminated", "ground_offset",
    "wrong_bit_rate", "flood",
)  # fmt: skip
"""What spoils single bits, or takes the whole bus: no adapter does that to the node's cable."""
_OUTPUTS = ("fuse_blown", "load_open", "load_short", "relay_welded")
_HELD_INPUTS = ("stuck", "open")


def way_of(vehicle: Vehicle, node: str, fault: Fault) -> Way:
    """Who does a fault, if ``node`` is real and wired as its table says."""
    table = vehicle.io[node]
    if fault.kind in _BITS:
        return Way.NONE
    if fault.group == "input":
        return _input_way(vehicle, node, table, fault)
    if fault.kind in _OUTPUTS:
        of_node = any(vehicle.loads[name].node == node for name in fault.loads(vehicle))
        return Way.HAND if of_node else Way.BENCH
    touched = fault.nodes()
    if fault.electrical:
        return Way.BENCH if touched and node not in touched else Way.NONE
    if fault.group == "node" and node in touched:
        return Way.BOARD if fault.kind == "reset" and table.reset else Way.NONE
    if fault.kind == "unplug" and node in touched:
        if getattr(fault, "conductor", "both") != "both":
            return Way.NONE
        return Way.BOARD if table.plug else Way.BENCH
    return Way.BENCH


def _input_way(vehicle: Vehicle, node: str, table: IoTable, fault: Fault) -> Way:
    name = str(getattr(fault, "input", ""))
    only = getattr(fault, "node", None)
    wired = vehicle.inputs[name].wired_to
    if node not in wired or only not in (None, node):
        return Way.BENCH
    if fault.kind not in _HELD_INPUTS:
        return Way.NONE  # edges of a bouncing contact come faster than commands
    return Way.BOARD if name in table.drives else Way.HAND


def doable(vehicle: Vehicle, node: str, case: Scenario) -> bool:
    """Whether the board and the bench can do all the faults of a case."""
    by = (Way.BOARD, Way.BENCH)
    its_own_clock = node in case.clocks or node in case.drifts
    return not its_own_clock and all(
        way_of(vehicle, node, timed.fault) in by for timed in case.faults
    )


def ways(vehicle: Vehicle, node: str) -> Iterator[tuple[str, Way, int]]:
    """Each kind of fault that the vehicle can have, the ways of its instances, and how many there
    are; a kind has a row for each way.
    """
    for kind, form in catalogue().items():
        found: dict[Way, int] = {}
        for fault in form.every(vehicle):
            way = way_of(vehicle, node, fault)
            found[way] = found.get(way, 0) + 1
        for way in Way:
            if way in found:
                yield kind, way, found[way]
