"""A seeded driver: strings the situations of a vehicle together to a drive of any length.

The situation that follows is one whose beginning is near to how things stand: nobody indicates
at speed before the engine runs. What still differs is changed one input after another, as a
driver would. The same vehicle, seed and length make the same drive.
"""

from __future__ import annotations

from collections.abc import Mapping
from random import Random

from linkloss.model.expression import Value
from linkloss.model.loading import Vehicle
from linkloss.model.problem import BadInput
from linkloss.model.vehicle import SituationTable
from linkloss.scenario import Scenario, TimedAction

MS = 1_000_000
NEAREST = 4
"""How many of the situations that begin nearest are drawn from."""
PAUSE_MS = (400, 9_000)
"""How long a driver rests between two situations, in ms."""
BETWEEN_MS = (120, 700)
"""How long between two changes on the way from one situation to the next, in ms."""


def drive_scenario(vehicle: Vehicle, lasts_ns: int, seed: int) -> Scenario:
    """A drive of this length without a fault. Raises BadInput if the vehicle has no situation."""
    if not vehicle.situations:
        raise BadInput.one(vehicle.path, "situations", "there is none; a drive is made of them")
    driver = _Driver(vehicle, seed)
    while driver.now_ns < lasts_ns:
        driver.go_on()
    actions = [action for action in driver.actions if action.at_ns < lasts_ns]
    return Scenario(
        name=f"drive-{seed}",
        title=f"A drive made of the situations of {vehicle.title}",
        vehicle=vehicle,
        situation="",
        inputs={},
        actions=tuple(actions),
        faults=(),
        lasts_ns=lasts_ns,
        seed=seed,
    )


class _Driver:
    def __init__(self, vehicle: Vehicle, seed: int) -> None:
        self.vehicle = vehicle
        self.random = Random(f"drive/{seed}")  # noqa: S311 - repeatable on purpose
        self.rest: dict[str, Value] = {name: table.rest for name, table in vehicle.inputs.items()}
        self.values = dict(self.rest)
        self.now_ns = self._span(PAUSE_MS)
        self.actions: list[TimedAction] = []
        self.driven: dict[str, int] = dict.fromkeys(vehicle.situations, 0)

    def go_on(self) -> None:
        """One more situation: on the way to it, through it, and a pause behind it."""
        name = self._next()
        self.driven[name] += 1
        situation = self.vehicle.situations[name]
        for key, value in self._wanted(situation).items():
            if self.values[key] != value:
                self._set({key: value})
                self.now_ns += self._span(BETWEEN_MS)
        start_ns = self.now_ns
        for action in situation.actions:
            self.now_ns = start_ns + action.at
            self._set(action.set)
        self.now_ns = start_ns + situation.lasts + self._span(PAUSE_MS)

    def _next(self) -> str:
        """One of those that begin nearest; of equals those that were driven least."""
        order = sorted(
            self.vehicle.situations,
            key=lambda name: (
                self._distance(self.vehicle.situations[name]) + self.driven[name],
                self.random.random(),
            ),
        )
        return self.random.choice(order[:NEAREST])

    def _distance(self, situation: SituationTable) -> int:
        """How many inputs stand otherwise than at the beginning of a situation."""
        wanted = self._wanted(situation)
        return sum(not self._near(key, wanted[key]) for key in wanted)

    def _near(self, name: str, value: Value) -> bool:
        """A sensor is near at the same fifth of its range."""
        now = self.values[name]
        limits = self.vehicle.inputs[name].range
        if limits is None or isinstance(now, str) or isinstance(value, str):
            return now == value
        return abs(now - value) * 5 < limits[1] - limits[0]

    def _wanted(self, situation: SituationTable) -> Mapping[str, Value]:
        return {**self.rest, **situation.inputs}

    def _set(self, values: Mapping[str, Value]) -> None:
        self.actions.append(TimedAction(self.now_ns, dict(values)))
        self.values.update(values)

    def _span(self, limits_ms: tuple[int, int]) -> int:
        return self.random.randint(*limits_ms) * MS
