"""The hunt: sequences of faults and actions drawn at random, guided by what earlier ones reached.

A case that reaches something new, or leaves less time than any before it, is kept and changed a
little to make further cases, as fuzzers do. What was learned counts only from the next batch on, so
the cases depend on the seed and the number of the batch, not on how many workers there are or which
of them is faster:

    hunt = Hunt(vehicle, seed)
    while wanted:
        cases = hunt.next_batch()
        hunt.learn([reached(vehicle, recording, verdicts) for each of the cases, in their order])

A case's name says all of it; :func:`linkloss.campaign.selection.case_named` builds it again.

:class:`Moments` knows the instants at which it is interesting to break something, from a
situation's run without a fault. Programs are most vulnerable while something changes: a frame
begins, a request or a load changes, a node boots. An instant drawn here lies at such a change, one
bit time beside it, or somewhere in the message period after it.

:class:`Mutator` draws sequences of faults and actions at random, and makes small changes to them:

    insert, drop, move, replace, stretch a fault; insert, change, drop an action

A new fault is, more often than not, related to one that is already there.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cache
from random import Random
from typing import TypeVar

from linkloss.campaign.cases import MS, CaseMaker, instances
from linkloss.campaign.pairs import LINKED, Relations
from linkloss.campaign.reach import Coverage, News, Reached
from linkloss.campaign.rotation import Undisturbed
from linkloss.faults.base import Fault
from linkloss.faults.frame_faults import requests
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.tables import SituationTable

S = 1_000_000_000
LEAST_NS = MS
"""The duration of the shortest fault."""


class Moments:
    """The interesting instants of a vehicle."""

    def __init__(self, maker: CaseMaker) -> None:
        self.maker = maker
        self.vehicle = maker.vehicle
        self.bit_ns = round(S / min(bus.bit_rate for bus in self.vehicle.buses))
        self._undisturbed = Undisturbed(maker)
        self.of = cache(self._found)

    def _found(self, situation: str) -> tuple[list[int], list[int]]:
        """The changes in a situation, and the starts of the frames that decide something, each in
        order of time, in ns.
        """
        deciding = [self.vehicle.messages[name] for name in requests(self.vehicle)]
        identifiers = {(message.identifier, message.extended) for message in deciding}
        frames, changes = self._undisturbed.seen(situation)
        return changes, [
            record.start_ns
            for record in frames
            if (record.frame.identifier, record.frame.extended) in identifiers
        ]

    def latest_ns(self, table: SituationTable) -> int:
        """The latest instant at which a fault begins, in ns."""
        return table.lasts + self.maker.spans.outage

    def draw(self, situation: str, faults: Sequence[TimedFault], random: Random) -> int:
        """An instant for a fault or an action, in ns, that suits the faults already there."""
        changes, frames = self.of(situation)
        ways = [changes, frames, self._windows(faults)] if faults else [changes, frames]
        at_ns = random.choice(random.choice([way for way in ways if way] or [[0]]))
        shift_ns = random.choice((0, -self.bit_ns, self.bit_ns, self._phase_ns(random)))
        latest_ns = self.latest_ns(self.vehicle.situations[situation])
        return min(max(0, at_ns + shift_ns), latest_ns)

    def _phase_ns(self, random: Random) -> int:
        return random.randrange(max(1, self.maker.spans.period // MS)) * MS

    def _windows(self, faults: Sequence[TimedFault]) -> list[int]:
        """Instants that other faults make interesting: when they begin and clear, when nodes have
        booted after them, when links go stale, when deadlines pass.
        """
        took = self.maker.spans
        steps = {0, took.period, took.brief, took.outage // 2, *self._delays()}
        ends = {timed.at_ns for timed in faults}
        ends |= {timed.until_ns for timed in faults if timed.until_ns is not None}
        return sorted(end_ns + step_ns for end_ns in ends for step_ns in steps)

    def _delays(self) -> set[int]:
        """The declared times of nodes and links."""
        found = {node.usual_boot_ns for node in self.vehicle.nodes.values()}
        found |= {node.watchdog for node in self.vehicle.nodes.values() if node.watchdog}
        return found | {
            load.stale_after for load in self.vehicle.loads.values() if load.stale_after
        }

    def duration_ns(self, random: Random) -> int:
        """A duration for a fault, in ns: a declared time, or a little more or less."""
        took = self.maker.spans
        lengths = [took.period, took.brief, took.outage, *sorted(self._delays())]
        shift_ns = random.choice((0, -MS, MS, self._phase_ns(random)))
        return max(LEAST_NS, random.choice(lengths) + shift_ns)


AKIN_SHARE = 0.7
"""How often a new fault is related to one that is already there."""
MOST_ACTIONS = 3
"""The most actions in addition to the situation's own."""


