"""Right runs with one licence overstepped, by the smallest amount that its rule forbids.

A right node's diary says what it did, and from when to when it might. A step over that is planted
into what its load shows, where nothing else was going on: there it must be found, by its rule.

    python tests/right/oversteps.py FIRST CARS
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from random import Random
from typing import NamedTuple

from right_cars import MS, NODES, Cases, with_right_nodes
from right_node import Entry, RightNode

from linkloss.faults.catalogue import make_fault
from linkloss.judge import judge
from linkloss.recording import Recording, Series
from linkloss.scenario import Scenario, TimedFault
from linkloss.session import simulate

STEP_NS = MS
"""How far over a limit: a small node's clock counts milliseconds."""
PULSE_NS = 2 * MS
ALONE_NS = 90 * MS
"""Nothing else may be open so long before a planted step: the longest latency with its debounce."""

RULES = {
    "fresh": {"fresh", "rejoin"},
    "again": {"fresh", "rejoin"},
    "stale": {"stale"},
    "hold": {"stale", "local", "then", "shortest_off"},  # what is next, or began last
    "then": {"then"},
    "local": {"local"},
    "trip": {"trip"},
    "trip over": {"trip"},
    "never": {"never"},
    "never over": {"fresh", "local"},  # local where that decides alone
    "longest_on": {"longest_on"},
    "shortest_off": {"shortest_off", "longest_on"},  # where both are declared they end as one
    "reset": {"reset"},
    "boot": {"reset"},
}
"""By which rule a step over each licence is to be told."""
ASKED = {"fresh", "rejoin", "stale", "then", "local"}
"""The rules of what asks for a state, link or no link."""


class Planted(NamedTuple):
    """A licence overstepped: how, which, of which load, and what was recorded then."""

    how: str
    entry: Entry
    recording: Recording


class Ran(NamedTuple):
    """A right run, and what its nodes wrote down."""

    case: Scenario
    recording: Recording
    diary: list[Entry]


def right_runs(seed: int) -> Iterator[Ran]:
    """Runs of a drawn car: undisturbed, cut off from the bus, reset, and both."""
    cases, draw = Cases(seed), Random(f"oversteps {seed}")

    def fault(kind: str, at_ns: int, lasts_ns: int | None = None, **parameters) -> TimedFault:
        made = make_fault(kind, parameters, cases.vehicle)
        return TimedFault(made, at_ns, None if lasts_ns is None else at_ns + lasts_ns)

    for name in cases.bases:
        wanted: list[list[TimedFault]] = [[]]
        for node in NODES:
            at_ns = draw.randint(250, 600) * MS
            wanted.append([fault("unplug", at_ns, 900 * MS, node=node)])
            wanted.append([fault("reset", at_ns, node=node)])
            wanted.append([fault("unplug", at_ns - 30 * MS, 700 * MS, node=node), wanted[-1][0]])
        for faults in wanted:
            diary: list[Entry] = []
            make = partial(RightNode, diary=diary)
            case = with_right_nodes(cases.case(name, faults), draw.randrange(1 << 30), make)
            yield Ran(case, simulate(case), diary)


