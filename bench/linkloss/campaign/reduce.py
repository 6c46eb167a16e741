"""The steps by which a scenario becomes shorter. Each tries candidates and keeps what breaks the
rule; none cares which rule it is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from linkloss.campaign.candidates import (
    ROUND_NS,
    all_rounded,
    gaps,
    joint_values,
    rounded_duration,
    rounded_start,
    with_fault,
    without_actions,
    without_faults,
    without_inputs,
    without_values,
)
from linkloss.campaign.cases import spans
from linkloss.campaign.shorter import (
    LENGTH_STEP_NS,
    MS,
    duration_ns,
    edges,
    ladder,
    pulled_in,
    rank,
    rounded_up,
    same_order,
    starts,
)
from linkloss.campaign.trial import Trial
from linkloss.campaign.weaken import weaker
from linkloss.scenario import Scenario


class Reducer:
    """Makes the best scenario of a trial shorter, until its runs are spent."""

    def __init__(self, trial: Trial) -> None:
        self.trial = trial
        vehicle = trial.best.vehicle
        boots = [node.boot for node in vehicle.nodes.values()]
        self._up_ns = rounded_up(max(boots) + 2 * spans(vehicle).period, 100 * MS)
        """Every node is up by then: what begins later is not moved into the power-up."""

    @property
    def best(self) -> Scenario:
        """The shortest so far."""
        return self.trial.best

    def reduce(self) -> None:
        """All steps, first those after which a run takes less time. Raises Enough when the runs
        are spent.
        """
        self.length()
        self.fewer_events()
        self.weaker()
        self.closer()
        self.fewer_values()
        self.briefer()
        self.length()
        self.rounder()
        self.length()

    def _lowest(self, places: int, candidate: Callable[[int], Scenario]) -> None:
        """Keep the candidate of the lowest place that breaks the rule, found by bisection; the
        scenario as it is stands behind the last place.
        """
        if places <= 0 or self.trial.better(candidate(0)):
            return
        low, high = 0, places
        while high - low > 1:
            middle = (low + high) // 2
            if self.trial.better(candidate(middle)):
                high = middle
            else:
                low = middle

    # ---- fewer things ----

    def fewer_events(self) -> None:
        """Fewer faults, fewer actions."""
        self._delete(lambda scenario: len(scenario.faults), without_faults)
        self._delete(lambda scenario: len(scenario.actions), without_actions)
        self._from_the_beginning()

    def fewer_values(self) -> None:
        """Fewer inputs that matter, at the beginning and in what an action sets together."""
        self._delete(lambda scenario: len(scenario.inputs), without_inputs)
        self._delete(lambda scenario: len(joint_values(scenario)), without_values)
        if self.best.seed:
            self.trial.instead(replace(self.best, seed=0))

    def _delete(
        self,
        count: Callable[[Scenario], int],
        without: Callable[[Scenario, range], Scenario],
    ) -> None:
        """Delete blocks, from all down to single ones; the latest go first."""
        size = count(self.best)
        while size:
            end = count(self.best)
            while end > 0:
                self.trial.better(without(self.best, range(max(0, end - size), end)))
                end -= size
            size //= 2

    def _from_the_beginning(self) -> None:
        """An input that may as well have its value from the beginning needs no action."""
        for action in reversed(self.best.actions):
            rest = tuple(other for other in self.best.actions if other is not action)
            inputs = {**self.best.inputs, **action.values}
            self.trial.better(replace(self.best, inputs=inputs, actions=rest))

    # ---- weaker, briefer, earlier ----

    def weaker(self) -> None:
        """A weaker fault in place of each."""
        for index in range(len(self.best.faults)):
            while any(
                self.trial.instead(with_fault(self.best, index, replace(timed, fault=fault)))
                for timed in self.best.faults[index : index + 1]
                for fault in weaker(timed.fault, self.best.vehicle)
            ):
                pass

    def briefer(self) -> None:
        """Each fault no longer than it takes. One that never clears stays like that unless half
        its time is enough.
        """
        for index in range(len(self.best.faults)):
            self._briefer(self.best, index)

    def _briefer(self, before: Scenario, index: int) -> None:
        timed = before.faults[index]
        lasts_ns = duration_ns(timed, before.lasts_ns)
        clears = timed.until_ns is not None
        steps = ladder(lasts_ns if clears else lasts_ns // 2)

        def brief(place: int) -> Scenario:
            until_ns = timed.at_ns + steps[place]
            return with_fault(before, index, replace(timed, until_ns=until_ns))

        if clears or (steps and self.trial.better(brief(len(steps) - 1))):
            self._lowest(len(steps), brief)

    def closer(self) -> None:
        """What happens follows as soon as may be on what happened before."""
        for number in range(len(edges(self.best))):
            self._closer(self.best, number)

    def _closer(self, before: Scenario, number: int) -> None:
        times = edges(before)
        if number >= len(times):
            return  # two instants have become one
        at_ns = times[number]
        if number:
            nearer = [times[number - 1] + gap for gap in gaps(at_ns - times[number - 1])]
        else:
            nearer = [self._up_ns + gap for gap in (0, *gaps(at_ns - self._up_ns))]

        def close(place: int) -> Scenario:
            return pulled_in(before, at_ns, at_ns - nearer[place])

        self._lowest(len(nearer) if nearer and at_ns > nearer[0] else 0, close)

    def length(self) -> None:
        """The run ends as soon as the judge has seen enough."""
        before = self.best
        seen_ns = self.trial.verdict.at_ns
        if seen_ns is None:
            seen_ns = max(starts(before), default=0)
        first_ns = rounded_up(seen_ns + 1, LENGTH_STEP_NS)
        places = (before.lasts_ns - first_ns + LENGTH_STEP_NS - 1) // LENGTH_STEP_NS
        self._lowest(
            places, lambda place: replace(before, lasts_ns=first_ns + place * LENGTH_STEP_NS)
        )

    # ---- rounder ----

    def rounder(self) -> None:
        """Instants and durations that are easy to read, in the order that they have."""
        for unit_ns in ROUND_NS:
            self._rounder([all_rounded(self.best, unit_ns)])
        for number in range(len(starts(self.best))):
            self._rounder(rounded_start(self.best, number))
        for index in range(len(self.best.faults)):
            self._rounder(rounded_duration(self.best, index))
        rounded = replace(self.best, lasts_ns=rounded_up(self.best.lasts_ns, LENGTH_STEP_NS))
        if rank(rounded) <= self.trial.first:  # what never clears becomes a little longer by it
            self.trial.instead(rounded)

    def _rounder(self, candidates: Iterable[Scenario]) -> None:
        before = self.best
        for candidate in candidates:
            if same_order(before, candidate) and self.trial.better(candidate):
                return
