"""From a case that breaks a rule to the shortest scenario that still breaks it.

    found       cut =========  lights  mute ====  reset  wipers  drop ==        (28 s)
    deleted     cut =========  lights             reset
    shorter     cut ==== lights reset
    rounded     cut 300 ms, lights 400 ms, reset 500 ms

Faults and actions are deleted in blocks that halve, as delta debugging does (Zeller and Hildebrandt
2002); then what remains is made weaker, briefer, earlier and rounder. At the end each remaining
part is taken away once more: the rule must not break without it.

:class:`Shrinking` tries shorter scenarios within a number of runs and keeps those in which the same
rule of the same subject still breaks. Its steps do not depend on which rule it is.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

from linkloss.campaign.cases import spans
from linkloss.campaign.result import CaseResult
from linkloss.campaign.run import run_case
from linkloss.campaign.shorter import (
    LENGTH_STEP_NS,
    MS,
    ROUND_NS,
    all_rounded,
    content,
    duration_ns,
    edges,
    gaps,
    joint_values,
    ladder,
    pulled_in,
    rank,
    rounded_duration,
    rounded_start,
    rounded_up,
    same_order,
    starts,
    trimmed,
    weaker,
    with_fault,
    without_actions,
    without_faults,
    without_inputs,
    without_values,
)
from linkloss.judge import Outcome, Verdict
from linkloss.scenario import Scenario

Run = Callable[[Scenario], CaseResult]
Place = tuple[str, str]
"""A subject and one of its rules."""


class Enough(Exception):  # noqa: N818 - nothing went wrong
    """No runs are left. A run function may raise it too, if it can run no more."""


class NotBroken(ValueError):  # noqa: N818 - there is nothing to shrink
    """The given scenario does not break the rule."""


class Shrinking:
    """The shortest scenario so far that breaks a rule, and the runs spent on it.

    The same scenario never runs twice. ``reserve`` is the number of runs kept back for the proof
    that the shortest scenario needs all its parts: one for each, at most half of the budget.
    """

    def __init__(self, scenario: Scenario, place: Place, run: Run, budget: int) -> None:
        """Run the scenario as it is. Raises NotBroken if it does not break the rule."""
        self.place = place
        self.run = run
        self.budget = budget
        self.runs = 0
        self.ran_out = False
        self._known: dict[Hashable, CaseResult] = {}
        self.best = trimmed(scenario)
        self.first = rank(self.best)
        self._up_ns = rounded_up(spans(scenario.vehicle).up, 100 * MS)
        """Every node is up by then: what begins later is not moved into the power-up."""
        if self.outcome(self.best) is not Outcome.BROKEN:
            subject, rule = place
            raise NotBroken(f"{scenario.name} does not break the rule {rule} of {subject}")

    @property
    def verdict(self) -> Verdict:
        """The verdict on the rule in the shortest scenario."""
        found = self._verdict(self._known[content(self.best)])
        assert found is not None, "the shortest one breaks it"
        return found

    @property
    def shows(self) -> tuple[Place, ...]:
        """Every rule that the shortest scenario breaks."""
        verdicts = self._known[content(self.best)].verdicts
        return tuple(
            dict.fromkeys((verdict.subject, verdict.rule) for verdict in verdicts if verdict.broken)
        )

    def better(self, candidate: Scenario) -> bool:
        """Whether a candidate is shorter and breaks the rule too; if so, it is the new shortest.
        Raises Enough if it would have to run and only the runs for the proof are left.
        """
        candidate = trimmed(candidate)
        return rank(candidate) < rank(self.best) and self.instead(candidate)

    def instead(self, candidate: Scenario) -> bool:
        """The same for a candidate that is simpler in a way that its rank does not show."""
        candidate = trimmed(candidate)
        if self.outcome(candidate, keep=self.reserve) is not Outcome.BROKEN:
            return False
        self.best = candidate
        return True

    @property
    def reserve(self) -> int:
        """How many runs are kept back for the proof."""
        return min(len(self.best.faults) + len(self.best.actions), self.budget // 2)

    def outcome(self, candidate: Scenario, *, keep: int = 0) -> Outcome:
        """The outcome of the rule in a trimmed scenario. Raises Enough if a run would leave fewer
        than ``keep`` runs.
        """
        known = content(candidate)
        if known not in self._known:
            if self.runs >= self.budget - keep:
                self.ran_out = True
                raise Enough
            self.runs += 1
            try:
                self._known[known] = self.run(candidate)
            except Enough:
                self.ran_out = True
                raise
        verdict = self._verdict(self._known[known])
        return Outcome.NOT_EXERCISED if verdict is None else verdict.outcome

    def _verdict(self, result: CaseResult) -> Verdict | None:
        """The verdict on the rule, a broken one first; None if it was not exercised."""
        found = [
            verdict for verdict in result.verdicts if (verdict.subject, verdict.rule) == self.place
        ]
        return min(found, key=lambda verdict: not verdict.broken, default=None)

    # ---- making it shorter ----

    def reduce(self) -> None:
        """All steps; those that make the runs faster come first. Raises Enough when the runs are
        spent.
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
        """Keep the candidate with the lowest number that breaks the rule, found by bisection; the
        scenario as it is counts as the one after the last.
        """
        if places <= 0 or self.better(candidate(0)):
            return
        low, high = 0, places
        while high - low > 1:
            middle = (low + high) // 2
            if self.better(candidate(middle)):
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
        """Fewer inputs that matter: at the beginning, and in actions that set several."""
        self._delete(lambda scenario: len(scenario.inputs), without_inputs)
        self._delete(lambda scenario: len(joint_values(scenario)), without_values)
        if self.best.seed:
            self.instead(replace(self.best, seed=0))

    def _delete(
        self,
        count: Callable[[Scenario], int],
        without: Callable[[Scenario, range], Scenario],
    ) -> None:
        """Delete blocks, from everything down to single parts; the latest go first."""
        size = count(self.best)
        while size:
            end = count(self.best)
            while end > 0:
                self.better(without(self.best, range(max(0, end - size), end)))
                end -= size
            size //= 2

    def _from_the_beginning(self) -> None:
        """Drop an action whose inputs may have their values from the beginning."""
        for action in reversed(self.best.actions):
            rest = tuple(other for other in self.best.actions if other is not action)
            inputs = {**self.best.inputs, **action.values}
            self.better(replace(self.best, inputs=inputs, actions=rest))

    # ---- weaker, briefer, earlier ----

    def weaker(self) -> None:
        """A weaker fault in place of each."""
        for index in range(len(self.best.faults)):
            while any(
                self.instead(with_fault(self.best, index, replace(timed, fault=fault)))
                for timed in self.best.faults[index : index + 1]
                for fault in weaker(timed.fault, self.best.vehicle)
            ):
                pass

    def briefer(self) -> None:
        """Make each fault no longer than necessary. One that never clears stays like that unless
        half its time is enough.
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

        if clears or (steps and self.better(brief(len(steps) - 1))):
            self._lowest(len(steps), brief)

    def closer(self) -> None:
        """Let each event follow the one before as soon as possible."""
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
        """End the run as soon as the judge has seen enough."""
        before = self.best
        seen_ns = self.verdict.at_ns
        if seen_ns is None:
            seen_ns = max(starts(before), default=0)
        first_ns = rounded_up(seen_ns + 1, LENGTH_STEP_NS)
        places = (before.lasts_ns - first_ns + LENGTH_STEP_NS - 1) // LENGTH_STEP_NS
        self._lowest(
            places, lambda place: replace(before, lasts_ns=first_ns + place * LENGTH_STEP_NS)
        )

    # ---- rounder ----

    def rounder(self) -> None:
        """Round instants and durations so that they are easy to read, in their order."""
        for unit_ns in ROUND_NS:
            self._rounder([all_rounded(self.best, unit_ns)])
        for number in range(len(starts(self.best))):
            self._rounder(rounded_start(self.best, number))
        for index in range(len(self.best.faults)):
            self._rounder(rounded_duration(self.best, index))
        rounded = replace(self.best, lasts_ns=rounded_up(self.best.lasts_ns, LENGTH_STEP_NS))
        if rank(rounded) <= self.first:  # rounding makes what never clears a little longer
            self.instead(rounded)

    def _rounder(self, candidates: Iterable[Scenario]) -> None:
        before = self.best
        for candidate in candidates:
            if same_order(before, candidate) and self.better(candidate):
                return


BUDGET = 200
"""The most runs for one shrinking. Three faults out of twenty events take about 100."""


@dataclass(frozen=True, slots=True)
class Shrunk:
    """The shortest scenario that was found for a broken rule.

    ``verdict`` says how the rule breaks in it, ``shows`` names every (subject, rule) that breaks.
    ``needed`` has, for each of its faults and then for each of its actions, the outcome of the rule
    without it: kept or not exercised; None if no run was left to find out. ``runs`` of ``budget``
    runs were spent; ``ran_out`` says that more might have made it shorter.
    """

    scenario: Scenario
    verdict: Verdict
    shows: tuple[Place, ...]
    needed: tuple[Outcome | None, ...]
    runs: int
    budget: int
    ran_out: bool

    @property
    def minimal(self) -> bool:
        """Whether each fault and action was shown to be needed: the rule does not break without
        it.
        """
        return None not in self.needed


def shrink(
    scenario: Scenario,
    subject: str,
    rule: str,
    *,
    run: Run = run_case,
    budget: int = BUDGET,
) -> Shrunk:
    """Reduce a scenario in which a rule of a subject is broken to the shortest one that still
    breaks the same rule of the same subject.

    ``run`` runs and judges a scenario, at most ``budget`` times. The same scenario and budget give
    the same result. Raises NotBroken, a ValueError, if the given scenario does not break the rule,
    and ValueError if the budget is below 1.
    """
    if budget < 1:
        raise ValueError(f"got a budget of {budget} runs; expected at least 1")
    trial = Shrinking(scenario, (subject, rule), run, budget)
    while True:
        trial.ran_out = False
        with suppress(Enough):
            trial.reduce()
        needed = _proof(trial)
        if needed is not None:
            break
    return Shrunk(
        scenario=trial.best,
        verdict=trial.verdict,
        shows=trial.shows,
        needed=needed,
        runs=trial.runs,
        budget=budget,
        ran_out=trial.ran_out,
    )


def _proof(trial: Shrinking) -> tuple[Outcome | None, ...] | None:
    """The outcome of the rule without each of the parts; None if it still breaks without one of
    them, which is then removed.
    """
    found: list[Outcome | None] = []
    for candidate in _without_one(trial.best):
        try:
            outcome = trial.outcome(trimmed(candidate))
        except Enough:
            found.append(None)
            continue
        if outcome is Outcome.BROKEN:
            trial.best = trimmed(candidate)
            return None
        found.append(outcome)
    return tuple(found)


def _without_one(scenario: Scenario) -> Iterator[Scenario]:
    for index in range(len(scenario.faults)):
        yield without_faults(scenario, range(index, index + 1))
    for index in range(len(scenario.actions)):
        yield without_actions(scenario, range(index, index + 1))
