"""What must agree between the electrical tables and the rest of a vehicle file."""

from __future__ import annotations

from collections.abc import Iterator

from linkloss.model.electrical import ElectricalTable
from linkloss.model.load import LoadTable
from linkloss.model.problem import unknown
from linkloss.model.units import write_duration, write_voltage
from linkloss.model.vehicle import VehicleFile

Mistakes = Iterator[tuple[tuple[str, ...], str]]
"""(where in the file, text for the user)"""


def electrical_problems(file: VehicleFile) -> Mistakes:
    """The mistakes in the electrical tables; conditions over inputs are checked elsewhere."""
    yield from _supply(file)
    for name, node in file.nodes.items():
        place = ("nodes", name, "supply")
        if node.supply is None:
            continue
        if file.supply is None:
            yield place, _NO_SUPPLY
        link = node.supply.ground_link
        if link is not None and link.to == name:
            yield (*place, "ground_link", "to"), "a node's ground needs no link to itself"
        elif link is not None and link.to not in file.nodes:
            yield (*place, "ground_link", "to"), unknown("node", link.to, file.nodes)
    for name, notice in file.notices.items():
        for load_name in notice.failed:
            if load_name not in file.loads:
                yield ("notices", name, "failed"), unknown("load", load_name, file.loads)
            elif file.loads[load_name].electrical is None:
                text = f"load '{load_name}' has no electrical data: nothing in it can fail"
                yield ("notices", name, "failed"), text
    for name, load in file.loads.items():
        yield from _held_to(("loads", name), load, file)
        if load.electrical is not None:
            yield from _load(("loads", name, "electrical"), load, load.electrical, file)


_NO_SUPPLY = "the table 'supply' is missing: nothing says what feeds it"


def _supply(file: VehicleFile) -> Mistakes:
    if file.supply is None or file.supply.starter is None:
        return
    place = ("supply", "starter", "switched_by")
    for node in file.supply.starter.may_reset:
        if node not in file.nodes:
            yield ("supply", "starter", "may_reset"), unknown("node", node, file.nodes)
    name = file.supply.starter.switched_by
    if name not in file.loads:
        yield place, unknown("load", name, file.loads)
        return
    table = file.loads[name].electrical
    if table is None or table.kind != "solenoid":
        yield place, f"load '{name}' closes no contact; expected one of the kind 'solenoid'"


def _load(
    place: tuple[str, ...], load: LoadTable, table: ElectricalTable, file: VehicleFile
) -> Mistakes:
    if file.supply is None:
        yield place, _NO_SUPPLY
    if table.ground != "body" and table.ground not in file.nodes:
        yield (*place, "ground"), unknown("ground", table.ground, ["body", *file.nodes])
    if table.fuse_with is None:
        return
    where = (*place, "fuse_with")
    shared = file.loads.get(table.fuse_with)
    fused = [key for key, other in file.loads.items() if _can_share(load, other)]
    if shared is None:
        yield where, unknown("load", table.fuse_with, fused)
    elif load.fuse is not None:
        yield where, "the load has a fuse of its own; expected either 'fuse' or 'fuse_with'"
    elif not _can_share(load, shared):
        yield where, f"'{table.fuse_with}' has no fuse at the same node with electrical data"


def _held_to(place: tuple[str, ...], load: LoadTable, file: VehicleFile) -> Mistakes:
    """What no node could keep, and would be blamed for."""
    if load.back_within is not None and load.flash is not None:
        text = "the load flashes; expected a load that stays on when it is on"
        yield (*place, "back_within"), text
    relay = None if load.electrical is None else load.electrical.relay
    if relay is None:
        return
    if load.switching_ns > load.latency:
        text = "its relay takes longer to close or open; expected at least"
        text += f" '{write_duration(load.switching_ns)}'"
        yield (*place, "latency"), text
    node = file.nodes.get(load.node)
    if node is not None and node.supply is not None and relay.pull_in > node.supply.range[0]:
        text = f"more than the lowest voltage at which node '{load.node}' is said to operate;"
        text += f" expected '{write_voltage(node.supply.range[0])}' at most"
        yield (*place, "electrical", "relay"), f"'pull_in' is {text}"


def _can_share(load: LoadTable, other: LoadTable) -> bool:
    return other.fuse is not None and other.node == load.node and other.electrical is not None
