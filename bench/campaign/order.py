"""What a check was asked to run: enough to make its cases again, in any process, in this order."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from bench.campaign.depth import Depth, planned
from bench.firmware.build import BuildOptions
from bench.model.loading import Vehicle, load_vehicle
from bench.model.problem import BadInput, nearest, unknown
from bench.scenario import Scenario

_APART: tuple[Depth, ...] = ("full", "pairs")
"""The depths that share no case."""


@dataclass(frozen=True, slots=True)
class Order:
    """A vehicle's file, a seed, and which of its cases are wanted; None stands for all."""

    path: Path
    seed: int = 0
    depth: Depth = "full"
    only: tuple[str, ...] | None = None
    situations: tuple[str, ...] | None = None
    case: str | None = None
    build: BuildOptions | None = None

    def cases(self, vehicle: Vehicle) -> list[Scenario]:
        """The cases, in their order. Raises BadInput for names that do not exist."""
        if self.case is not None:
            return [self._one(vehicle, self.case)]
        cases = planned(vehicle, self.depth, self.seed).cases
        return [scenario for scenario in self._of_kinds(cases) if self._situated(scenario)]

    def _one(self, vehicle: Vehicle, name: str) -> Scenario:
        """A case of whatever depth. Those of ``quick`` are among those of ``full``."""
        known: list[str] = []
        for depth in _APART:
            for scenario in planned(vehicle, depth, self.seed).cases:
                if scenario.name == name:
                    return scenario
                known.append(scenario.name)
        near = nearest(name, known)
        text = f"unknown case '{name}'; expected a name as a check reports it{near}"
        raise BadInput.one(self.path, "--case", text)

    def _of_kinds(self, cases: list[Scenario]) -> list[Scenario]:
        if self.only is None:
            return cases
        kinds = {scenario.kinds for scenario in cases}
        for name in self.only:
            if name not in kinds:
                raise BadInput.one(self.path, "--only", unknown("fault", name, kinds))
        return [scenario for scenario in cases if scenario.kinds in self.only]

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
    return order.cases(load_vehicle(order.path, order.build))
