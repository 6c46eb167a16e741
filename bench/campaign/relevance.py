"""Which actions of the driver matter to which fault: it is worth trying around those."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from functools import cached_property

from bench.faults.base import Fault
from bench.model.consistency import split_signal
from bench.model.loading import Vehicle
from bench.model.vehicle import LoadTable


class Relevance:
    """What follows from an input: requests, and the loads that they or a local wire reach."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle

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
        if fault.group == "input":
            return getattr(fault, "input", None) in inputs
        return any(self._spoils(fault, load, inputs) for load in self.vehicle.loads.values())

    def spoils(self, fault: Fault, load: str) -> bool:
        """Whether a fault can spoil what a load makes of some input or other."""
        table = self.vehicle.loads[load]
        return any(self._spoils(fault, table, (name,)) for name in self.vehicle.inputs)

    def _spoils(self, fault: Fault, load: LoadTable, inputs: Collection[str]) -> bool:
        if load.local is not None and not set(load.local.names).isdisjoint(inputs):
            return load.node in fault.nodes()
        if load.request is None or not self._asks(load.request, inputs):
            return False
        message, _ = split_signal(load.request)
        sender = self.vehicle.sender(message)
        return fault.reaches(self.vehicle, message, sender, load.node) or self._feeds(
            fault, load.request
        )

    def _asks(self, request: str, inputs: Iterable[str]) -> bool:
        return any(request in self._requests_of[name] for name in inputs)

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
                (load.request is not None and self._asks(load.request, inputs))
                or (load.local is not None and not set(load.local.names).isdisjoint(inputs))
            )
            for load in self.vehicle.loads.values()
        )
