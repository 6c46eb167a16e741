"""What a check was asked to run: enough to make its cases again, in any process, in this order."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from bench.campaign.plan import plan
from bench.model.loading import Vehicle, load_vehicle
from bench.model.problem import BadInput, nearest, unknown
from bench.scenario import Scenario


@dataclass(frozen=True, slots=True)
class Order:
    """A vehicle's file, a seed, and which of its cases are wanted; None stands for all."""

    path: Path
    seed: int = 0
    only: tuple[str, ...] | None = None
    situations: tuple[str, ...] | None = None
    case: str | None = None

    def cases(self, vehicle: Vehicle) -> list[Scenario]:
        """The cases, in their order. Raises BadInput for names that do not exist."""
        planned = plan(vehicle, self.seed)
        if self.case is not None:
            return [self._one(planned, self.case)]
        return [scenario for scenario in self._of_kinds(planned) if self._situated(scenario)]

    def _one(self, planned: list[Scenario], name: str) -> Scenario:
        for scenario in planned:
            if scenario.name == name:
                return scenario
        near = nearest(name, [scenario.name for scenario in planned])
        text = f"unknown case '{name}'; expected a name as a check reports it{near}"
        raise BadInput.one(self.path, "--case", text)

    def _of_kinds(self, planned: list[Scenario]) -> list[Scenario]:
        if self.only is None:
            return planned
        kinds = {scenario.kinds for scenario in planned}
        for name in self.only:
            if name not in kinds:
                raise BadInput.one(self.path, "--only", unknown("fault", name, kinds))
        return [scenario for scenario in planned if scenario.kinds in self.only]

    def _situated(self, scenario: Scenario) -> bool:
        if self.situations is None:
            return True
        for name in self.situations:
            if name not in scenario.vehicle.situations:
                text = unknown("situation", name, scenario.vehicle.situations)
                raise BadInput.one(self.path, "--situation", text)
        return scenario.situation in self.situations


@cache
def cases_of(order: Order) -> list[Scenario]:
    """The cases of an order, made once in each process from the vehicle's file."""
    return order.cases(load_vehicle(order.path))
