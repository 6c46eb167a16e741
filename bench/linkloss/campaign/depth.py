"""How thoroughly a vehicle is checked: which cases a depth runs, and out of how many.

    quick   a selection of the full check, for use between changes
    full    every fault alone, in every situation, around every action that it can spoil
    pairs   two faults, overlapping and one after the other
    hunt    sequences of faults and actions at random, guided by what earlier ones reached

Each depth stands alone: ``pairs`` does not repeat the cases of ``full``. A hunt has no plan: its
cases are drawn as it goes on.

The quick selection is a few hundred of the planned cases, chosen by what they can show, without
running anything and without chance: every situation without a fault, every fault where it spoils
most, then whichever case adds most that no chosen case shows yet. What a case can show is worked
out from the vehicle file alone. A case shows something about a load if the load's request or local
input changes during a fault that can spoil it: "tail_left switched off during a cut". Such facts
are *traits*; of several cases with equal traits a small selection needs only one.

:func:`left_unjudged` lists what a check cannot judge of a vehicle: what has no rule, and which
faults it cannot have.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from heapq import heapify, heappop, heappush
from typing import Literal, NamedTuple

from linkloss.campaign.asked import Asked, holds
from linkloss.campaign.cases import AGAIN, CaseMaker, in_order
from linkloss.campaign.hunt import MOST_ACTIONS, MOST_FAULTS
from linkloss.campaign.pairs import plan_pairs
from linkloss.campaign.placed import RETURN_PROFILE
from linkloss.campaign.plan import (
    CLOCKS_LEFT_OUT,
    WIRING_LEFT_OUT,
    WIRING_SITUATIONS,
    plan,
    plan_full,
)
from linkloss.campaign.reach import Space, measured
from linkloss.campaign.rotation import key_of, roll_overs, rolled_over
from linkloss.faults.catalogue import catalogue
from linkloss.judge import Unjudged, unjudged
from linkloss.problem import nearest
from linkloss.scenario import Scenario, TimedFault
from linkloss.vehicle.loading import Vehicle

Trait = tuple[str, ...]
RESTARTS = ("reset", "slow_boot")
"""Kinds of faults in which a node starts anew."""
RULES = {"load": 1, "held": 1, "notice": 2, "never": 2, "input": 1}
"""Traits that stand for a rule that a case exercises; how many of their entries name the rule."""


class Traits:
    """The traits of a vehicle's cases."""

    def __init__(self, maker: CaseMaker) -> None:
        self.maker = maker
        self.vehicle: Vehicle = maker.vehicle
        self.asks: Asked = maker.asks
        self._spoils = maker.relevance.spoils

    def of(self, case: Scenario) -> tuple[Trait, ...]:
        """The traits of a case, in a fixed order."""
        return tuple(dict.fromkeys(self._all(case)))

    def _all(self, case: Scenario) -> Iterator[Trait]:
        """What the case can show, and what this kind of fault shows at its message or node."""
        if case.counted_as:
            yield ("fault", case.name)
            return
        if not case.faults:
            yield ("situation", case.situation)
            return
        key = key_of(case.faults[0].fault)
        for trait in self._of_faults(case):
            yield trait
            if trait[0] in RULES:
                yield ("rule", case.kinds, key.subject, *trait[: RULES[trait[0]]])
        if AGAIN in case.name.split("/"):
            yield ("rule", case.kinds, key.subject, AGAIN)

    def _of_faults(self, case: Scenario) -> Iterator[Trait]:
        yield ("fault", "+".join(timed.fault.label() for timed in case.faults))
        timed = case.faults[0]
        length = self._length(timed)
        yield ("length", case.kinds, length)
        yield from self._of_changes(case, timed, length)
        before = self.asks.asked_at(case.situation, timed.at_ns)
        after = self.asks.asked_at(case.situation, timed.until_ns or timed.at_ns)
        for load, asked in before.items():
            if self._spoils(timed.fault, load):
                effect = self._effect(case, load)
                # No lost message can take away what an input at the load's own node asks for.
                asker = "local" if self._local_at(case.situation, load, timed.at_ns) else asked
                yield ("held", load, asker, after[load], effect, length)
                if case.kinds == "drop" and length == "outage" and self._shows_loss(load, asker):
                    yield ("lost", load)
                if self._shows_reset(case, load, asked):
                    yield ("reset", load)
        for name, notice in self.vehicle.notices.items():
            if notice.lost is not None and notice.lost in timed.fault.nodes():
                yield ("notice", name, case.kinds, length)
        for at_ns, load in self.asks.course(case.situation).forbidden:
            if self._during(timed, at_ns) and self._spoils(timed.fault, load):
                # What a wrong message then says depends on the instant at which it became wrong.
                yield ("never", load, case.name if timed.fault.content else case.kinds)
        for at_ns, name in self._moves(case.situation):
            if getattr(timed.fault, "input", None) == name and self._during(timed, at_ns):
                yield ("input", name, case.kinds)

    def _of_changes(self, case: Scenario, timed: TimedFault, length: str) -> Iterator[Trait]:
        """What changes for the loads during the fault."""
        for at_ns, load, asked in self.asks.course(case.situation).changes:
            if not self._during(timed, at_ns):
                continue
            if self._spoils(timed.fault, load):
                yield ("load", load, asked, case.kinds)
                yield ("load", load, asked, timed.fault.group, length)

    def _effect(self, case: Scenario, load: str) -> str:
        """A name for what the faults of a case do; faults with one name are alike. Faults of a node
        keep their kind, split by whether they hit the load's node. Of all others, those that change
        content are alike, and so are those of one group that do not.
        """
        fault = case.faults[0].fault
        if len(case.faults) > 1 or fault.group == "node":
            here = self.vehicle.loads[load].node in fault.nodes()
            return f"{case.kinds} {'here' if here else 'elsewhere'}"
        return "content" if fault.content else fault.group

    def _local_at(self, situation: str, load: str, at_ns: int) -> bool:
        """Whether a load's own inputs ask for it just before an instant."""
        local = self.vehicle.loads[load].local
        steps = self.asks.course(situation).inputs
        *_, values = (values for since_ns, values in steps if since_ns < at_ns)
        return local is not None and holds(local, values)

    def _shows_loss(self, load: str, asker: str) -> bool:
        """Whether a load has to leave its state when its link is lost, or holds it on purpose."""
        table = self.vehicle.loads[load]
        state = table.asked_state if asker == "on" else "off"
        return asker != "local" and str(table.on_stale) != state

    def _shows_reset(self, case: Scenario, load: str, asked: str) -> bool:
        """Whether a load's node restarts while the load is asked for another state than its reset
        calls for.
        """
        table = self.vehicle.loads[load]
        restarts = any(
            timed.fault.kind in RESTARTS and table.node in timed.fault.nodes()
            for timed in case.faults
        )
        state = table.asked_state if asked == "on" else "off"
        return restarts and table.request is not None and str(table.on_reset or "off") != state

    def _length(self, timed: TimedFault) -> str:
        if timed.until_ns is None:
            return "once"
        lasts_ns = timed.until_ns - timed.at_ns
        return "brief" if lasts_ns <= self.maker.spans.brief else "outage"

    def _during(self, timed: TimedFault, at_ns: int) -> bool:
        """Whether a change falls into a fault, or into the recovery from a momentary one."""
        took = self.maker.spans
        until_ns = timed.until_ns or timed.at_ns + 2 * took.period + took.brief
        return timed.at_ns - took.period <= at_ns <= until_ns

    def _moves(self, situation: str) -> Iterator[tuple[int, str]]:
        for action in self.vehicle.situations[situation].actions:
            for name in action.set:
                yield action.at, name


