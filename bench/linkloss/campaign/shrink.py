"""From a case that breaks a rule to the shortest scenario that still breaks it.

    found       cut =========  lights  mute ====  reset  wipers  drop ==        (28 s)
    deleted     cut =========  lights             reset
    shorter     cut ==== lights reset
    rounded     cut 300 ms, lights 400 ms, reset 500 ms

Faults and actions are deleted in blocks that halve, as delta debugging does (Zeller and
Hildebrandt 2002); then what remains is made weaker, briefer, earlier and rounder. At the end each
remaining part is taken away once more: the rule must hold without it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import count

from linkloss.campaign.candidates import without_actions, without_faults
from linkloss.campaign.reduce import Reducer
from linkloss.campaign.result import CaseResult
from linkloss.campaign.run import run_case
from linkloss.campaign.shorter import trimmed
from linkloss.campaign.trial import Enough, Place, Run, Trial
from linkloss.judge import Outcome, Verdict
from linkloss.scenario import Scenario

BUDGET = 200
"""Runs that one shrinking may take. Three faults out of twenty events take about 100."""


@dataclass(frozen=True, slots=True)
class Shrunk:
    """The shortest scenario that was found for a broken rule.

    ``verdict`` says how the rule breaks in it, ``shows`` names every (subject, rule) that does.
    ``needed`` holds for each of its faults, then for each of its actions, what becomes of the
    rule without it: kept or not exercised; None where no run was left to find out. ``runs`` of
    ``budget`` runs were spent; ``ran_out`` says that more might have made it shorter.
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
        """Whether it was shown of each fault and action that the rule does not break without it."""
        return None not in self.needed


def shrink(
    scenario: Scenario,
    subject: str,
    rule: str,
    *,
    run: Run = run_case,
    budget: int = BUDGET,
    progress: Callable[[int], None] | None = None,
) -> Shrunk:
    """Reduce a scenario in which a rule of a subject is broken to the shortest one that still
    breaks the same rule of the same subject.

    ``run`` runs and judges a scenario, at most ``budget`` times; ``progress(runs)`` is called
    before each run. Same scenario and budget, same result. Raises NotBroken, a ValueError, when the
    rule is not broken to begin with, and ValueError when the budget is below 1.
    """
    if budget < 1:
        raise ValueError(f"got a budget of {budget} runs; expected at least 1")
    trial = Trial(scenario, (subject, rule), _counted(run, progress), budget)
    while True:
        trial.ran_out = False
        with suppress(Enough):
            Reducer(trial).reduce()
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


def _counted(run: Run, progress: Callable[[int], None] | None) -> Run:
    if progress is None:
        return run
    numbers = count(1)

    def told(scenario: Scenario) -> CaseResult:
        progress(next(numbers))
        return run(scenario)

    return told


def _proof(trial: Trial) -> tuple[Outcome | None, ...] | None:
    """What becomes of the rule without each of the parts; None when it still breaks without one,
    which is then gone.
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