_Part = TypeVar("_Part")


@dataclass(frozen=True, slots=True)
class DrawnCase:
    """A situation, faults in order of their start, and actions in addition to the situation's."""

    situation: str
    faults: tuple[TimedFault, ...]
    actions: tuple[TimedAction, ...] = ()


class Mutator:
    """Draws cases of one vehicle. All chance comes from the generator that is passed in."""

    def __init__(
        self,
        maker: CaseMaker,
        most_faults: int,
        kinds: Collection[str] | None = None,
        situations: Collection[str] | None = None,
    ) -> None:
        """``kinds`` and ``situations`` are those to draw from, None: all. Raises ValueError if
        there is no fault of these kinds.
        """
        self.maker = maker
        self.vehicle = maker.vehicle
        self.most_faults = most_faults
        self.moments = Moments(maker)
        self.relations = Relations(maker.vehicle)
        self._by_kind: dict[str, list[Fault]] = {}
        for fault in instances(maker.vehicle):
            if kinds is None or fault.kind in kinds:
                self._by_kind.setdefault(fault.kind, []).append(fault)
        if not self._by_kind:
            raise ValueError("a hunt needs a fault to draw")
        wanted = maker.vehicle.situations if situations is None else situations
        self._situations = tuple(name for name in maker.vehicle.situations if name in wanted)
        self._positions = self._known_positions()

    def _known_positions(self) -> dict[str, list[Value]]:
        """The values that each input may take: a switch's positions, and the values that the
        situations set a sensor to.
        """
        known: dict[str, dict[Value, None]] = {
            name: dict.fromkeys(table.positions or ())
            for name, table in self.vehicle.inputs.items()
        }
        for situation in self.vehicle.situations.values():
            for values in (situation.inputs, *(action.set for action in situation.actions)):
                for name, value in values.items():
                    known[name][value] = None
        return {name: list(values) for name, values in known.items() if len(values) > 1}

    def scenario(self, drawn_case: DrawnCase) -> Scenario:
        """The case that a drawn case stands for; its name says all of it."""
        return self.maker.case(drawn_case.situation, drawn_case.faults, more=drawn_case.actions)

    # ---- drawing ----

    def fresh(self, random: Random) -> DrawnCase:
        """A new drawn case, with up to the largest number of faults."""
        drawn_case = DrawnCase(random.choice(self._situations), ())
        for _ in range(random.randint(1, self.most_faults)):
            drawn_case = self._insert(drawn_case, random)
        return self._act(drawn_case, random) if random.random() < 0.5 else drawn_case

    def mutated(self, drawn_case: DrawnCase, random: Random) -> DrawnCase:
        """A drawn case that differs from another in one to three changes."""
        for _ in range(random.randint(1, 3)):
            drawn_case = random.choice(self._changes(drawn_case))(drawn_case, random)
        return drawn_case

    def _changes(self, drawn_case: DrawnCase) -> list[Callable[[DrawnCase, Random], DrawnCase]]:
        """The changes that are possible for a drawn case."""
        found: list[Callable[[DrawnCase, Random], DrawnCase]] = []
        if len(drawn_case.faults) < self.most_faults:
            found.append(self._insert)
        if drawn_case.faults:
            found += [self._move, self._replace, self._stretch]
        if len(drawn_case.faults) > 1:
            found.append(self._drop)
        if len(drawn_case.actions) < MOST_ACTIONS:
            found.append(self._act)
        if drawn_case.actions:
            found += [self._change_action, self._drop_action]
        return found

    def _fault(self, drawn_case: DrawnCase, random: Random) -> Fault:
        """A fault for a drawn case; all kinds are equally likely."""
        among = self._by_kind[random.choice(list(self._by_kind))]
        if drawn_case.faults and random.random() < AKIN_SHARE:
            other = random.choice(drawn_case.faults).fault
            akin = [fault for fault in among if self.relations.relation(other, fault) >= LINKED]
            among = akin or among
        return random.choice(among)

    def _timed(self, fault: Fault, at_ns: int, random: Random) -> TimedFault:
        return TimedFault.lasting(
            fault, at_ns, self.moments.duration_ns(random) if fault.lasting else 0
        )

    # ---- faults ----

    def _insert(self, drawn_case: DrawnCase, random: Random) -> DrawnCase:
        at_ns = self._instant(drawn_case, random)
        timed = self._timed(self._fault(drawn_case, random), at_ns, random)
        return _with(drawn_case, (*drawn_case.faults, timed))

    def _drop(self, drawn_case: DrawnCase, random: Random) -> DrawnCase:
        index = random.randrange(len(drawn_case.faults))
        return _with(drawn_case, _put(drawn_case.faults, index))

    def _move(self, drawn_case: DrawnCase, random: Random) -> DrawnCase:
        at_ns = self._instant(drawn_case, random)
        index = random.randrange(len(drawn_case.faults))
        timed = drawn_case.faults[index]
        lasts_ns = (timed.until_ns or timed.at_ns) - timed.at_ns
        moved = TimedFault.lasting(timed.fault, at_ns, lasts_ns)
        return _with(drawn_case, _put(drawn_case.faults, index, moved))

    def _replace(self, drawn_case: DrawnCase, random: Random) -> DrawnCase:
        return self._renewed(drawn_case, random, self._fault(drawn_case, random))

    def _stretch(self, drawn_case: DrawnCase, random: Random) -> DrawnCase:
        return self._renewed(drawn_case, random, None)

    def _renewed(self, drawn_case: DrawnCase, random: Random, fault: Fault | None) -> DrawnCase:
        """One fault replaced by another, or (None) kept, with another duration."""
        index = random.randrange(len(drawn_case.faults))
        timed = drawn_case.faults[index]
        renewed = self._timed(fault or timed.fault, timed.at_ns, random)
        return _with(drawn_case, _put(drawn_case.faults, index, renewed))

    # ---- actions ----

    def _instant(self, drawn_case: DrawnCase, random: Random) -> int:
        return self.moments.draw(drawn_case.situation, drawn_case.faults, random)

    def _action(self, drawn_case: DrawnCase, random: Random) -> TimedAction:
        name = random.choice(list(self._positions))
        at_ns = self._instant(drawn_case, random)
        return TimedAction(at_ns, {name: random.choice(self._positions[name])})

    def _act(self, drawn_case: DrawnCase, random: Random) -> DrawnCase:
        if not self._positions:
            return drawn_case
        return _acting(drawn_case, (*drawn_case.actions, self._action(drawn_case, random)))

    def _change_action(self, drawn_case: DrawnCase, random: Random) -> DrawnCase:
        index = random.randrange(len(drawn_case.actions))
        changed = self._action(drawn_case, random)
        return _acting(drawn_case, _put(drawn_case.actions, index, changed))

    def _drop_action(self, drawn_case: DrawnCase, random: Random) -> DrawnCase:
        index = random.randrange(len(drawn_case.actions))
        return _acting(drawn_case, _put(drawn_case.actions, index))