WEIGHTS = {"never": 8, "held": 3}
"""Traits that decide which rules are exercised count more than the others."""
NEEDED = ("situation", "rule", "fault", "lost", "reset")
"""Each of these is among the chosen cases, however many cases that takes."""
MOST = 450
"""The most cases, unless there are more situations and faults."""


def _selected(cases: Sequence[Scenario], shown: Sequence[Sequence[Trait]]) -> tuple[list[int], int]:
    """The chosen cases by number, and how many traits none of them shows."""
    showing: dict[Trait, list[int]] = {}
    for index, traits in enumerate(shown):
        for trait in traits:
            showing.setdefault(trait, []).append(index)
    lacking = dict.fromkeys(showing)
    chosen: list[int] = []
    for trait in (trait for kind in NEEDED for trait in showing if trait[0] == kind):
        if trait in lacking:
            chosen.append(_richest(showing[trait], cases, shown, lacking))
            _strike(shown[chosen[-1]], lacking)
    queue = [(-_worth(traits), cases[index].lasts_ns, index) for index, traits in enumerate(shown)]
    heapify(queue)
    while queue and len(chosen) < MOST and lacking:
        value, lasts_ns, index = heappop(queue)
        news = _worth(trait for trait in shown[index] if trait in lacking)
        if news and -value > news:  # it was worth more when it was last weighed
            heappush(queue, (-news, lasts_ns, index))
        elif news:
            chosen.append(index)
            _strike(shown[index], lacking)
    return sorted(chosen), len(lacking)


