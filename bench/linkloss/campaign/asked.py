"""What the inputs ask of the loads, worked out from the vehicle file alone, and how to ask for each
load both ways.

    fault      [-------------]
    recovery                  |.........|
    asked for                           on   off   on   off

Delays are ignored, and a signal that no input decides counts as zero.

:class:`Relevance` tells which actions of the driver matter to which fault: it is worth trying a
fault around those.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from functools import cache, partial
from itertools import islice, pairwise, product
from typing import NamedTuple

from linkloss.faults.base import Fault
from linkloss.vehicle.expression import Condition, Value, load_key, split_signal
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.tables import RequestTable

Values = Mapping[str, Value]

MOST_TRIED = 20_000
"""The most combinations of the inputs of one load that are tried."""
TIMES = 2
"""How often each load is asked for: once more than it takes to leave its first state."""


def _local_names(load: LoadTable) -> tuple[str, ...]:
    return () if load.local is None else load.local.names


def _decided_by(load: LoadTable) -> tuple[str, ...]:
    """The inputs and signals that ask for a load."""
    return (*_local_names(load), *request_names(load))


def request_names(load: LoadTable) -> tuple[str, ...]:
    """The signals, as ``Message.Signal``, in a load's request; empty if it has none."""
    return () if load.request is None else load.request.names


def sources(vehicle: Vehicle, names: Iterable[str]) -> tuple[str, ...]:
    """The given inputs and signals with everything that they depend on, also through other
    requests; the nearest first.
    """
    waiting = list(names)
    seen: dict[str, None] = {}
    while waiting:
        name = waiting.pop(0)
        if name not in seen and name in vehicle.requests:
            for condition in vehicle.requests[name].conditions:
                waiting.extend(condition.names)
        seen[name] = None
    return tuple(seen)


class Course(NamedTuple):
    """What a situation asks of the loads.

    ``beginning`` is what it asks for at its start. ``changes`` are later requests as (ns, load, on
    or off). ``forbidden`` says when a state of a load becomes forbidden, as (ns, load). ``inputs``
    are the values of the inputs as (ns, values from then on); the first entry is from before the
    start. Delays are ignored, and so are signals of other nodes that a request depends on.
    """

    beginning: Mapping[str, str]
    changes: tuple[tuple[int, str, str], ...]
    forbidden: tuple[tuple[int, str], ...]
    inputs: tuple[tuple[int, Mapping[str, Value]], ...]


class Round(NamedTuple):
    """Values of inputs that ask loads for a state, ``on`` or ``off``."""

    values: Values
    loads: tuple[str, ...]
    state: str


