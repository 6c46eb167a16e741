"""What came from outside in a live session, with its virtual instants: a scenario in the making."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from linkloss.faults.base import Fault
from linkloss.model.expression import Value
from linkloss.scenario import Scenario, TimedAction, TimedFault


class Journal:
    """Notes everything that is done to a session. ``base`` is how the session began."""

    def __init__(self, base: Scenario) -> None:
        self.base = base
        self._actions: list[TimedAction] = []
        self._over: list[TimedFault] = []
        self._active: dict[Fault, TimedFault] = {}

    @property
    def active(self) -> tuple[TimedFault, ...]:
        """The faults that are there now, in the order in which they came."""
        return tuple(self._active.values())

    def acted(self, at_ns: int, values: Mapping[str, Value]) -> None:
        """Inputs were changed."""
        self._actions.append(TimedAction(at_ns, dict(values)))

    def applied(self, at_ns: int, fault: Fault) -> TimedFault:
        """A fault was applied. One that lasts must not be there already."""
        timed = TimedFault(fault, at_ns, None)
        if fault.lasting:
            assert fault not in self._active, fault.label()
            self._active[fault] = timed
        else:
            self._over.append(timed)
        return timed

    def cleared(self, at_ns: int, fault: Fault) -> None:
        """A fault that lasted is over. Raises KeyError where it is not there."""
        self._over.append(replace(self._active.pop(fault), until_ns=at_ns))

    def scenario(self, lasts_ns: int, *, name: str, title: str) -> Scenario:
        """All of it as a scenario that ends at an instant and runs on virtual time."""
        faults = sorted([*self._over, *self._active.values()], key=lambda timed: timed.at_ns)
        return replace(
            self.base,
            name=name,
            title=title,
            situation="",
            actions=tuple(self._actions),
            faults=tuple(faults),
            lasts_ns=lasts_ns,
        )
