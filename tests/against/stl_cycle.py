"""The *cycle* rule of messages as formulas of temporal logic, held against the judge.

tried   _|____|____|____     handed to the controller, refused attempts included
took    _|____|____|____     the controller took it
first   _|______________     the first one of a life
news    ______|_________     one that has something new in it
duty    __/~~~~~~~~~~~~~     the program has booted and looked at its inputs
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from random import Random
from typing import Any

from crccheck.crc import Crc8SaeJ1850
from stl_formulas import Formula, parsed
from stl_pairs import Difference, Found, Tally
from stl_signals import FOREVER, ROLL_OVER, Signals, Span, inside, joined, lives_of, pulses

from linkloss.judge.case import Case
from linkloss.judge.message_rules import judge_cycle
from linkloss.vehicle.expression import split_signal

MS = 1_000_000


class Limits:
    """The times of one message, in ns: common practice where the vehicle says nothing."""

    def __init__(self, vehicle: Any, message: str) -> None:
        cycle = vehicle.messages[message].period_ns
        table = vehicle.sendings.get(message)
        assert table is not None
        assert not table.jitter
        assert table.on_change is None
        self.sender = vehicle.messages[message].senders[0]
        self.late = cycle * 3 // 2
        self.soon = cycle * 9 // 10
        self.gap = self.soon if table.min_gap is None else table.min_gap
        self.look = max(
            (
                request.debounce
                for name, request in vehicle.requests.items()
                if vehicle.messages[split_signal(name)[0]].senders[0] == self.sender
            ),
            default=0,
        )
        self.boot = vehicle.nodes[self.sender].boot
        self.rejoin = vehicle.nodes[self.sender].rejoin

    def formulas(self) -> list[Formula]:
        late = f"((historically[0,{self.late}] duty) implies once[0,{self.late - 1}] tried)"
        soon = f"((took and not first and not news) implies not once[1,{self.soon - 1}] took)"
        gap = f"((took and not first) implies not once[1,{self.gap - 1}] took)"
        return [
            parsed("late", late),
            parsed("soon", soon),
            parsed("gap", gap),
            parsed("wrong", "(not wrong)"),
        ]


def expressible_message(vehicle: Any, message: str) -> bool:
    """Whether the formulas have words for all that the vehicle says of a message."""
    info, table = vehicle.messages[message], vehicle.sendings.get(message)
    plain = table is not None and not table.jitter and table.on_change is None
    return plain and bool(info.period_ns) and len(info.senders) == 1


def signals_of(vehicle: Any, recording: Any, dbc: Any, message: str, limits: Limits) -> Signals:
    """What a sender did with a message; masked where something kept it from its work."""
    entry = dbc.get_message_by_name(message)
    lives, hangs, lost = lives_of(recording, limits.sender)
    small = [
        signal.name
        for signal in entry.signals
        if signal.length <= 4 and signal.name not in ("Counter", "Checksum")
    ]
    tried, took, first, news, wrong = [], [], [], [], []
    duty: list[Span] = []
    masks: list[Span] = [(lost, FOREVER)]
    for life in lives:
        duty.append((life.back + limits.boot + limits.look, life.end))
        mine = [one for one in recording.handed.get(message, []) if life.up <= one.at_ns < life.end]
        tried += [one.at_ns for one in mine]
        taken = [one for one in mine if one.taken]
        took += [one.at_ns for one in taken]
        first += [one.at_ns for one in taken[:1]]
        values = [_decoded(entry, one.data) for one in taken]
        wrong += [one.at_ns for one, value in zip(taken, values, strict=True) if value is None]
        for (one, a), (two, b) in pairwise(zip(taken, values, strict=True)):
            if a is None or b is None:
                continue
            if any(a[name] != b[name] for name in small):
                news.append(two.at_ns)
            if b["Counter"] != (a["Counter"] + 1) % ROLL_OVER:
                wrong.append(two.at_ns)
            if one.at_ns == two.at_ns:
                masks.append((one.at_ns, FOREVER))
        for one, after in pairwise([*mine, None]):
            if not one.taken:
                until = life.end if after is None else after.at_ns
                masks.append((one.at_ns, until + limits.late))
    masks += [(start, end + 2 * limits.late) for start, end in hangs]
    masks += _bus_off(recording, limits)
    signals = Signals(
        {
            "tried": pulses(tried),
            "took": pulses(took),
            "first": pulses(first),
            "news": pulses(news),
            "wrong": pulses(wrong),
            "duty": inside(duty),
        },
        joined(masks),
        recording.end_ns,
    )
    return signals


def _decoded(entry: Any, data: bytes) -> dict[str, Any] | None:
    head = entry.frame_id.to_bytes(2, "big")
    if len(data) != entry.length or data[0] != Crc8SaeJ1850.calc(head + data[1:]):
        return None
    return entry.decode(data, decode_choices=False)


def _bus_off(recording: Any, limits: Limits) -> list[Span]:
    """From each bus-off on until its program has had its time, and a cycle more."""
    changes = recording.controllers.get(limits.sender, [])
    found = []
    for place, change in enumerate(changes):
        if change.state == "BUS_OFF":
            back = changes[place + 1].at_ns if place + 1 < len(changes) else FOREVER
            found.append((change.at_ns, back + limits.rejoin + limits.late))
    return found


def waits(recording: Any, vehicle: Any, node: str, at: int) -> bool:
    """Whether a frame of a node waits for the bus at an instant: then its program may not have
    been able to hand anything over.
    """
    for name, entries in recording.handed.items():
        if node not in vehicle.messages[name].senders:
            continue
        last = max((one.at_ns for one in entries if one.taken and one.at_ns <= at), default=None)
        if last is None:
            continue
        identifier = vehicle.messages[name].identifier
        ends = (
            record.end_ns
            for record in recording.frames
            if record.sender == node
            and record.error is None
            and record.frame.identifier == identifier
            and record.end_ns > last
        )
        if at < min(ends, default=FOREVER):
            return True
    return False


class CycleBench:
    """Compares judge and formulas on the messages of one vehicle."""

    def __init__(self, vehicle: Any, dbc: Any) -> None:
        self.vehicle, self.dbc = vehicle, dbc
        names = [name for name in vehicle.messages if expressible_message(vehicle, name)]
        self.limits = {name: Limits(vehicle, name) for name in names}
        self.formulas = {name: limits.formulas() for name, limits in self.limits.items()}
        self.tally = Tally()
        self.broken: Counter[str] = Counter()
        self.differences: list[Difference] = []

    def compare(self, case: str, recording: Any, rng: Random, mutants: int) -> None:
        """All messages of a recording, each also with so many changed instants."""
        evidence = Case(self.vehicle, recording).evidence
        self.tally.recordings += 1
        for name in self.limits:
            self._pair(case, name, "as it was", recording, evidence)
            for _ in range(mutants):
                how, other = moved(recording, name, self.limits[name], rng)
                self._pair(case, name, how, other, evidence)

    def _pair(self, case: str, name: str, how: str, recording: Any, evidence: Any) -> None:
        limits, tally = self.limits[name], self.tally
        signals = signals_of(self.vehicle, recording, self.dbc, name, limits)
        tally.pairs += 1
        tally.all_ns += signals.end
        hidden = sum(min(b, signals.end) - a for a, b in signals.masks if a < signals.end)
        tally.compared_ns += signals.end - hidden
        [verdict] = judge_cycle(Case(self.vehicle, recording, evidence), name)
        judged = None
        if verdict.broken:
            assert verdict.at_ns is not None
            judged = Found(verdict.at_ns, "cycle")
        falses = [
            Found(at, formula.name)
            for formula in self.formulas[name]
            if (at := formula.false_at(signals)) is not None
        ]
        false = min(falses, default=None)
        if judged is not None and signals.masked(judged.at):
            if false is None or false.at >= judged.at:
                return
            judged = None
        if judged is None and false is None:
            return
        if judged is not None and false is not None and judged.at == false.at:
            tally.broken += 1
            self.broken[false.what] += 1
            return
        late = false is not None and false.what == "late"
        if false is not None and late and waits(recording, self.vehicle, limits.sender, false.at):
            tally.compared_ns -= signals.end - hidden
            return
        self.differences.append(Difference(case, name, how, judged, false, []))


def moved(recording: Any, name: str, limits: Limits, rng: Random) -> tuple[str, Any]:
    """The same recording with a message handed over at other instants: from one on all of them
    later, or one of them sooner.
    """
    entries: Sequence[Any] = recording.handed.get(name, [])
    if len(entries) < 3:
        return "too few", recording
    place = rng.randrange(1, len(entries))
    before, at = entries[place - 1].at_ns, entries[place].at_ns
    exact = before + rng.choice((limits.late, limits.soon, limits.gap)) + rng.choice((-1, 0, 1))
    to = rng.choice((exact, exact, at + rng.randrange(-40 * MS, 80 * MS)))
    to = max(before + 1, to)
    if to >= at:
        changed = [one._replace(at_ns=one.at_ns + to - at) for one in entries[place:]]
        how = "later from there on"
    else:
        changed = [entries[place]._replace(at_ns=to), *entries[place + 1 :]]
        how = "sooner"
    kept = [one for one in [*entries[:place], *changed] if one.at_ns < recording.end_ns]
    return how, replace(recording, handed={**recording.handed, name: kept})
