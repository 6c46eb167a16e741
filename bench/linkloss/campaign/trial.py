"""Trying shorter scenarios within a number of runs: does the same rule of a subject still break?"""

from __future__ import annotations

from collections.abc import Callable, Hashable

from linkloss.campaign.result import CaseResult
from linkloss.campaign.shorter import content, rank, trimmed
from linkloss.judge import Outcome, Verdict
from linkloss.scenario import Scenario

Run = Callable[[Scenario], CaseResult]
Place = tuple[str, str]
"""A subject and a rule of it."""


class Enough(Exception):  # noqa: N818 - nothing went wrong
    """There are no runs left. A run function may raise it too: it will run no more."""


class NotBroken(ValueError):  # noqa: N818 - there is nothing to shrink
    """The scenario as it was given does not break the rule."""


class Trial:
    """The shortest scenario so far that breaks a rule, and the runs that were spent on it.

    The same scenario is never run twice. ``reserve`` is how many parts the shortest one may lose
    for the proof that it needs them all: so many runs are kept back.
    """

    def __init__(self, scenario: Scenario, place: Place, run: Run, budget: int) -> None:
        """Run the scenario as it is. Raises NotBroken when it does not break the rule."""
        self.place = place
        self.run = run
        self.budget = budget
        self.runs = 0
        self.ran_out = False
        self._known: dict[Hashable, CaseResult] = {}
        self.best = trimmed(scenario)
        self.first = rank(self.best)
        if self.outcome(self.best) is not Outcome.BROKEN:
            subject, rule = place
            raise NotBroken(f"{scenario.name} does not break the rule {rule} of {subject}")

    @property
    def verdict(self) -> Verdict:
        """How the shortest one breaks the rule."""
        found = self._verdict(self._known[content(self.best)])
        assert found is not None, "the shortest one breaks it"
        return found

    @property
    def shows(self) -> tuple[Place, ...]:
        """Every rule that the shortest one breaks."""
        verdicts = self._known[content(self.best)].verdicts
        return tuple(
            dict.fromkeys((verdict.subject, verdict.rule) for verdict in verdicts if verdict.broken)
        )

    def better(self, candidate: Scenario) -> bool:
        """Whether a candidate is shorter and breaks the rule too; then it is the new shortest.
        Raises Enough, when it would have to be run and no run is left but those for the proof.
        """
        candidate = trimmed(candidate)
        return rank(candidate) < rank(self.best) and self.instead(candidate)

    def instead(self, candidate: Scenario) -> bool:
        """The same for a candidate that is simpler, but not in the figures of its rank."""
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
        """What becomes of the rule in a trimmed scenario. Raises Enough, rather than to leave
        less than ``keep`` runs.
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
        """The verdict on the rule, a broken one first; None when it was not put to the test."""
        found = [
            verdict for verdict in result.verdicts if (verdict.subject, verdict.rule) == self.place
        ]
        return min(found, key=lambda verdict: not verdict.broken, default=None)