def _put(parts: tuple[_Part, ...], index: int, *new: _Part) -> tuple[_Part, ...]:
    """Parts with other parts in place of one."""
    return (*parts[:index], *new, *parts[index + 1 :])


def _with(drawn_case: DrawnCase, faults: tuple[TimedFault, ...]) -> DrawnCase:
    """A drawn case with other faults. If the same lasting fault would be there twice at one time,
    only the first one stays: together they are one fault.
    """
    kept: list[TimedFault] = []
    for timed in sorted(faults, key=lambda timed: timed.at_ns):
        before = (known for known in kept if known.fault == timed.fault)
        if not any(timed.at_ns <= (known.until_ns or known.at_ns) for known in before):
            kept.append(timed)
    return replace(drawn_case, faults=tuple(kept))


def _acting(drawn_case: DrawnCase, actions: tuple[TimedAction, ...]) -> DrawnCase:
    return replace(drawn_case, actions=tuple(sorted(actions, key=lambda action: action.at_ns)))


BATCH = 64
"""How many cases are drawn at a time."""
MOST_FAULTS = 4
"""The most faults in a case."""
FRESH_SHARE = 0.25
"""The share of a batch that is drawn from nothing, once there are cases to change."""
TRIES = 20
"""How often a case is drawn again if it has been there before."""
MOST_KEPT = 2_000
"""The most drawn cases that are kept; the oldest go first."""


