"""Sequences of faults and actions, drawn at random, and small changes to them.

    insert, drop, move, replace, stretch a fault; insert, change, drop an action

A new fault has, more often than not, to do with one that is there already.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from random import Random

from linkloss.campaign.cases import CaseMaker, instances
from linkloss.campaign.couples import LINKED, Kinship
from linkloss.campaign.moments import Moments
from linkloss.faults.base import Fault
from linkloss.model.expression import Value
from linkloss.scenario import Scenario, TimedAction, TimedFault

AKIN_SHARE = 0.7
"""How often a new fault is related to one that is there."""
MOST_ACTIONS = 3
"""No more actions than this beside the situation's own."""


@dataclass(frozen=True, slots=True)
class Tale:
    """A situation, faults in the order of their begin, and actions beside the situation's own."""

    situation: str
    faults: tuple[TimedFault, ...]
    actions: tuple[TimedAction, ...] = ()


class Mutator:
    """Draws tales of one vehicle. All chance comes from the generator that is handed in."""

    def __init__(
        self,
        maker: CaseMaker,
        most_faults: int,
        kinds: Collection[str] | None = None,
        situations: Collection[str] | None = None,
    ) -> None:
        """``kinds`` and ``situations`` are those to draw from, None: all. Raises ValueError where
        there is no fault of these kinds.
        """
        self.maker = maker
        self.vehicle = maker.vehicle
        self.most_faults = most_faults
        self.moments = Moments(maker)
        self.kinship = Kinship(maker.vehicle)
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
        """The values that each input may be given: a switch's positions, and what the situations
        set a sensor to.
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

    def scenario(self, tale: Tale) -> Scenario:
        """The case of a tale; its name tells all of it."""
        return self.maker.case(tale.situation, tale.faults, more=tale.actions)

    # ---- drawing ----

    def fresh(self, random: Random) -> Tale:
        """A tale from nothing, with up to the most faults."""
        tale = Tale(random.choice(self._situations), ())
        for _ in range(random.randint(1, self.most_faults)):
            tale = self._insert(tale, random)
        return self._act(tale, random) if random.random() < 0.5 else tale

    def mutated(self, tale: Tale, random: Random) -> Tale:
        """A tale that differs from another in one to three things."""
        for _ in range(random.randint(1, 3)):
            tale = random.choice(self._changes(tale))(tale, random)
        return tale

    def _changes(self, tale: Tale) -> list[Callable[[Tale, Random], Tale]]:
        """What can be done to a tale."""
        found: list[Callable[[Tale, Random], Tale]] = []
        if len(tale.faults) < self.most_faults:
            found.append(self._insert)
        if tale.faults:
            found += [self._move, self._replace, self._stretch]
        if len(tale.faults) > 1:
            found.append(self._drop)
        if len(tale.actions) < MOST_ACTIONS:
            found.append(self._act)
        if tale.actions:
            found += [self._change_action, self._drop_action]
        return found

    def _fault(self, tale: Tale, random: Random) -> Fault:
        """A fault for a tale: each kind is as likely as any other."""
        among = self._by_kind[random.choice(list(self._by_kind))]
        if tale.faults and random.random() < AKIN_SHARE:
            other = random.choice(tale.faults).fault
            akin = [fault for fault in among if self.kinship.relation(other, fault) >= LINKED]
            among = akin or among
        return random.choice(among)

    def _timed(self, fault: Fault, at_ns: int, random: Random) -> TimedFault:
        if not fault.lasting:
            return TimedFault(fault, at_ns, None)
        return TimedFault(fault, at_ns, at_ns + self.moments.duration_ns(random))

    # ---- faults ----

    def _insert(self, tale: Tale, random: Random) -> Tale:
        at_ns = self.moments.draw(tale.situation, tale.faults, random)
        return _with(tale, (*tale.faults, self._timed(self._fault(tale, random), at_ns, random)))

    def _drop(self, tale: Tale, random: Random) -> Tale:
        index = random.randrange(len(tale.faults))
        return _with(tale, (*tale.faults[:index], *tale.faults[index + 1 :]))

    def _exchanged(
        self, tale: Tale, random: Random, change: Callable[[TimedFault], TimedFault]
    ) -> Tale:
        index = random.randrange(len(tale.faults))
        faults = list(tale.faults)
        faults[index] = change(faults[index])
        return _with(tale, tuple(faults))

    def _move(self, tale: Tale, random: Random) -> Tale:
        at_ns = self.moments.draw(tale.situation, tale.faults, random)

        def moved(timed: TimedFault) -> TimedFault:
            lasts_ns = None if timed.until_ns is None else timed.until_ns - timed.at_ns
            return TimedFault(timed.fault, at_ns, None if lasts_ns is None else at_ns + lasts_ns)

        return self._exchanged(tale, random, moved)

    def _replace(self, tale: Tale, random: Random) -> Tale:
        fault = self._fault(tale, random)
        return self._exchanged(tale, random, lambda timed: self._timed(fault, timed.at_ns, random))

    def _stretch(self, tale: Tale, random: Random) -> Tale:
        return self._exchanged(
            tale, random, lambda timed: self._timed(timed.fault, timed.at_ns, random)
        )

    # ---- actions ----

    def _action(self, tale: Tale, random: Random) -> TimedAction:
        name = random.choice(list(self._positions))
        at_ns = self.moments.draw(tale.situation, tale.faults, random)
        return TimedAction(at_ns, {name: random.choice(self._positions[name])})

    def _act(self, tale: Tale, random: Random) -> Tale:
        if not self._positions:
            return tale
        return _acting(tale, (*tale.actions, self._action(tale, random)))

    def _change_action(self, tale: Tale, random: Random) -> Tale:
        index = random.randrange(len(tale.actions))
        actions = list(tale.actions)
        actions[index] = self._action(tale, random)
        return _acting(tale, tuple(actions))

    def _drop_action(self, tale: Tale, random: Random) -> Tale:
        index = random.randrange(len(tale.actions))
        return _acting(tale, (*tale.actions[:index], *tale.actions[index + 1 :]))


def _with(tale: Tale, faults: tuple[TimedFault, ...]) -> Tale:
    """A tale with other faults. Of a lasting fault that would be there twice at one time only the
    first stays: it is one fault.
    """
    kept: list[TimedFault] = []
    for timed in sorted(faults, key=lambda timed: timed.at_ns):
        before = (known for known in kept if known.fault == timed.fault)
        if not any(timed.at_ns <= (known.until_ns or known.at_ns) for known in before):
            kept.append(timed)
    return replace(tale, faults=tuple(kept))


def _acting(tale: Tale, actions: tuple[TimedAction, ...]) -> Tale:
    return replace(tale, actions=tuple(sorted(actions, key=lambda action: action.at_ns)))