def _worth(traits: Iterable[Trait]) -> int:
    return sum(WEIGHTS.get(trait[0], 1) for trait in traits)


def _richest(
    among: Sequence[int],
    cases: Sequence[Scenario],
    shown: Sequence[Sequence[Trait]],
    lacking: Collection[Trait],
) -> int:
    """The case that shows most that no case has shown yet; the shortest if several do."""
    return min(
        among,
        key=lambda index: (
            -sum(trait in lacking for trait in shown[index]),
            cases[index].lasts_ns,
        ),
    )


def _strike(traits: Sequence[Trait], lacking: dict[Trait, None]) -> None:
    for trait in traits:
        lacking.pop(trait, None)


class _QuickPlan(NamedTuple):
    """The cases, and sentences about what was left out."""

    cases: list[Scenario]
    left_out: list[str]


def _quick_plan(vehicle: Vehicle, planned: Sequence[Scenario]) -> _QuickPlan:
    """The quick cases among all cases of a full plan, in their order."""
    every = [case for case in planned if not is_electrical(case)]
    maker = CaseMaker(vehicle)
    traits = Traits(maker)
    chosen, missed = _selected(every, [traits.of(case) for case in every])
    apart = _one_of_each(maker.asks, (case for case in planned if is_electrical(case)))
    left_out = [
        f"Left out: {len(planned) - len(chosen) - len(apart):,} cases.",
        "They differ from the chosen ones only in situation, instant, length or other loads.",
    ]
    if missed:
        left_out.append(f"{missed:,} combinations of load, change and fault are not among them.")
    cases = in_order(vehicle, [*(every[index] for index in chosen), *apart])
    return _QuickPlan(cases, left_out)


def is_electrical(case: Scenario) -> bool:
    """Whether a case has an electrical fault."""
    return any(timed.fault.electrical for timed in case.faults)


def _one_of_each(asks: Asked, cases: Iterable[Scenario]) -> list[Scenario]:
    """A selection of electrical cases: one for each kind of fault at each node, where most of the
    node's other loads are on; all in which a load must be on again soon; and one for each other
    load whose failure must be shown. Each of them has a rule of its own.
    """
    vehicle = asks.vehicle
    found: dict[tuple[str, ...], list[Scenario]] = {}
    cases = list(cases)
    for case in cases:
        fault = case.faults[0].fault
        load = getattr(fault, "load", None)
        where = fault.label() if load is None else vehicle.loads[load].node
        soon = case.situation if getattr(fault, "profile", None) == RETURN_PROFILE else ""
        found.setdefault((fault.kind, where, soon), []).append(case)

    def company(case: Scenario) -> int:
        timed = case.faults[0]
        load = getattr(timed.fault, "load", None)
        if load is None:
            return 0
        asked = asks.asked_at(case.situation, timed.at_ns)
        node = vehicle.loads[load].node
        return sum(
            vehicle.loads[name].node == node and name != load and state == "on"
            for name, state in asked.items()
        )

    chosen = [max(alike, key=company) for alike in found.values()]
    seen = {_failed_load(case) for case in chosen}
    for name in dict.fromkeys(load for n in vehicle.notices.values() for load in n.failed):
        if name not in seen:
            chosen += [case for case in cases if _failed_load(case) == name][:1]
    names = {case.name for case in chosen}
    return [case for case in cases if case.name in names]