@dataclass(slots=True)
class _Kept:
    """A drawn case worth changing: what it brought, and how often it has been changed since."""

    drawn_case: DrawnCase
    worth: float
    used: int = 0

    @property
    def weight(self) -> float:
        """How likely it is to be changed next."""
        return self.worth / (1 + self.used)


class Hunt:
    """An endless search for one vehicle and seed. ``coverage`` is what it has reached so far."""

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
        self._drawn: list[DrawnCase] | None = None

    @property
    def drawn(self) -> int:
        """How many cases the last batch has; 0 once its results have been learned from."""
        return len(self._drawn or ())

    def next_batch(self) -> list[Scenario]:
        """The next cases, none of which has been there before. There are fewer than ``batch`` only
        when hardly any new ones are left. Raises RuntimeError if ``learn`` was not called for the
        last batch.
        """
        if self._drawn is not None:
            raise RuntimeError("learn from the results of the last batch before the next one")
        random = Random(f"{self.seed}/hunt/{self.number}")  # noqa: S311 - repeatable on purpose
        self.number += 1
        found = [self._new_case(random) for _ in range(self.batch)]
        drawn = sorted((entry for entry in found if entry is not None), key=self._place)
        self._drawn = [drawn_case for drawn_case, _ in drawn]
        return [case for _, case in drawn]

    def learn(self, results: Sequence[Reached]) -> list[News]:
        """Take in what the last batch's cases reached, in their order; returns what was new about
        each. Raises ValueError if the number of results is not that of the cases.
        """
        drawn_cases = self._drawn or []
        if len(results) != len(drawn_cases):
            raise ValueError(f"got {len(results)} results for a batch of {len(drawn_cases)} cases")
        self._drawn = None
        told = [self.coverage.add(found) for found in results]
        for drawn_case, news in zip(drawn_cases, told, strict=True):
            if news.any:
                self._kept.append(_Kept(drawn_case, len(news.points) + len(news.shrunk) / 4))
        del self._kept[:-MOST_KEPT]
        return told

    def _new_case(self, random: Random) -> tuple[DrawnCase, Scenario] | None:
        for _ in range(TRIES):
            drawn_case = self._draw(random)
            case = self._mutator.scenario(drawn_case)
            if drawn_case.faults and case.name not in self._names:
                self._names.add(case.name)
                return drawn_case, case
        return None

    def _place(self, drawn: tuple[DrawnCase, Scenario]) -> tuple[int, bool, int]:
        """A sort key by which cases with a common beginning stand together."""
        drawn_case, case = drawn
        return self._order[drawn_case.situation], bool(drawn_case.actions), case.parts_ns

    def _draw(self, random: Random) -> DrawnCase:
        if not self._kept or random.random() < FRESH_SHARE:
            return self._mutator.fresh(random)
        weights = [kept.weight for kept in self._kept]
        (kept,) = random.choices(self._kept, weights)
        kept.used += 1
        return self._mutator.mutated(kept.drawn_case, random)