class Asked:
    """What the inputs of a vehicle ask for."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self.inputs_of = cache(self._inputs_of)
        self.rounds = cache(self._rounds)
        self.course = cache(self._course_of)
        self._candidates = cache(self._known_candidates)

    # ---- what is asked for ----

    def state(self, load: str, values: Values, *, was_on: bool = False) -> str:
        """What inputs ask of a load, ``on`` or ``off``. ``was_on`` is what they asked for before,
        which matters to a request with hysteresis.
        """
        table = self.vehicle.loads[load]
        if table.local is not None and holds(table.local, values):
            return "on"
        names = request_names(table)
        if not names:
            return "off"
        requests = {name: self.vehicle.requests.get(name) for name in names}
        signals = {
            name: float(request is not None and _requested(request, values, was_on=was_on))
            for name, request in requests.items()
        }
        assert table.request is not None
        return "on" if table.request(signals) else "off"

    def states(self, values: Values, before: Mapping[str, str]) -> dict[str, str]:
        """What inputs ask of every load; ``before`` is what they last asked for."""
        return {
            load: self.state(load, values, was_on=before.get(load) == "on")
            for load in self.vehicle.loads
        }

    # ---- in a situation ----

    def _course_of(self, situation: str) -> Course:
        table = self.vehicle.situations[situation]
        values: dict[str, Value] = {
            name: entry.rest for name, entry in self.vehicle.inputs.items()
        } | dict(table.inputs)
        before = beginning = self.states(values, {})
        changes: list[tuple[int, str, str]] = []
        forbidden: list[tuple[int, str]] = []
        inputs: list[tuple[int, Mapping[str, Value]]] = [(-1, values)]
        for action in sorted(table.actions, key=lambda action: action.at):
            known = {**values, **_states(before)}
            values = values | action.set
            inputs.append((action.at, values))
            after = self.states(values, before)
            now = {**values, **_states(after)}
            forbidden += [(action.at, load) for load in self._newly_forbidden(known, now)]
            changes += [
                (action.at, load, asked) for load, asked in after.items() if asked != before[load]
            ]
            before = after
        return Course(beginning, tuple(changes), tuple(forbidden), tuple(inputs))

    def _newly_forbidden(
        self, known: Mapping[str, Value], values: Mapping[str, Value]
    ) -> Iterator[str]:
        """The loads for which a condition of a rule 'never' begins to hold."""
        for name, load in self.vehicle.loads.items():
            for rule in load.never:
                if holds(rule.when, values) and not holds(rule.when, known):
                    yield name

    def asked_at(self, situation: str, at_ns: int) -> dict[str, str]:
        """What the loads are asked for just before an instant."""
        course = self.course(situation)
        found = dict(course.beginning)
        found |= {load: asked for change_ns, load, asked in course.changes if change_ns < at_ns}
        return found

    def hidden_ends(self) -> dict[str, tuple[str, ...]]:
        """Situations whose end hides whether a link came back, each with the loads concerned: at
        their end, every load that they ask for over a link is in the state that it takes without
        one, and after a reset.
        """
        found: dict[str, tuple[str, ...]] = {}
        for name in self.vehicle.situations:
            course = self.course(name)
            changed = {load for _, load, _ in course.changes}
            last = {**course.beginning, **{load: asked for _, load, asked in course.changes}}
            asked = {
                load: table
                for load, table in self.vehicle.loads.items()
                if request_names(table) and (load in changed or course.beginning[load] == "on")
            }
            if asked and all(
                fail_safe(table) == {table.asked_state if last[load] == "on" else "off"}
                for load, table in asked.items()
            ):
                found[name] = tuple(asked)
        return found

    # ---- what it depends on ----

    def _inputs_of(self, load: str) -> tuple[str, ...]:
        """The inputs that decide what is asked of a load, also through other requests, and what is
        asked of the loads in its *never* conditions.
        """
        rules = self.vehicle.loads[load].never
        loads = dict.fromkeys([load, *(name for rule in rules for name in rule.when.loads)])
        tables = [self.vehicle.loads[name] for name in loads]
        decided = [name for table in tables for name in _decided_by(table)]
        return tuple(n for n in sources(self.vehicle, decided) if n in self.vehicle.inputs)

    def requests_of(self, load: str) -> tuple[RequestTable, ...]:
        """The requests in a load's request that the vehicle file declares."""
        names = request_names(self.vehicle.loads[load])
        return tuple(self.vehicle.requests[name] for name in names if name in self.vehicle.requests)

    def pressed(self, loads: Iterable[str]) -> set[str]:
        """The inputs that have to be pressed again to ask for some loads, even if everything else
        that the loads depend on is as it should be.
        """
        requests = [request for load in loads for request in self.requests_of(load)]
        names = {n for request in requests if request.once_per_press for n in request.follows.names}
        return names & self.vehicle.inputs.keys()

    def _conditions(self) -> Iterator[Condition]:
        for load in self.vehicle.loads.values():
            if load.local is not None:
                yield load.local
            yield from (rule.when for rule in load.never)
        for request in self.vehicle.requests.values():
            yield from request.conditions

    def _known_candidates(self, name: str) -> tuple[Value, ...]:
        """The values of an input that can make a difference, the one at rest first: a switch's
        positions; for a sensor one value between each two neighbouring numbers that it is compared
        with, and those numbers themselves where it is tested for equality.
        """
        table = self.vehicle.inputs[name]
        if table.positions is not None:
            return tuple(dict.fromkeys((table.rest, *table.positions)))
        low, high = table.range or (0.0, 1.0)
        steps = sorted({n for c in self._conditions() for n in c.numbers.get(name, ())})
        marks = [low, *(step for step in steps if low < step < high), high]
        between = [(one + other) / 2 for one, other in pairwise(marks)]
        exact = [
            n for c in self._conditions() if name not in c.ordered for n in c.numbers.get(name, ())
        ]
        return tuple(dict.fromkeys((table.rest, *between, *exact)))

    # ---- asking both ways ----

    def _rounds(self, loads: tuple[str, ...]) -> tuple[Round, ...]:
        """Inputs that ask for each of the loads and for its opposite, in turn, twice; as many loads
        at a time as are compatible. A load that no values ask for is left out.
        """
        asked: list[tuple[dict[str, Value], list[str]]] = []
        left = list(loads)
        while left:
            values, met = self._together(left, "on")
            if not met:
                break
            asked.append((values, met))
            left = [load for load in left if load not in met]
        on = [load for _, met in asked for load in met]
        off, _ = self._together(on, "off")
        moved = {name for load in on for name in self.inputs_of(load)}
        return tuple(
            Round({n: v for n, v in values.items() if n in moved}, tuple(met), state)
            for together, met in asked * TIMES
            for values, state in ((together, "on"), (off, "off"))
        )

    def local_rounds(self, loads: Iterable[str]) -> tuple[Values, ...]:
        """Values of the local inputs of loads that meet the local condition of each load, then of
        none, as far as they are compatible; empty where no input moves.
        """
        conditions = [
            table.local for table in map(self.vehicle.loads.get, loads) if table and table.local
        ]
        found: list[Values] = []
        for wanted in (True, False):
            fixed: dict[str, Value] = {}
            for condition in conditions:
                names = [name for name in condition.names if name in self.vehicle.inputs]
                choices = [(fixed[n],) if n in fixed else self._candidates(n) for n in names]
                for combination in islice(product(*choices), MOST_TRIED):
                    values = dict(zip(names, combination, strict=True))
                    if holds(condition, values) == wanted:
                        fixed |= values
                        break
            found.append(fixed)
        return tuple(found) if all(found) else ()

    def _together(self, loads: Sequence[str], state: str) -> tuple[dict[str, Value], list[str]]:
        """Values that ask as many compatible loads as possible for a state, and these loads."""
        fixed: dict[str, Value] = {}
        met: list[str] = []
        for load in loads:
            found = self._asking(load, state, fixed)
            if found is not None:
                fixed |= found
                met.append(load)
        return fixed, met

    def _asking(self, load: str, state: str, fixed: Values) -> dict[str, Value] | None:
        """Values of a load's inputs that ask for a state, in addition to fixed values."""
        table = self.vehicle.loads[load]
        forbidden = [rule.when for rule in table.never if rule.state == state]
        also = [name for condition in forbidden for name in condition.names]
        own = self.inputs_of(load)
        names = [*own, *(n for n in also if n in self.vehicle.inputs and n not in own)]
        rest = {name: entry.rest for name, entry in self.vehicle.inputs.items()}
        choices = [(fixed[name],) if name in fixed else self._candidates(name) for name in names]
        for combination in islice(product(*choices), MOST_TRIED):
            values = dict(zip(names, combination, strict=True))
            known = {**rest, **fixed, **values}
            if self.state(load, known, was_on=state == "off") != state:
                continue
            if not any(self._takes_away(condition, known) for condition in forbidden):
                return values
        return None

    def _takes_away(self, condition: Condition, values: Values) -> bool:
        """Whether a never condition holds, if other loads are as these values ask for them."""
        others = {load_key(name): self.state(name, values) for name in condition.loads}
        return holds(condition, {**values, **others})


