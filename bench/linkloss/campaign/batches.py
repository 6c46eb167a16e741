"""Where the cases of a check come from: all at once from a plan, or batch by batch from a hunt."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from linkloss.campaign.coverage import reached
from linkloss.campaign.hunt import Hunt
from linkloss.campaign.result import CaseResult
from linkloss.scenario import Scenario
from linkloss.wallclock import monotonic_seconds


class Batches(Protocol):
    """Cases that are run one batch after the other. ``total`` is how many there will be, or None
    if nobody can know; ``learns`` says whether results decide what comes next.
    """

    total: int | None
    learns: bool

    def next_batch(self) -> Sequence[Scenario]:
        """The next cases; none: that was all."""

    def learn(self, results: Sequence[CaseResult]) -> None:
        """Take in the results of the last batch."""


class Planned:
    """A list of cases as one batch."""

    learns = False

    def __init__(self, cases: Sequence[Scenario]) -> None:
        self.total: int | None = len(cases)
        self._left: Sequence[Scenario] = cases

    def next_batch(self) -> Sequence[Scenario]:
        """All cases, once."""
        batch, self._left = self._left, ()
        return batch

    def learn(self, results: Sequence[CaseResult]) -> None:
        """A plan does not change."""


class Hunted:
    """The batches of a hunt, up to a number of cases or for some time.

    What was learned counts from the next batch on, and time is looked at between batches only:
    the results of a shorter hunt are the first ones of a longer hunt.
    """

    learns = True

    def __init__(
        self,
        hunt: Hunt,
        most_cases: int | None,
        for_s: float | None,
        first: Sequence[Scenario] = (),
    ) -> None:
        """``for_s`` counts from the first batch on, in seconds of real time. ``first`` are run
        before anything is drawn.
        """
        self.total: int | None = most_cases
        self._hunt = hunt
        self._for_s = for_s
        self._begun_s: float | None = None
        self._drawn = 0
        self._first: Sequence[Scenario] = first
        self.clock: Callable[[], float] = monotonic_seconds

    def next_batch(self) -> Sequence[Scenario]:
        """Drawn anew, guided by what was learned."""
        now_s = self.clock()
        self._begun_s = now_s if self._begun_s is None else self._begun_s
        left = None if self.total is None else self.total - self._drawn
        if left == 0 or (self._for_s is not None and now_s - self._begun_s >= self._for_s):
            return ()
        batch, self._first = self._first or self._hunt.next_batch(), ()
        batch = batch[:left]
        self._drawn += len(batch)
        return batch

    def learn(self, results: Sequence[CaseResult]) -> None:
        """What drawn cases reached is compared with what the first ones did. Nothing is learned
        from a batch that was cut short: it was the last one.
        """
        found = [reached(case.points, case.verdicts) for case in results]
        if not self._hunt.drawn:
            for one in found:
                self._hunt.coverage.add(one)
        elif len(found) == self._hunt.drawn:
            self._hunt.learn(found)
