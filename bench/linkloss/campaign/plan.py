"""Which cases a check runs: every situation, without a fault and with every fault that applies,
at instants around what the driver does.

    driver       ____A_________            an action, such as lights off
    across     [-----------------]         until every fail-safe deadline is over
    brief      [--]                        shorter than any stale time
    at once    |   |                       momentary faults, before and after it

Mostly the action falls into the fault, so a load that only holds its last state shows whether it
follows again afterwards. These rotate from case to case (:mod:`linkloss.campaign.rotation`): on
which side of the action a fault begins, in which part of the message period, at which value of its
counter, and what the nodes' clocks show. A fault is tried around actions that it can spoil, and for
a short time around one action of every other situation. In the last case of each fault everything
that it touched is asked for again.

:func:`soaks` adds long cases: everything that the situations do, in seeded order, for minutes. They
find what fails only after many messages, many changes or a long time.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from itertools import count
from random import Random
from typing import NamedTuple

from linkloss.campaign.cases import (
    MS,
    CaseMaker,
    Draft,
    in_order,
    instances,
    instants,
    thinned,
    wiring_instances,
)
from linkloss.campaign.placed import bit_cases, electrical_drafts
from linkloss.campaign.rotation import (
    AFTER,
    BEFORE,
    SIDES,
    Key,
    Rotation,
    Undisturbed,
    key_of,
    unrotated,
)
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue, make_fault
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle

S = 1_000 * MS
LEAST_NS = 300 * S
LEAST_MESSAGES = 300
"""How many of its slowest message with a counter a long case has: 8 bits roll over in it."""
GAPS_MS = (200, 2_400)
"""The time from one action to the next, in ms."""
SOAK, SOAK_WITH_FAULTS = "soak", "soak_with_faults"
"""The names of the long cases, after the situation whose inputs they begin with."""


def soaks(maker: CaseMaker) -> Iterator[Scenario]:
    """One long case without faults and one with; none for a vehicle without situations."""
    if maker.vehicle.situations:
        yield soak(maker, SOAK)
        if instances(maker.vehicle):
            yield soak(maker, SOAK_WITH_FAULTS)


def soak(maker: CaseMaker, name: str) -> Scenario:
    """The long case of a vehicle with one of these two names."""
    situation = next(iter(maker.vehicle.situations))
    random = Random(f"{maker.seed}/{name}")  # noqa: S311 - repeatable on purpose
    lasts_ns = length_ns(maker)
    actions = tuple(_actions(maker, random, lasts_ns))
    faults = tuple(_faults(maker, random, lasts_ns)) if name == SOAK_WITH_FAULTS else ()
    case = maker.case(situation, ())
    return replace(
        case,
        name=f"{situation}/{name}",
        title=f"everything that situations do, in random order{', with faults' if faults else ''}",
        actions=actions,
        faults=faults,
        lasts_ns=lasts_ns,
        counted_as=SOAK,
    )


def length_ns(maker: CaseMaker) -> int:
    """How long such a case lasts, in ns."""
    counted = [
        message.period_ns
        for message in maker.vehicle.messages.values()
        if message.counter is not None
        and message.period_ns is not None
        and any(sender in maker.vehicle.nodes for sender in message.senders)
    ]
    return max(LEAST_NS, (LEAST_MESSAGES + 1) * max(counted, default=0)) + maker.spans.recovery


def _actions(maker: CaseMaker, random: Random, lasts_ns: int) -> Iterator[TimedAction]:
    """All that situations begin with and do, in one random order after another."""
    every = [table.inputs for table in maker.vehicle.situations.values() if table.inputs]
    every += [action.set for table in maker.vehicle.situations.values() for action in table.actions]
    at_ns = maker.spans.recovery
    while every:
        random.shuffle(every)
        for values in every:
            if at_ns > lasts_ns - maker.spans.recovery:
                return
            yield TimedAction(at_ns, values)
            at_ns += random.randint(*GAPS_MS) * MS


def _faults(maker: CaseMaker, random: Random, lasts_ns: int) -> Iterator[TimedFault]:
    """All faults that are combined with others, one at a time: some brief, some long, each with
    time to recover from it.
    """
    took, every = maker.spans, instances(maker.vehicle)
    at_ns = took.recovery
    while True:
        random.shuffle(every)
        for fault in every:
            lasts = random.choice((took.brief, took.outage)) if fault.lasting else 0
            if at_ns + lasts > lasts_ns - took.recovery:
                return
            yield TimedFault.lasting(fault, at_ns, lasts)
            at_ns += lasts + took.recovery + random.randrange(took.recovery // MS) * MS


MOST_ACTIONS = 2
"""The most actions of one situation around which a fault that is not of the cable is tried."""

WIRING_SITUATIONS = 2
"""In how many situations each fault of the wiring is tried."""

WIRING_LEFT_OUT = "Faults of the wiring are left to the depths 'quick' and 'full'."
CLOCKS_LEFT_OUT = "Clocks that roll over are left to the depths 'quick' and 'full'."
"""What the other depths say about these two."""


def plan(vehicle: Vehicle, seed: int = 0, *, logged: bool = False) -> list[Scenario]:
    """All cases, situation by situation, each in order of the start of its first fault, so that
    cases with a common beginning stand together. ``logged``: actions and frames come from a log,
    and the cases add no actions of their own.
    """
    return plan_full(vehicle, seed, logged=logged).cases


class FullPlan(NamedTuple):
    """The cases, and sentences about rotating values that they do not reach, see
    :func:`linkloss.campaign.rotation.unrotated`.
    """

    cases: list[Scenario]
    unrotated: list[str]


def plan_full(vehicle: Vehicle, seed: int = 0, *, logged: bool = False) -> FullPlan:
    """The cases of :func:`plan`, and what they do not reach."""
    planner = _Planner(vehicle, seed, logged=logged)
    cases = in_order(vehicle, planner.cases())
    return FullPlan(cases, unrotated(planner.undisturbed, cases))


class _Planner:
    def __init__(self, vehicle: Vehicle, seed: int, *, logged: bool) -> None:
        self.vehicle = vehicle
        self.maker = CaseMaker(vehicle, seed)
        self.spans = self.maker.spans
        self.relevance = self.maker.relevance
        self.undisturbed = Undisturbed(self.maker, known=not logged)
        self.rotation = Rotation(self.undisturbed, self.spans.up)
        self._matters = cache(self._found_instants)
        self._tellers = cache(self._found_tellers)
        self._tells = cache(self._found_to_tell)
        self.logged = logged

    def cases(self) -> Iterator[Scenario]:
        if not self.vehicle.situations:
            return
        for name in self.vehicle.situations:
            yield self.maker.case(name, ())
        drafts = list(dict.fromkeys(self._drafts()))
        last = {draft.instances: number for number, draft in enumerate(drafts)}
        moving = self._moving_faults()
        for number, draft in enumerate(drafts):
            yield self._made(draft, moving, again=last[draft.instances] == number)
        if not self.logged:
            yield from bit_cases(self.maker, self.undisturbed)
            yield from soaks(self.maker)

    def _made(self, draft: Draft, moving: frozenset[Fault], *, again: bool) -> Scenario:
        """A case with its rotating values. In the last case of a fault, everything is asked for
        again, and the local inputs move during the fault.
        """
        timed = draft.faults[0]
        again = again and not self.logged
        return self.maker.case(
            draft.situation,
            draft.faults,
            again=again,
            moved=again and timed.fault in moving,
            clocks=self.rotation.clocks(timed.fault, timed.at_ns, timed.until_ns, self.spans.brief),
            drifts=self.rotation.drifts(timed.fault, timed.at_ns),
        )

    def _moving_faults(self) -> frozenset[Fault]:
        """The faults during which local inputs move: those of the wiring and of inputs, and
        momentary ones.
        """
        others = instances(self.vehicle)
        found = (fault for fault in others if fault.group == "input" or not fault.lasting)
        return frozenset([*wiring_instances(self.vehicle), *found])

    def _drafts(self) -> Iterator[Draft]:
        for form in catalogue().values():
            if form.meets_others():
                yield from self._of_kind(list(form.every(self.vehicle)))
        yield from self._unplugged_resets()
        yield from self._stuck_notices()
        yield from self._wiring()
        yield from self._electrical()
        yield from self._returns()

    def _of_kind(self, faults: Sequence[Fault]) -> Iterator[Draft]:
        """The cases of the instances of one kind, and as many more as it takes to reach every
        rotating value. Instances that differ only in a detail share the situations.
        """
        alike: dict[tuple[Key, tuple[str, ...]], list[Fault]] = {}
        for fault in faults:
            same = key_of(fault), self.relevance.touched(fault)
            alike.setdefault(same, []).append(fault)
        for group in alike.values():
            for number, fault in enumerate(group):
                yield from self._single(fault, self._share(fault, number, len(group)))
        yield from self._further(faults)

    def _share(self, fault: Fault, number: int, of: int) -> list[str]:
        """The situations of fault number ``number`` of ``of`` faults that are alike: every
        ``of``-th, and at least one that it can spoil.
        """
        every = list(self.vehicle.situations)
        spoilt = [name for name in every if self._matters(fault, name)] or every
        own = every[number::of]
        return own if set(own) & set(spoilt) else [*own, spoilt[number % len(spoilt)]]

    def _further(self, tried: Iterable[Fault]) -> Iterator[Draft]:
        """Cases with the faults of each key in turn, until no rotating value is missing, or none of
        the missing ones can be reached. A fault of frames lasts until it must be noticed.
        """
        by_key: dict[Key, list[Fault]] = {}
        for fault in tried:
            by_key.setdefault(key_of(fault), []).append(fault)
        for key, faults in by_key.items():
            if not key.subject:
                continue
            spots = {fault: self._spots(fault) for fault in faults}
            most = {f: max(self._tells(f, *spot) for spot in found) for f, found in spots.items()}
            top = max(most.values())
            rounds = [{f: min(nodes, can) for f, can in most.items()} for nodes in (top, 1, 0)]
            for place, least in enumerate(rounds):
                if least not in rounds[:place]:
                    yield from self._filled(faults, spots, least)

    def _filled(
        self,
        faults: Sequence[Fault],
        spots: Mapping[Fault, Sequence[tuple[str, int]]],
        least: Mapping[Fault, int],
    ) -> Iterator[Draft]:
        """Such cases; for each fault only where at least ``least`` nodes show that a message is
        old. A fault that is listed more than once gets more turns.
        """
        turn, idle = count(), 0
        while idle < sum(map(len, spots.values())):
            number = next(turn)
            fault = faults[number % len(faults)]
            name, at_ns = spots[fault][number // len(faults) % len(spots[fault])]

            def suits(start_ns: int, fault: Fault = fault, name: str = name) -> bool:
                return self._tells(fault, name, start_ns) >= least[fault]

            start_ns = self.rotation.filling(fault, name, at_ns, suits)
            idle = 0 if start_ns is not None else idle + 1
            if start_ns is None:
                continue
            lasts_ns = self.spans.brief
            if fault.group == "frames":
                lasts_ns = max(0, at_ns - start_ns) + self.spans.outage
            yield Draft.of(name, fault, start_ns, lasts_ns)

    def _found_to_tell(self, fault: Fault, situation: str, at_ns: int) -> int:
        """How many nodes have a load that is then asked for another state than it takes without
        its message, which shows whether they act on an old one. 0 unless it is a fault of frames.
        """
        tellers = self._tellers(fault)
        if not tellers:
            return 0
        asked = self.maker.asks.asked_at(situation, at_ns)
        subject, gap_ns = key_of(fault).subject, getattr(fault, "gap", None) or 0
        return len(
            {
                load.node
                for name, on_stale, load in tellers
                if on_stale != (load.asked_state if asked[name] == "on" else "off")
                and not (
                    fault.repeats
                    and self.undisturbed.overtaken(subject, situation, at_ns, load, gap_ns)
                )
            }
        )

    def _found_tellers(self, fault: Fault) -> list[tuple[str, str, LoadTable]]:
        """The loads that a fault of frames touches and that show what their node takes for lost,
        each with its state then.
        """
        if fault.group != "frames":
            return []
        loads = [(name, self.vehicle.loads[name]) for name in self.relevance.touched(fault)]
        return [
            (name, str(load.on_stale), load)
            for name, load in loads
            if load.request is not None and load.on_stale != "hold"
        ]

    def _spots(self, fault: Fault) -> list[tuple[str, int]]:
        """(situation, instant) of the actions that a fault can spoil; of all actions if none."""
        spots = [
            (name, at) for name in self.vehicle.situations for at in self._matters(fault, name)
        ]
        tables = self.vehicle.situations.items()
        return spots or [(name, at) for name, table in tables for at in instants(table)]

    def _single(self, fault: Fault, situations: Iterable[str]) -> Iterator[Draft]:
        for name in situations:
            spoilt = self._spoilt(fault, name)
            for index, at_ns in enumerate(spoilt):
                last = index == len(spoilt) - 1
                yield from self._stories(fault, name, at_ns, first=index == 0, last=last)
            if not spoilt:
                for at_ns in self._one(fault, name):
                    start_ns = self.rotation.place(fault, name, at_ns)
                    yield Draft.of(name, fault, start_ns, 2 * self.spans.brief)

    def _found_instants(self, fault: Fault, situation: str) -> list[int]:
        """The instants of the actions that a fault can spoil; for a lasting fault only one of those
        close together, since it meets them all at once.
        """
        found = self.maker.spoilt(fault, situation)
        return thinned(found) if fault.lasting else found

    def _spoilt(self, fault: Fault, situation: str) -> list[int]:
        """The instants of the actions around which a fault is tried. A fault of the cable and a
        momentary one are tried at all that they can spoil; any other at no more than two in each
        situation, in turn.
        """
        found = self._matters(fault, situation)
        if fault.group == "cable" or not fault.lasting or len(found) <= MOST_ACTIONS:
            return found
        start = self.rotation.turn(fault)
        return sorted(found[(start + step) % len(found)] for step in range(MOST_ACTIONS))

    def _one(self, fault: Fault, situation: str) -> list[int]:
        """One action of a situation that the fault cannot spoil, in turn; for a fault of frames
        only in every other situation. For a fault of an input there is none, unless the input moves
        nowhere: then it is tried in the first situation.
        """
        first, *_ = self.vehicle.situations
        moves = any(self._matters(fault, name) for name in self.vehicle.situations)
        if fault.group == "input" and (moves or situation != first):
            return []
        turn = self.rotation.turn(fault)
        every = instants(self.vehicle.situations[situation])
        if fault.group == "frames":
            return [] if turn % 2 else [every[turn // 2 % len(every)]]
        return [every[turn % len(every)]]

    def _stories(
        self, fault: Fault, situation: str, at_ns: int, *, first: bool, last: bool
    ) -> Iterator[Draft]:
        """When a fault begins and ends around one action. Around the first action it begins before
        it. A brief fault comes at the last action: by then nothing about the power-up excuses a
        load any more.
        """
        took = self.spans
        if not fault.lasting:
            for sides in (BEFORE, AFTER):
                start_ns = self.rotation.place(fault, situation, at_ns, sides)
                yield Draft.of(situation, fault, start_ns, took.brief)
            return
        start_ns = self.rotation.place(fault, situation, at_ns, BEFORE if first else SIDES)
        yield Draft.of(situation, fault, start_ns, max(0, at_ns - start_ns) + took.outage)
        if last:
            start_ns = self.rotation.place(fault, situation, at_ns)
            yield Draft.of(situation, fault, start_ns, took.brief)

    def _wiring(self) -> Iterator[Draft]:
        """Faults of the wiring, which take longer to simulate: each in a few situations, in turn.
        They have turns of their own, so that they do not change those of the others.
        """
        situations = list(self.vehicle.situations.items())
        numbers: dict[str, Iterator[int]] = defaultdict(count)
        every = wiring_instances(self.vehicle)
        for fault in every:
            for _ in range(min(WIRING_SITUATIONS, len(situations))):
                turn, place = divmod(next(numbers[fault.kind]), len(situations))
                name, situation = situations[place]
                at_ns = instants(situation)[turn % len(instants(situation))]
                start_ns = self.rotation.place(fault, name, at_ns)
                lasts_ns = max(0, at_ns - start_ns) + self.spans.outage
                yield Draft.of(name, fault, start_ns, lasts_ns)
        yield from self._further(every)

    def _electrical(self) -> Iterator[Draft]:
        """Faults of the supply and behind the outputs; only those of a node rotate."""
        drafts = list(electrical_drafts(self.maker, self.rotation))
        yield from drafts
        tried = (draft.faults[0].fault for draft in drafts)
        yield from self._further(fault for fault in tried if not fault.loads(self.vehicle))

    def _unplugged_resets(self) -> Iterator[Draft]:
        """A connector that carries supply and CAN is pulled and plugged in again: the node
        restarts, and receives nothing.
        """
        for node in dict.fromkeys(load.node for load in self.vehicle.loads.values()):
            unplug = make_fault("unplug", {"node": node}, self.vehicle)
            reset = make_fault("reset", {"node": node}, self.vehicle)
            for name in self.vehicle.situations:
                for at_ns in self._matters(unplug, name):
                    start_ns = max(0, at_ns - self.spans.period // 2)
                    faults = (
                        TimedFault(unplug, start_ns, at_ns + self.spans.outage),
                        TimedFault(reset, start_ns, None),
                    )
                    yield Draft(name, faults)

    def _stuck_notices(self) -> Iterator[Draft]:
        """An input that stays active for longer than is plausible, which must be noticed."""
        for notice in self.vehicle.notices.values():
            if notice.stuck is None or notice.longest is None or not self.vehicle.situations:
                continue
            table = self.vehicle.inputs[notice.stuck]
            active = table.positions[1] if table.positions else (table.range or (0.0, 1.0))[1]
            fault = make_fault("stuck", {"input": notice.stuck, "value": active}, self.vehicle)
            name, situation = next(iter(self.vehicle.situations.items()))
            start_ns = instants(situation)[0]
            yield Draft.of(name, fault, start_ns, notice.longest + notice.within + 500 * MS)

    def _returns(self) -> Iterator[Draft]:
        """Each node is sent bus-off repeatedly, for long enough to tell one that returns at once
        from one that waits. No load shows that a heartbeat stays away.
        """
        situations = list(self.vehicle.situations.items())
        tried: dict[Fault, None] = {}
        for turn, table in enumerate(self.vehicle.nodes.values()):
            if table.status is None or not situations:
                continue
            name, situation = situations[turn % len(situations)]
            fault = make_fault("corrupt", {"message": table.status}, self.vehicle)
            lasts_ns = max(self.spans.outage, 2 * table.rejoin)
            yield Draft.of(name, fault, instants(situation)[0], lasts_ns)
            tried[fault] = None
        yield from self._further(tried)
