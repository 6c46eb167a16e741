"""The message plan of a vehicle, worked out, and held against runs of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from linkloss.campaign.result import EXIT_BROKEN, EXIT_KEPT, EXIT_NOT_EXERCISED
from linkloss.model.loading import Vehicle
from linkloss.scenario import Scenario, TimedAction
from linkloss.session import simulate
from linkloss.timing.analysis import (
    BIT_RATES,
    Analysis,
    Bound,
    Proposal,
    analyse,
    overlong,
    propose,
    what_if,
)
from linkloss.timing.observed import Observed, exceeded, observe
from linkloss.timing.plan import Plan, plan_of


@dataclass(frozen=True, slots=True)
class TimingReport:
    """A message plan at its own bit rate and at others, and what runs showed of it.

    ``observed`` is by message, empty without a run; ``runs`` names them. ``proposal`` is another
    order of priority, made only where deadlines may be missed.
    """

    vehicle: Vehicle
    plan: Plan
    analysis: Analysis
    others: tuple[Analysis, ...]
    proposal: Proposal | None
    runs: tuple[str, ...]
    observed: Mapping[str, Observed]

    @property
    def exceeded(self) -> tuple[Bound, ...]:
        """Bounds that a run contradicts."""
        return exceeded(self.analysis, self.observed) if self.observed else ()

    @property
    def overlong(self) -> tuple[Bound, ...]:
        """Requests that may wait for longer than the vehicle file declares."""
        return overlong(self.plan, self.analysis)

    @property
    def exit_code(self) -> int:
        """1 when something may be late or a bound was exceeded, 3 when a message has no bound (or
        there is none at all), else 0.
        """
        if self.analysis.late or self.exceeded or self.overlong:
            return EXIT_BROKEN
        if self.analysis.unbounded or not self.analysis.bounds:
            return EXIT_NOT_EXERCISED
        return EXIT_KEPT


def timing(
    vehicle: Vehicle,
    *,
    scenarios: Sequence[Scenario] = (),
    bit_rates: Sequence[int] = BIT_RATES,
) -> TimingReport:
    """Work out the message plan of a vehicle, and observe it in scenarios of this vehicle.

    :param bit_rates: further bit rates to look at, in bit/s.
    """
    plan = plan_of(vehicle)
    analysis = analyse(plan)
    recordings = (simulate(scenario) for scenario in scenarios)
    return TimingReport(
        vehicle=vehicle,
        plan=plan,
        analysis=analysis,
        others=what_if(plan, bit_rates),
        proposal=propose(plan) if analysis.late else None,
        runs=tuple(scenario.name for scenario in scenarios),
        observed=observe(plan, recordings) if scenarios else {},
    )


def plain_run(vehicle: Vehicle, situation: str) -> Scenario:
    """A situation of a vehicle as it is, without a fault. Raises KeyError for an unknown one."""
    table = vehicle.situations[situation]
    return Scenario(
        name=situation,
        title=table.about,
        vehicle=vehicle,
        situation=situation,
        inputs=table.inputs,
        actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
        faults=(),
        lasts_ns=table.lasts,
    )