def unmoved(vehicle: Vehicle, subject: str) -> tuple[str, ...]:
    """Inputs that no situation changes, where that is why nothing changes what is asked of a load,
    or what a request asks for. Empty for anything else.
    """
    asks = Asked(vehicle)
    tables = vehicle.loads.items()
    loads = [name for name, load in tables if subject in (name, *request_names(load))]
    changed = {load for name in vehicle.situations for _, load, _ in asks.course(name).changes}
    if not loads or not changed.isdisjoint(loads):
        return ()
    moved = {
        name for table in vehicle.situations.values() for act in table.actions for name in act.set
    }
    inputs = dict.fromkeys(name for load in loads for name in asks.inputs_of(load))
    return tuple(name for name in inputs if name not in moved)


def _states(asked: Mapping[str, str]) -> dict[str, Value]:
    """What loads are asked for, as the states that conditions refer to."""
    return {load_key(load): state for load, state in asked.items()}


def _requested(table: RequestTable, values: Values, *, was_on: bool) -> bool:
    """Whether a request is on for these values, with its hysteresis."""
    if table.only_while is not None and not holds(table.only_while, values):
        return False
    if was_on and table.until is not None:
        return not holds(table.until, values)
    return holds(table.follows, values)


def holds(condition: Condition, values: Values) -> bool:
    """Whether a condition holds; a name that is not an input counts as zero."""
    names = (*condition.names, *map(load_key, condition.loads))
    return condition({name: values.get(name, 0.0) for name in names})


