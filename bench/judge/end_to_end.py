"""*End to end*: whatever happened between, a load does what its inputs ask for.

This is where an unprotected request shows: a message whose content was changed on its way is
good by all that its receiver can know, and still the load does what nobody asked for.
"""

from __future__ import annotations

from collections.abc import Iterator

from bench.judge.case import Case, window
from bench.judge.control import intents
from bench.judge.exercise import margin
from bench.judge.lives import Life
from bench.judge.loads import AWAY, LoadView, join_local
from bench.judge.masks import ANY, OFF, bit, level_bit, names
from bench.judge.paint import Breach, Paint, Probe, blend, breaches, shown
from bench.judge.verdict import Outcome, Verdict, smallest, worst
from bench.model.consistency import split_signal
from bench.model.units import show_duration
from bench.model.vehicle import RequestTable


def judge_end_to_end(case: Case, view: LoadView) -> list[Verdict]:
    """The verdict on a load whose request has declared inputs; none where a pin is at fault, or
    where the inputs of a logged request are not known.
    """
    request = case.vehicle.requests.get(view.asks or "")
    if request is None or case.pins_at_fault:
        return []
    assert view.asks is not None
    if not case.simulated(case.vehicle.sender(split_signal(view.asks)[0])):
        return []
    return [_Judge(case, view, request).verdict()]


class _Judge:
    def __init__(self, case: Case, view: LoadView, request: RequestTable) -> None:
        load = view.load
        assert load.request is not None
        self.case = case
        self.view = view
        self.request = request
        message = case.vehicle.messages[split_signal(load.request)[0]]
        self.sender = case.vehicle.sender(message.name)
        self.link = case.link(message.name, load)
        self.overdue_ns = (message.period_ns or 0) + case.vehicle.wire.worst_wait
        self.way_ns = self.overdue_ns + load.latency
        self.cycle_ns = load.cycle_ns

    def verdict(self) -> Verdict:
        case, view = self.case, self.view
        paints = [*self._intended(), *self._lawful()]
        excuses = view.excuses

        def adjust(at_ns: int, mask: int) -> int:
            mask = join_local(view, at_ns, mask)
            for from_ns, to_ns, states in excuses:
                if from_ns <= at_ns < to_ns:
                    mask |= states
            return mask or ANY

        segments = blend(paints, case.end_ns, adjust, view.edges, case.start_ns)
        actual = case.actual(view.name)
        found = [Verdict(view.name, "end to end", Outcome.NOT_EXERCISED)]
        for breach in breaches(segments, actual):
            if not self._tolerated(breach):
                found.append(self._broken(breach))
        tested = [
            probe for probe in case.judged(self._probes()) if view.tests(probe, segments, actual)
        ]
        if tested:
            margins = [margin(probe, segments, actual) for probe in tested]
            found.append(Verdict(view.name, "end to end", Outcome.KEPT, smallest(margins)))
        return worst(found)

    def _lives(self) -> list[Life]:
        return [life for life in self.case.lives[self.sender].lives if life.up_ns is not None]

    def _intended(self) -> Iterator[Paint]:
        """What the inputs ask for, within the declared latencies of the whole way."""
        asked, load = bit(self.view.load.asked_state), self.view.load
        assert load.request is not None
        for life in self._lives():
            for want in intents(self.case, load.request, self.request, life):
                behind_ns = self.request.latency + self.way_ns
                for from_ns, to_ns, seen in window(
                    want.wanted, behind_ns, want.early_ns, self.case.end_ns, self.cycle_ns
                ):
                    mask = (OFF if seen & 1 else 0) | (asked if seen & 2 else 0)
                    yield Paint(max(from_ns, life.reset_ns), min(to_ns, life.end_ns), mask, "")
                for start, end in want.unsure:
                    yield Paint(start, min(end + behind_ns, self.case.end_ns), ANY, "")

    def _lawful(self) -> Iterator[Paint]:
        """States that other rules allow: fail-safe, reset, and the last request while the next
        message is overdue but the link not yet lost; what there was before the sender went out
        of service, until it has caught up.
        """
        case, load = self.case, self.view.load
        yield from (p for p in self.view.paints if p.rule in AWAY or p.rule == "latched")
        settle_ns = self.request.debounce + self.request.latency + self.way_ns
        actual = case.actual(self.view.name)
        away = [
            *((life.reset_ns, life.boot_end_ns) for life in case.lives[self.sender].lives),
            *((hang.from_ns, hang.to_ns) for hang in case.lives[self.sender].hangs),
        ]
        for from_ns, to_ns in away:
            before = shown(actual, from_ns - 1, self.cycle_ns) if from_ns else ANY
            yield Paint(from_ns, to_ns + settle_ns, before, "")
        assert load.request is not None
        _, signal = case.vehicle.signal(load.request)
        message = split_signal(load.request)[0]
        overdue = case.evidence.overdue(message, load.node, self.link, self.overdue_ns)
        for entry, next_ns in overdue.found(case.end_ns):  # only a surely good one ends the wait
            state = bit(load.asked_state) if signal.raw(entry.data) else OFF
            until_ns = entry.at_ns + self.link.surely_stale_ns + self.cycle_ns
            until_ns = min(next_ns + load.latency + self.cycle_ns, until_ns)
            yield Paint(entry.at_ns + self.overdue_ns, until_ns, state, "")

    def _probes(self) -> Iterator[Probe]:
        asked, load = bit(self.view.load.asked_state), self.view.load
        assert load.request is not None
        for life in self._lives():
            want = intents(self.case, load.request, self.request, life)[0]
            changes = want.wanted.changes()
            ends = [*(at_ns for at_ns, _ in changes[2:]), life.end_ns][: len(changes) - 1]
            behind_ns = self.request.latency + self.way_ns
            for (at_ns, value), end_ns in zip(changes[1:], ends, strict=True):
                deadline_ns = at_ns + behind_ns + (0 if value else self.cycle_ns)
                if deadline_ns < end_ns:
                    idle = OFF if value else asked
                    since_ns = at_ns - want.early_ns
                    yield Probe("end to end", since_ns, deadline_ns, end_ns, idle)

    def _tolerated(self, breach: Breach) -> bool:
        """While content is changed on its way, a wrong state may last until it is found out."""
        limit_ns = self.link.surely_stale_ns + self.cycle_ns
        return breach.to_ns - breach.from_ns <= limit_ns and any(
            start <= breach.from_ns <= end + limit_ns
            for start, end in self.case.spans(lambda fault: fault.content)
        )

    def _broken(self, breach: Breach) -> Verdict:
        wrong_ns = breach.to_ns - breach.from_ns
        actual = self.case.actual(self.view.name)
        was = names(level_bit(actual.at(breach.from_ns)))
        text = (
            f"was {was} while its inputs ask for {names(breach.mask)};"
            f" wrong for {show_duration(wrong_ns)}"
        )
        return Verdict(
            self.view.name,
            "end to end",
            Outcome.BROKEN,
            -wrong_ns,
            breach.from_ns,
            wrong_ns,
            text,
        )
