"""A real node behind an adapter: what can be done to it, and what can be said of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue
from linkloss.model.loading import Vehicle
from linkloss.model.problem import BadInput, unknown
from linkloss.scenario import TimedFault

DELAY_NS = 20_000_000
"""The longest way between the bus and a real node through an adapter, unless the user knows
better; from memory, a USB adapter takes 1 to 16 ms."""
INSIDE = ("node", "input", "output")
"""Groups of faults that happen in a node, where the bench has no hand."""


def ensure_real(vehicle: Vehicle, node: str, faults: Sequence[TimedFault]) -> None:
    """Raises BadInput for a node that the vehicle does not have, and for faults that would have
    to happen inside of a real one.
    """
    if node not in vehicle.nodes:
        raise BadInput.one("linkloss", "--real", unknown("node", node, vehicle.nodes))
    for timed in faults:
        fault = timed.fault
        if fault.group in INSIDE and node in _places(vehicle, fault):
            text = f"{fault.label()} would happen inside of '{node}', which is real;"
            text += " expected a fault of cable or frames, or '--checklist' for what needs hands"
            raise BadInput.one("linkloss", "--fault", text)


def _places(vehicle: Vehicle, fault: Fault) -> set[str]:
    """The nodes in which, or at whose loads, a fault would happen; one of the supply that names
    none happens at all of them.
    """
    found = {*fault.nodes(), *(vehicle.loads[name].node for name in fault.loads(vehicle))}
    return set(vehicle.nodes) if fault.electrical and not found else found


def caution(vehicle: Vehicle, node: str) -> str:
    """What comes before anything else."""
    loads = [load.about or name for name, load in vehicle.loads.items() if load.node == node]
    listed = "; ".join(loads) if loads else "none that the vehicle file knows"
    return (
        f"Caution: '{node}' is real, and the bench will make it do what a fault makes it do."
        " Wheels chocked, gearbox out of gear, hands, hair and clothes clear of belts, fans and"
        " shafts. Take off the lead of the starter and of whatever moves, heats or pumps until you"
        f" have seen what the node does. Its loads: {listed}."
    )


def scope(vehicle: Vehicle, node: str) -> Iterator[str]:
    """What a run with a real node can say, and what it cannot, in sentences for its report."""
    loads = {name: load for name, load in vehicle.loads.items() if load.node == node}
    reported = [name for name, load in loads.items() if load.reported is not None]
    silent = [name for name in loads if name not in reported]
    wired = [name for name, table in vehicle.inputs.items() if node in table.wired_to]
    inside = [kind for kind, form in catalogue().items() if form.group in INSIDE]
    outside = [kind for kind, form in catalogue().items() if form.group not in INSIDE]
    yield (
        f"{node} is real. From outside it can be given: {', '.join(outside)}; a cable that is cut"
        " or unplugged reaches it as silence."
    )
    yield (
        f"Not exercised on {node}: {', '.join(inside)}; what of it needs hands is in --checklist."
        " Nor its acknowledging, error counters and bus-off: on its cable the adapter"
        " acknowledges."
    )
    if reported:
        yield f"Judged by what it reports, one sample for each message: {', '.join(reported)}."
    if silent:
        yield f"Not exercised, because no signal reports them: {', '.join(silent)}."
    if wired:
        yield f"Its inputs are not moved by the bench: {', '.join(wired)}."