def fail_safe(load: LoadTable) -> frozenset[str]:
    """The states that a load ends up in by itself: without its link, and after a reset. ``hold`` is
    not among them: it depends on the instant.
    """
    last = load.then if load.then is not None else load.on_stale
    return frozenset({str(last), str(load.on_reset)} - {"hold"})


def _own_names(load: LoadTable) -> tuple[frozenset[str], frozenset[str]]:
    """The inputs of a load's local lead, and all that its own conditions read."""
    own = (name for condition in load.own_conditions.values() for name in condition.names)
    return frozenset(_local_names(load)), frozenset(own)


class Relevance:
    """What depends on an input: requests, and the loads that they or a local lead reach."""

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self._sources = cache(partial(sources, vehicle))
        self._names = {name: _own_names(load) for name, load in vehicle.loads.items()}
        self._matters = cache(self._found_to_matter)
        self.spoils = cache(self._found_to_spoil)
        self._touched = cache(self._found_to_touch)

    def matters(self, fault: Fault, inputs: Collection[str]) -> bool:
        """Whether a change of these inputs causes something that the fault can spoil."""
        return self._matters(fault, tuple(inputs))

    def _found_to_matter(self, fault: Fault, inputs: tuple[str, ...]) -> bool:
        if fault.group == "input":
            return getattr(fault, "input", None) in inputs
        return any(self._spoils(fault, load, inputs) for load in self.vehicle.loads)

    def _found_to_spoil(self, fault: Fault, load: str) -> bool:
        """Whether a fault can spoil a load's response to any of its inputs."""
        return any(self._spoils(fault, load, (name,)) for name in self.vehicle.inputs)

    def touched(self, fault: Fault, *, local: bool = False) -> tuple[str, ...]:
        """The loads that a fault touches: those behind its own hardware, those that its input
        decides, or those that it can spoil; all loads if it touches none in particular. With
        ``local`` also all loads at its nodes, or at the nodes that read its input.
        """
        return self._touched(fault, local)

    def _found_to_touch(self, fault: Fault, local: bool) -> tuple[str, ...]:
        vehicle = self.vehicle
        own = fault.loads(vehicle)
        name: str | None = getattr(fault, "input", None)
        if name is not None:
            own = tuple(load for load in vehicle.loads if self._decide([name], load))
        elif not own:
            own = tuple(load for load in vehicle.loads if self.spoils(fault, load))
        if local:
            nodes = fault.nodes() if name is None else vehicle.inputs[name].wired_to
            near = [load for load, table in vehicle.loads.items() if table.node in nodes]
            own = (*own, *near) if nodes else tuple(vehicle.loads)
        return tuple(dict.fromkeys(own or vehicle.loads))

    def _decide(self, inputs: Iterable[str], load: str) -> bool:
        """Whether some inputs affect what is asked of a load."""
        table = self.vehicle.loads[load]
        return not set(inputs).isdisjoint(self._sources(_decided_by(table)))

    def _spoils(self, fault: Fault, name: str, inputs: Collection[str]) -> bool:
        load = self.vehicle.loads[name]
        local, own = self._names[name]
        if not local.isdisjoint(inputs):
            return load.node in fault.nodes()
        if not own.isdisjoint(inputs) and load.node in fault.nodes():
            return True
        if set(self._sources(request_names(load))).isdisjoint(inputs):
            return False
        return any(
            fault.reaches(self.vehicle, message, self.vehicle.sender(message), load.node)
            for message in load.messages
        ) or any(self._feeds(fault, name) for name in request_names(load))

    def _feeds(self, fault: Fault, request: str) -> bool:
        """Whether the fault affects a signal that decides the request."""
        table = self.vehicle.requests.get(request)
        if table is None:
            return False
        node = self.vehicle.sender(split_signal(request)[0])
        read = [split_signal(name) for condition in table.conditions for name in condition.names]
        return any(
            fault.reaches(self.vehicle, message, self.vehicle.sender(message), node)
            for message, signal in read
            if signal
        )

    def flashes(self, inputs: Collection[str]) -> bool:
        """Whether these inputs make any load flash."""
        return any(
            table.flash is not None and self._decide(inputs, load)
            for load, table in self.vehicle.loads.items()
        )