class Planter:
    """Finds where a licence of one load of a run can be overstepped, and does it."""

    def __init__(self, ran: Ran, load: str) -> None:
        self.ran, self.load = ran, load
        self.table = ran.case.vehicle.loads[load]
        self.command = ran.recording.commands[load]
        self.diary = [entry for entry in ran.diary if entry.load == load]
        self.changes = self.command.times
        node = ran.case.vehicle.nodes[self.table.node]
        self.boots = [
            (change.at_ns, change.at_ns + node.boot + self.table.latency)
            for change in ran.recording.nodes[self.table.node]
            if change.state == "reset"
        ]

    def every(self) -> Iterator[Planted]:
        if self.table.flash is None:
            for entry in self.diary:
                yield from self._late(entry)
                yield from self._early(entry)
                yield from self._missed(entry)
                yield from self._pulse(entry)
                yield from self._not_kept(entry)
            yield from self._boot()

    # ---- how ----

    def _late(self, entry: Entry) -> Iterator[Planted]:
        if entry.by_ns is None or not self._is_change(entry):
            return
        if entry.what in ("fresh", "again") and self._just_booted(entry):
            return  # what it heard while it booted, it may have missed
        to_ns = entry.by_ns + STEP_NS
        if self._alone(entry, entry.from_ns - ALONE_NS, to_ns + STEP_NS):
            yield self._planted("late", entry, entry.at_ns, to_ns, self._before(entry))

    def _early(self, entry: Entry) -> Iterator[Planted]:
        from_ns = entry.from_ns - STEP_NS
        told = entry.what in ("fresh", "again")
        if (
            entry.what == "reset"
            or (entry.by_ns is None and not told)
            or not self._is_change(entry)
        ):
            return
        if self._alone(entry, from_ns - ALONE_NS, entry.at_ns):
            value = self.command.at(entry.at_ns)
            yield self._planted("early", entry, from_ns, entry.at_ns, value)

    def _missed(self, entry: Entry) -> Iterator[Planted]:
        """Not done at all, until what came next."""
        unsure = entry.what in ("fresh", "again") and self._just_booted(entry)
        if entry.by_ns is None or unsure or not self._is_change(entry):
            return
        later = [at_ns for at_ns in self.changes if at_ns > entry.at_ns]
        to_ns = min([*later, self.ran.recording.end_ns - 1])
        if to_ns > entry.by_ns + STEP_NS and self._alone(entry, entry.from_ns - ALONE_NS, to_ns):
            yield self._planted("missed", entry, entry.at_ns, to_ns, self._before(entry))

    def _pulse(self, entry: Entry) -> Iterator[Planted]:
        """Behind a change, back for 2 ms."""
        from_ns = entry.at_ns + 5 * MS
        if self._is_change(entry) and self._alone(entry, from_ns - 2 * ALONE_NS, from_ns + 4 * MS):
            yield self._planted("pulse", entry, from_ns, from_ns + PULSE_NS, self._other(from_ns))

    def _not_kept(self, entry: Entry) -> Iterator[Planted]:
        """The state that is held, or that of a reset, is given up."""
        if entry.what not in ("hold", "reset"):
            return
        if entry.what == "reset" and (self._told_since(entry) or self._booting(entry)):
            return
        if entry.what == "hold" and entry.by_ns is None:
            return
        from_ns, to_ns = entry.at_ns + 2 * MS, entry.at_ns + 4 * MS
        if self._alone(entry, from_ns - ALONE_NS, to_ns + MS):
            yield self._planted("lost", entry, from_ns, to_ns, self._other(from_ns))

    def _boot(self) -> Iterator[Planted]:
        """A pulse while no program runs: a pin that is not held by hardware."""
        for reset_ns, _ in self.boots:
            from_ns, to_ns = reset_ns + 4 * MS, reset_ns + 6 * MS
            entry = Entry(self.load, "boot", from_ns, from_ns, None)
            table = self.table
            lit = table.hardware_default == "on"
            if not (table.local or table.trip or table.survives_reset or table.level) and (
                table.on_reset in (None, table.hardware_default)
            ):
                lit = self.table.hardware_default == "on"
                yield self._planted("pulse", entry, from_ns, to_ns, 0.0 if lit else 1.0)

    # ---- where ----

    def _is_change(self, entry: Entry) -> bool:
        """Whether the command changed just then, from on to off or back, in a program's life."""
        if entry.at_ns not in self.changes or self._before(entry) is None:
            return False
        if any(from_ns <= entry.from_ns - ALONE_NS <= to_ns for from_ns, to_ns in self.boots):
            return False
        if entry.what == "then" and self.table.then == self.table.on_stale:
            return False  # it may have been so already
        now = self.command.at(entry.at_ns)
        assert now is not None
        return (now > 0) != (self._before(entry) > 0)

    def _alone(self, entry: Entry, from_ns: int, to_ns: int) -> bool:
        """Whether nothing else happened, and nothing else was open, in [from, to]."""
        others = [other for other in self.diary if other is not entry]
        given_up = any(map(self._may_give_up, (entry.at_ns, to_ns)))
        if given_up and entry.what not in ("reset", "boot"):
            return False
        if any(from_ns <= at <= to_ns for o in others for at in (o.at_ns, o.from_ns)):
            return False
        if entry.what != "reset" and any(
            reset_ns <= to_ns and ready_ns >= from_ns for reset_ns, ready_ns in self.boots
        ):
            return False
        near = [at_ns for at_ns in self.changes if from_ns <= at_ns <= to_ns]
        return to_ns < self.ran.recording.end_ns - MS and set(near) <= {entry.at_ns}

    def _booting(self, entry: Entry) -> bool:
        """Whether a local input may not have been looked at yet since the reset."""
        if self.table.local is None:
            return False
        return any(reset_ns <= entry.at_ns <= ready_ns for reset_ns, ready_ns in self.boots)

    def _just_booted(self, entry: Entry) -> bool:
        return any(0 <= entry.at_ns - ready_ns <= 300 * MS for _, ready_ns in self.boots)

    def _may_give_up(self, at_ns: int) -> bool:
        """Whether the node has heard nothing since its reset, for so long that it may act on it."""
        table = self.table
        if table.stale_after is None:
            return False
        since_ns = max(reset_ns for reset_ns, _ in self.boots if reset_ns <= at_ns)
        told = [o for o in self.diary if o.what == "again" and since_ns <= o.at_ns < at_ns]
        return not told and at_ns > since_ns + table.stale_after - table.early_ns

    def _since(self, entry: Entry) -> int:
        return max(reset_ns for reset_ns, _ in self.boots if reset_ns <= entry.at_ns)

    def _lost_before(self, entry: Entry) -> bool:
        """Whether the link had been there and was lost, since the reset."""
        since_ns = self._since(entry)
        kinds = [o.what for o in self.diary if since_ns <= o.at_ns < entry.at_ns]
        return "again" in kinds

    def _last_before(self, entry: Entry) -> str:
        return next((o.what for o in reversed(self.diary) if o.at_ns < entry.at_ns), "")

    def _told_since(self, entry: Entry) -> bool:
        """Whether the node may have heard something of its load since the reset, or given up."""
        since_ns, table = self._since(entry), self.table
        if table.stale_after and entry.at_ns > since_ns + table.stale_after - table.early_ns:
            return True
        messages = self.ran.case.vehicle.messages
        names = {messages[name].identifier for name in self.table.messages}
        return any(
            record.frame.identifier in names and self.table.node in record.receivers
            for record in self.ran.recording.frames
            if since_ns <= record.end_ns <= entry.at_ns + 4 * MS
        )

    def _before(self, entry: Entry):
        return self.command.at(entry.at_ns - 1)

    def _other(self, at_ns: int) -> float:
        return 0.0 if (self.command.at(at_ns) or 0) > 0 else 1.0

    def _planted(self, how: str, entry: Entry, from_ns: int, to_ns: int, value) -> Planted:
        recording = self.ran.recording
        recording = replace(
            recording,
            commands={
                **recording.commands,
                self.load: spliced(self.command, from_ns, to_ns, value),
            },
            outputs={
                **recording.outputs,
                self.load: spliced(recording.outputs[self.load], from_ns, to_ns, value),
            },
        )
        return Planted(how, entry, recording)