def _failed_load(case: Scenario) -> str:
    """The load whose failure must certainly be shown in a case. Only a broken lead counts: a blown
    fuse may be another load's failure, and in a short a switch may act instead.
    """
    fault = case.faults[0].fault
    return getattr(fault, "load", "") if fault.kind == "load_open" else ""


SOME = 3
"""How many of the missing values are named."""
Depth = Literal["quick", "full", "pairs", "hunt"]


class Planned(NamedTuple):
    """The cases of a depth in their order, and the space that they were chosen from."""

    cases: list[Scenario]
    space: Space


def planned(vehicle: Vehicle, depth: Depth, seed: int = 0, *, logged: bool = False) -> Planned:
    """The cases that a depth runs, the same for the same vehicle and seed. ``logged``: the actions
    come from a log (depths quick and full).
    """
    adopted = _adopted.get((vehicle, depth, seed))
    return _planned(vehicle, depth, seed, logged) if adopted is None or logged else adopted


_adopted: dict[tuple[Vehicle, Depth, int], Planned] = {}


def adopt(vehicle: Vehicle, depth: Depth, seed: int, found: Planned) -> None:
    """From now on a vehicle has cases that were planned with other programs in it, which takes no
    time. Where in a period, or at which count, a fault begins is then that of the other programs.
    """
    cases = [replace(case, vehicle=vehicle) for case in found.cases]
    _adopted[vehicle, depth, seed] = found._replace(cases=cases)


def forget_planned() -> None:
    """Release the cases that were planned: a check in real time wants no large memory, which the
    garbage collector would stop it for.
    """
    _planned.cache_clear()


@lru_cache(maxsize=4)
def _planned(vehicle: Vehicle, depth: Depth, seed: int, logged: bool) -> Planned:
    cases, singles, left_out = _CHOOSERS[depth](vehicle, seed, logged)
    return Planned(cases, measured(depth, vehicle, cases, singles=singles, left_out=left_out))


class _Choice(NamedTuple):
    """The cases, how many there are with a single fault, and sentences about what was left out."""

    cases: list[Scenario]
    singles: int
    left_out: list[str]


def _quick(vehicle: Vehicle, seed: int, logged: bool) -> _Choice:
    planned = plan(vehicle, seed, logged=logged)
    cases, left_out = _quick_plan(vehicle, planned)
    left_out.append("Two faults at a time are left to the depth 'pairs'.")
    return _Choice(cases, len(planned), [*left_out, *_hidden_ends(vehicle, logged)])


def _full(vehicle: Vehicle, seed: int, logged: bool) -> _Choice:
    cases, unrotated = plan_full(vehicle, seed, logged=logged)
    left_out = [
        "Where a fault cannot affect an action, it is tried once in each situation.",
        "A lasting fault outside the cable is tried around two actions of a situation.",
        "Faults that differ only in a detail share the situations.",
        "Two faults at a time are left to the depth 'pairs', except a plug that carries supply.",
        f"A fault of the wiring is tried alone, in {WIRING_SITUATIONS} situations each.",
    ]
    if unrotated:
        some = "; ".join(unrotated[:SOME]) + (" ..." if len(unrotated) > SOME else "")
        left_out.append(f"{len(unrotated)} of the values that rotate were not reached: {some}.")
    return _Choice(cases, len(cases), [*left_out, *_hidden_ends(vehicle, logged)])


