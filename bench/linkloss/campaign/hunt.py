"""The hunt: sequences of faults and actions drawn at random, guided by what earlier ones reached.

A case that reaches something new, or leaves less time than any before it, is kept and changed a
little to make further cases, as fuzzers do. What was learned counts only from the next batch on,
so the cases depend on the seed and on the number of the batch, and not on how many workers there
are or which of them is faster:

    hunt = Hunt(vehicle, seed)
    while wanted:
        cases = hunt.next_batch()
        hunt.learn([reached(vehicle, recording, verdicts) for each of the cases, in their order])

A case's name tells all of it; :func:`linkloss.campaign.naming.case_named` makes it again.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from random import Random

from linkloss.campaign.cases import CaseMaker
from linkloss.campaign.coverage import Coverage, News, Reached
from linkloss.campaign.mutate import Mutator, Tale
from linkloss.model.loading import Vehicle
from linkloss.scenario import Scenario

BATCH = 64
"""Cases that are drawn at a time."""
MOST_FAULTS = 4
"""No case has more faults than this."""
FRESH_SHARE = 0.25
"""How many of a batch's cases are drawn from nothing, once there is something to change."""
TRIES = 20
"""So often a case is drawn anew that has been there before."""
MOST_KEPT = 2_000
"""No more tales are kept than this; the oldest go first."""


@dataclass(slots=True)
class _Kept:
    """A tale worth changing: what it brought, and how often it was changed since."""

    tale: Tale
    worth: float
    used: int = 0

    @property
    def weight(self) -> float:
        """How likely it is to be changed next."""
        return self.worth / (1 + self.used)


class Hunt:
    """A search without an end for one vehicle and seed. ``coverage`` is what it reached so far."""

    def __init__(
        self,
        vehicle: Vehicle,
        seed: int = 0,
        *,
        batch: int = BATCH,
        most_faults: int = MOST_FAULTS,
        kinds: Collection[str] | None = None,
        situations: Collection[str] | None = None,
    ) -> None:
        """``batch`` cases are drawn at a time, with up to ``most_faults`` faults each, of these
        ``kinds`` and in these ``situations`` (None: all). Raises ValueError when there is nothing
        to draw from.
        """
        if batch < 1 or most_faults < 1:
            raise ValueError("a hunt needs a batch of at least 1 case with at least 1 fault")
        if not vehicle.situations:
            raise ValueError("a hunt needs a vehicle with a situation")
        self.vehicle = vehicle
        self.seed = seed
        self.batch = batch
        self.number = 0
        self.coverage = Coverage()
        self._mutator = Mutator(CaseMaker(vehicle, seed), most_faults, kinds, situations)
        self._order = {name: number for number, name in enumerate(vehicle.situations)}
        self._kept: list[_Kept] = []
        self._names: set[str] = set()
        self._drawn: list[Tale] | None = None

    @property
    def drawn(self) -> int:
        """How many cases the last batch has, until something is learned from it."""
        return len(self._drawn or ())

    def next_batch(self) -> list[Scenario]:
        """The next cases, none of which was there before. Fewer than ``batch`` only when there
        are hardly any new ones. Raises RuntimeError when the last batch was not learned from.
        """
        if self._drawn is not None:
            raise RuntimeError("learn from the results of the last batch before the next one")
        random = Random(f"{self.seed}/hunt/{self.number}")  # noqa: S311 - repeatable on purpose
        self.number += 1
        found = [self._new_case(random) for _ in range(self.batch)]
        drawn = sorted((entry for entry in found if entry is not None), key=self._place)
        self._drawn = [tale for tale, _ in drawn]
        return [case for _, case in drawn]

    def learn(self, results: Sequence[Reached]) -> list[News]:
        """Take in what the last batch's cases reached, in their order; says what was new about
        each. Raises ValueError when there are more or fewer than the batch had.
        """
        tales = self._drawn or []
        if len(results) != len(tales):
            raise ValueError(f"got {len(results)} results for a batch of {len(tales)} cases")
        self._drawn = None
        told = [self.coverage.add(found) for found in results]
        for tale, news in zip(tales, told, strict=True):
            if news.any:
                self._kept.append(_Kept(tale, len(news.points) + len(news.shrunk) / 4))
        del self._kept[:-MOST_KEPT]
        return told

    def _new_case(self, random: Random) -> tuple[Tale, Scenario] | None:
        for _ in range(TRIES):
            tale = self._draw(random)
            case = self._mutator.scenario(tale)
            if tale.faults and case.name not in self._names:
                self._names.add(case.name)
                return tale, case
        return None

    def _place(self, drawn: tuple[Tale, Scenario]) -> tuple[int, bool, int]:
        """Cases that share a beginning stand together."""
        tale, case = drawn
        return self._order[tale.situation], bool(tale.actions), case.parts_ns

    def _draw(self, random: Random) -> Tale:
        if not self._kept or random.random() < FRESH_SHARE:
            return self._mutator.fresh(random)
        weights = [kept.weight for kept in self._kept]
        (kept,) = random.choices(self._kept, weights)
        kept.used += 1
        return self._mutator.mutated(kept.tale, random)
