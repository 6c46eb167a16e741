"""Which actions of the driver matter to which fault: it is worth trying around those."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from functools import cache, cached_property

from linkloss.campaign.asked import request_names
from linkloss.faults.base import Fault
from linkloss.model.expression import split_signal
from linkloss.model.load import LoadTable
from linkloss.model.loading import Vehicle


class Relevance:
    """What follows from an input: requests, and the loads that they or a local lead reach."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self._matters = cache(self._found_to_matter)
        self.spoils = cache(self._found_to_spoil)
        """Whether a fault can spoil what a load makes of some input or other."""
        self._touched = cache(self._found_to_touch)

    @cached_property
    def _requests_of(self) -> dict[str, set[str]]:
        """The requests that depend on each input, also by way of another request's signal."""
        direct: dict[str, set[str]] = {}
        for name, request in self.vehicle.requests.items():
            for condition in request.conditions:
                for source in condition.names:
                    direct.setdefault(source, set()).add(name)
        found: dict[str, set[str]] = {}
        for name in self.vehicle.inputs:
            reached: set[str] = set()
            waiting = [name]
            while waiting:
                for further in sorted(direct.get(waiting.pop(), set()) - reached):
                    reached.add(further)
                    waiting.append(further)
            found[name] = reached
        return found

    def matters(self, fault: Fault, inputs: Collection[str]) -> bool:
        """Whether a change of these inputs brings about something that the fault can spoil."""
        return self._matters(fault, tuple(inputs))

    def _found_to_matter(self, fault: Fault, inputs: tuple[str, ...]) -> bool:
        if fault.group == "input":
            return getattr(fault, "input", None) in inputs
        return any(self._spoils(fault, load, inputs) for load in self.vehicle.loads.values())

    def _found_to_spoil(self, fault: Fault, load: str) -> bool:
        table = self.vehicle.loads[load]
        return any(self._spoils(fault, table, (name,)) for name in self.vehicle.inputs)

    def touched(self, fault: Fault, *, local: bool = False) -> tuple[str, ...]:
        """The loads that a fault touches: those that its own hardware feeds, that its input
        decides, or that it can spoil; all of them where it is nobody's in particular. ``local``:
        besides, all at its nodes or where its input is wired.
        """
        return self._touched(fault, local)

    def _found_to_touch(self, fault: Fault, local: bool) -> tuple[str, ...]:
        vehicle = self.vehicle
        own = fault.loads(vehicle)
        name: str | None = getattr(fault, "input", None)
        if name is not None:
            own = tuple(load for load in vehicle.loads if self._decides(name, load))
        elif not own:
            own = tuple(load for load in vehicle.loads if self.spoils(fault, load))
        if local:
            nodes = fault.nodes() if name is None else vehicle.inputs[name].wired_to
            near = [load for load, table in vehicle.loads.items() if table.node in nodes]
            own = (*own, *near) if nodes else tuple(vehicle.loads)
        return tuple(dict.fromkeys(own or vehicle.loads))

    def _decides(self, name: str, load: str) -> bool:
        """Whether an input has a say in what is asked of a load."""
        table = self.vehicle.loads[load]
        return (table.local is not None and name in table.local.names) or self._asks(table, [name])

    def _spoils(self, fault: Fault, load: LoadTable, inputs: Collection[str]) -> bool:
        if load.local is not None and not set(load.local.names).isdisjoint(inputs):
            return load.node in fault.nodes()
        own = {name for condition in load.own_conditions.values() for name in condition.names}
        if not own.isdisjoint(inputs) and load.node in fault.nodes():
            return True
        if not self._asks(load, inputs):
            return False
        return any(
            fault.reaches(self.vehicle, message, self.vehicle.sender(message), load.node)
            for message in load.messages
        ) or any(self._feeds(fault, name) for name in request_names(load))

    def _asks(self, load: LoadTable, inputs: Iterable[str]) -> bool:
        names = request_names(load)
        return any(request in self._requests_of[name] for name in inputs for request in names)

    def _feeds(self, fault: Fault, request: str) -> bool:
        """Whether the fault concerns a signal that the request is decided by."""
        table = self.vehicle.requests.get(request)
        if table is None:
            return False
        node = self.vehicle.sender(split_signal(request)[0])
        for condition in table.conditions:
            for message, signal in map(split_signal, condition.names):
                if signal and fault.reaches(
                    self.vehicle, message, self.vehicle.sender(message), node
                ):
                    return True
        return False

    def flashes(self, inputs: Collection[str]) -> bool:
        """Whether these inputs make a load flash."""
        return any(
            load.flash is not None
            and (
                self._asks(load, inputs)
                or (load.local is not None and not set(load.local.names).isdisjoint(inputs))
            )
            for load in self.vehicle.loads.values()
        )