def _pairs(vehicle: Vehicle, seed: int, logged: bool) -> _Choice:  # noqa: ARG001
    cases, left_out = plan_pairs(vehicle, seed)
    singles = len(plan(vehicle, seed))
    return _Choice(cases, singles, [*left_out, WIRING_LEFT_OUT, CLOCKS_LEFT_OUT])


def _hunt(vehicle: Vehicle, seed: int, logged: bool) -> _Choice:  # noqa: ARG001
    drawn = f"up to {MOST_FAULTS} faults and {MOST_ACTIONS} further actions in a case"
    left_out = [
        f"Drawn at random: {drawn}, at instants at which something changes or is due.",
        "Cases that reached something new, or left less time than before, were varied further.",
        "A hunt cannot say what it has not covered.",
        WIRING_LEFT_OUT,
        CLOCKS_LEFT_OUT,
    ]
    return _Choice([], len(plan(vehicle, seed)), left_out)


def _hidden_ends(vehicle: Vehicle, logged: bool) -> Iterator[str]:
    """Sentences about situations that should end in another way; none for windows of a log."""
    if logged:
        return
    for name, loads in Asked(vehicle).hidden_ends().items():
        yield (
            f"The end of situation '{name}' hides recovery: {', '.join(loads)} would be the same"
            " without a link. One more action at its end would show it."
        )


_CHOOSERS = {"quick": _quick, "full": _full, "pairs": _pairs, "hunt": _hunt}


_ROLL_OVER = "roll-over of"


def left_unjudged(
    vehicle: Vehicle, logged: Collection[str] = (), cases: Iterable[Scenario] | None = None
) -> tuple[Unjudged, ...]:
    """Everything that stays unjudged in a check of a vehicle, each with the reason that its file
    gives. With ``cases`` also the roll-overs that no case reaches. Entries of the file that match
    nothing come last.
    """
    allowed = {entry.what: entry.reason for entry in vehicle.file.unjudged}
    found = [*unjudged(vehicle, logged), *_untried(vehicle, logged)]
    if cases is not None:
        found += _not_rolled_over(vehicle, logged, cases)
    told = [replace(entry, allowed=allowed.get(entry.what, "")) for entry in found]
    return (*told, *([] if logged else _idle(allowed, [entry.what for entry in found])))


def _idle(allowed: Iterable[str], found: Collection[str]) -> Iterator[Unjudged]:
    """Entries of the file that excuse nothing: the name is mistyped, or there is a rule by now."""
    for what in allowed:
        if what not in found and not what.startswith(_ROLL_OVER):
            reason = "[[unjudged]] names it, but nothing unjudged has that name" + nearest(
                what, found
            )
            yield Unjudged(what, reason)


def _not_rolled_over(
    vehicle: Vehicle, logged: Collection[str], cases: Iterable[Scenario]
) -> Iterator[Unjudged]:
    """The roll-overs of nodes' own clocks that no case reaches."""
    met = {entry for case in cases for entry in rolled_over(case)}
    for node in vehicle.nodes:
        for name in roll_overs(vehicle):
            if node not in logged and (node, name) not in met:
                what = f"{_ROLL_OVER} {node}'s clock at {name}"
                yield Unjudged(what, "no case reaches it")


def _untried(vehicle: Vehicle, logged: Collection[str]) -> Iterator[Unjudged]:
    """The kinds of faults that the vehicle cannot have; of inputs, those that a program reads."""
    tables = vehicle.inputs.items()
    inputs = {name: table for name, table in tables if set(table.wired_to).difference(logged)}
    read = replace(vehicle, file=vehicle.file.model_copy(update={"inputs": inputs}))
    if vehicle.supply is None:
        reason = "the vehicle has no [supply]: no fault of supply, fuses, leads or relays is tried"
        yield Unjudged("supply", reason)
    for kind, form in catalogue().items():
        of_input = form.group == "input"
        if (form.electrical and vehicle.supply is None) or (of_input and not inputs):
            continue
        hit = read if of_input else vehicle
        if not any(True for source in (form.every, form.of_wiring) for _ in source(hit)):
            yield Unjudged(f"fault {kind}", form.needs or "nothing in the vehicle can have it")
