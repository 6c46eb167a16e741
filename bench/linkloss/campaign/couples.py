"""Which faults have to do with one another: two faults at one place interact, two at far ends of
the car hardly ever do.
"""

from __future__ import annotations

import itertools
from functools import cached_property

from linkloss.faults.base import Fault
from linkloss.faults.traffic import requests
from linkloss.model.loading import Vehicle

SAME, LINKED, NEAR, APART = 3, 2, 1, 0
"""How two faults are related: they hit the same node or message; one hits a node that sends what
the other's node hears, or a message of it; they sit side by side on the cable; or nothing of that.
"""


class Kinship:
    """How the faults of a vehicle are related."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self._known: dict[Fault, tuple[frozenset[str], frozenset[str]]] = {}

    @cached_property
    def _links(self) -> frozenset[tuple[str, str]]:
        """Pairs (sender, receiver) between which something is asked for."""
        return frozenset(
            (sender, receiver)
            for message, receivers in requests(self.vehicle).items()
            for sender in self.vehicle.messages[message].senders
            for receiver in receivers
        )

    @cached_property
    def _neighbours(self) -> frozenset[tuple[str, str]]:
        return frozenset(itertools.pairwise(self.vehicle.bus.cable))

    def strikes(self, fault: Fault) -> frozenset[str]:
        """The nodes whose program, controller or connection a fault hits; for a cut cable those
        on its shorter side. Empty for faults of frames and inputs.
        """
        return self._of(fault)[0]

    def concerns(self, fault: Fault) -> frozenset[str]:
        """The nodes that a fault has to do with: those it strikes, those that send or hear its
        message, those that read its input.
        """
        return self._of(fault)[1]

    def _of(self, fault: Fault) -> tuple[frozenset[str], frozenset[str]]:
        if fault not in self._known:
            struck = frozenset(self._struck(fault))
            self._known[fault] = struck, struck | self._concerned(fault)
        return self._known[fault]

    def _struck(self, fault: Fault) -> tuple[str, ...]:
        between = getattr(fault, "between", None)
        if between is not None:
            cable = self.vehicle.bus.cable
            place = max(map(cable.index, between))
            return min(cable[:place], cable[place:], key=len)
        return fault.nodes() if fault.group in ("cable", "node") else ()

    def _concerned(self, fault: Fault) -> frozenset[str]:
        found = dict.fromkeys(fault.nodes())
        message = getattr(fault, "message", None)
        if message is not None:
            found.update(dict.fromkeys(self.vehicle.messages[message].senders))
            only = getattr(fault, "receiver", None)
            heard = requests(self.vehicle).get(message, ()) if only is None else (only,)
            found.update(dict.fromkeys(heard))
        name = getattr(fault, "input", None)
        if name is not None:
            found.update(dict.fromkeys(self.vehicle.inputs[name].wired_to))
        return frozenset(name for name in found if name in self.vehicle.nodes)

    def close(self, first: Fault, second: Fault) -> bool:
        """Whether both strike one node."""
        return not self.strikes(first).isdisjoint(self.strikes(second))

    def relation(self, first: Fault, second: Fault) -> int:
        """SAME, LINKED, NEAR or APART."""
        message = getattr(first, "message", None)
        if self.close(first, second) or (
            message is not None and message == getattr(second, "message", None)
        ):
            return SAME
        one, other = self.concerns(first), self.concerns(second)
        if not one.isdisjoint(other):
            return LINKED
        for relation, pairs in ((LINKED, self._links), (NEAR, self._neighbours)):
            if any((a in one and b in other) or (b in one and a in other) for a, b in pairs):
                return relation
        return APART