def spliced(series: Series, from_ns: int, to_ns: int, value) -> Series:
    """A series that has a value in [from, to), and is as before elsewhere."""
    made: Series = Series()
    for at_ns, old in series.changes():
        if at_ns < from_ns:
            made.set(at_ns, old)
    made.set(from_ns, value)
    made.set(to_ns, series.at(to_ns))
    for at_ns, old in series.changes():
        if at_ns > to_ns:
            made.set(at_ns, old)
    return made


def found_by(planted: Planted, ran: Ran) -> set[str]:
    """The rules of the load that are told as broken."""
    verdicts = judge(ran.case.vehicle, planted.recording)
    return {v.rule for v in verdicts if v.broken and v.subject == planted.entry.load}


def rightly(planted: Planted, rules: set[str]) -> bool:
    """Whether the step over the licence is told by its own rule. A pulse is told as *steady* or
    by the rule of whatever began last.
    """
    what, how = planted.entry.what, planted.how
    expected = RULES[what]
    if how == "early" and what == "never":  # what it takes away was asked for
        expected = ASKED
    if how == "early" and what == "never over":  # then the state is entered that is taken away
        expected = ASKED | {"never"}
    if how == "early" and what == "longest_on":  # it never came to its limit
        expected = ASKED | {"steady", "longest_on", "shortest_off"}
    brief = planted.how in ("pulse", "lost") and what != "hold"
    return bool(rules & expected) or (brief and bool(rules))


def tried(seed: int, most: int = 40) -> Iterator[tuple[Planted, set[str], Ran]]:
    """The steps over licences in one drawn car, and by which rules each was found."""
    draw = Random(f"choice {seed}")
    for ran in right_runs(seed):
        every = [p for load in ran.case.vehicle.loads for p in Planter(ran, load).every()]
        draw.shuffle(every)
        for planted in every[:most]:
            yield planted, found_by(planted, ran), ran


def table(counts: Counter[tuple[str, str, str]]) -> list[str]:
    """Licence, how, tried, found, found by its own rule."""
    keys = sorted({key[:2] for key in counts})
    lines = [f"{'licence':<14}{'overstepped':<13}{'tried':>6}{'found':>7}{'own rule':>10}"]
    for key in keys:
        cells = [counts[(*key, name)] for name in ("tried", "found", "rightly")]
        lines.append(f"{key[0]:<14}{key[1]:<13}{cells[0]:>6}{cells[1]:>7}{cells[2]:>10}")
    return lines


def main(first: int, cars: int, most: int = 12) -> None:
    counts: Counter[tuple[str, str, str]] = Counter()
    for seed in range(first, first + cars):
        for planted, rules, ran in tried(seed, most):
            key = planted.entry.what, planted.how
            counts[(*key, "tried")] += 1
            counts[(*key, "found")] += bool(rules)
            counts[(*key, "rightly")] += rightly(planted, rules)
            if not rightly(planted, rules):
                where = f"car {seed} {ran.case.name} {planted.entry}"
                print(where, planted.how, rules or "NOT FOUND", flush=True)
    print("\n".join(table(counts)))


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
