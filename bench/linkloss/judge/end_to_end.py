"""*End to end*: whatever happens in between, a load does what its inputs ask for.

This rule shows up an unprotected request: a message whose content was changed on its way is good by
all that its receiver can know, and still the load does what nobody asked for.
"""

from __future__ import annotations

from collections.abc import Iterator

from linkloss.judge.case import Case, window
from linkloss.judge.control import intents
from linkloss.judge.loads import LoadView
from linkloss.judge.news import LIMITS, rule_name, spans_away
from linkloss.judge.states import (
    ANY,
    FLASH,
    OFF,
    ON,
    Span,
    State,
    Stretch,
    Wrong,
    admits,
    at,
    shown_word,
    state_words,
    united,
    wrong,
)
from linkloss.judge.uptimes import Uptime
from linkloss.judge.verdict import Cause, Outcome, Verdict, smallest, worst
from linkloss.judge.walk import NEVER
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.tables import RequestTable


def judge_end_to_end(case: Case, view: LoadView) -> list[Verdict]:
    """The verdict on a load whose request has declared inputs. None where a pin is at fault, or
    where the request comes from a log, so that its inputs are not known.
    """
    asks = None if view.asks is None else case.vehicle.asking_signal(view.load)
    request = None if asks is None else case.vehicle.requests.get(asks)
    if asks is None or request is None or case.pins_at_fault:
        return []
    if not case.simulated(case.vehicle.sender(split_signal(asks)[0])):
        return []
    return [_Judge(case, view, asks, request).verdict()]


class _Judge:
    def __init__(self, case: Case, view: LoadView, asks: str, request: RequestTable) -> None:
        load = view.load
        self.asks = asks
        self.case = case
        self.view = view
        self.request = request
        message = case.vehicle.messages[split_signal(asks)[0]]
        self.sender = case.vehicle.sender(message.name)
        self.link = case.link(message.name, load)
        self.overdue_ns = case.vehicle.period_ns(asks)
        self.overdue_ns += case.vehicle.bus_with(message.name).worst_wait
        self.latency_ns = max(load.latency, load.off_latency_ns)
        self.way_ns = self.overdue_ns + self.latency_ns
        self.cycle_ns = load.cycle_ns
        self.changes = view.changes
        if load.level is not None:  # another rule judges how much of it
            self.changes = [(at_ns, 100.0 * (shown > 0)) for at_ns, shown in view.changes]

    def verdict(self) -> Verdict:
        case, view = self.case, self.view
        stretches = united(
            [self._lit(span) for span in (*self._intended(), *self._lawful())],
            case.end_ns,
            case.start_ns,
            self._joined,
            self._edges(),
        )
        found = [Verdict(view.name, "end to end", Outcome.NOT_EXERCISED)]
        for part in wrong(stretches, self.changes):
            if not self._tolerated(part):
                found.append(self._broken(part))
        margins = list(self._tested(stretches))
        if margins:
            found.append(Verdict(view.name, "end to end", Outcome.KEPT, smallest(margins)))
        return worst(found)

    def _lit(self, span: Span) -> Span:
        return span._replace(state=ON) if isinstance(span.state, float) else span

    def _uptimes(self) -> list[Uptime]:
        return [
            uptime
            for uptime in self.case.histories[self.sender].uptimes
            if uptime.up_ns is not None
        ]

    def _intended(self) -> Iterator[Span]:
        """What the inputs ask for, within the declared latencies of the whole way."""
        load = self.view.load
        waiting = self.view.sources.waiting
        for uptime in self._uptimes():
            for want in intents(self.case, self.asks, self.request, uptime):
                behind_ns = self.request.latency + self.way_ns
                for from_ns, to_ns, seen in window(
                    want.wanted, behind_ns, want.early_ns, self.case.end_ns, self.cycle_ns
                ):
                    from_ns = max(from_ns, uptime.reset_ns)
                    to_ns = min(waiting.until(from_ns, to_ns), uptime.end_ns)
                    if seen & 1:
                        yield Span(from_ns, to_ns, OFF)
                    if seen & 2:
                        yield Span(from_ns, to_ns, load.asked_state)
                    if seen & 2 and load.level is not None:  # the level asked for may be 0
                        yield Span(from_ns, to_ns, OFF)
                for start, end in want.unsure:
                    yield Span(start, min(end + behind_ns, self.case.end_ns), ANY)

    def _lawful(self) -> Iterator[Span]:
        """States that other rules allow: fail-safe, reset, the last request while the next message
        is overdue but the link not yet lost, and the state from before a node went out of service,
        until it has caught up.
        """
        case, load, sources = self.case, self.view.load, self.view.sources
        request = sources.named["request"]
        for from_ns, to_ns, state in spans_away(request):
            yield Span(from_ns, min(to_ns, case.end_ns), state)
        yield from (Span(*held) for held in sources.held)
        for from_ns, to_ns in sources.waiting.spans:
            yield from self._as_before(from_ns, to_ns + load.latency)
        for uptime in case.histories[load.node].uptimes[1:] if load.survives_reset else ():
            # It waits for messages as after any other reset.
            due_ns = request.next_due(uptime.reset_ns)
            yield from self._as_before(uptime.reset_ns, min(due_ns, uptime.end_ns))
        settle_ns = self.request.debounce + self.request.latency + self.way_ns
        history = case.histories[self.sender]
        for uptime in history.uptimes:
            yield from self._as_before(uptime.reset_ns, uptime.boot_end_ns + settle_ns)
        for hang in history.hangs:
            yield from self._as_before(hang.from_ns, hang.to_ns + settle_ns)
        message, signal = case.vehicle.signal(self.asks)
        overdue = case.evidence.overdue(message.name, load.node, self.link, self.overdue_ns)
        for entry, next_ns in overdue.found(case.end_ns):  # only a surely good one ends the wait
            if entry.elsewhere:
                continue
            state = load.asked_state if signal.nonzero(entry.data) else OFF
            late_ns = next_ns + self.latency_ns
            lost_ns = sources.waiting.taken_by(entry.at_ns) + self.link.surely_stale_ns
            # After a loss, or a possible one, it waits for as long as the request does.
            due_ns = request.next_due(entry.at_ns, max(next_ns, lost_ns))
            until_ns = min(lost_ns if due_ns >= NEVER else due_ns, case.end_ns)
            if load.link is not None or next_ns <= lost_ns:
                until_ns = late_ns if due_ns >= NEVER else max(until_ns, late_ns)
            until_ns += self.cycle_ns
            yield Span(entry.at_ns + self.overdue_ns, until_ns, state)

    def _as_before(self, from_ns: int, to_ns: int) -> Iterator[Span]:
        """The state in which the load was when something began, for as long as that lasts."""
        if not from_ns:
            yield Span(from_ns, to_ns, ANY)
            return
        lit = at(self.changes, from_ns - 1) > 0
        yield Span(from_ns, to_ns, ON if lit else OFF)
        if self.cycle_ns:
            yield Span(from_ns, to_ns, FLASH)

    # ---- the local input, the hardware, what is never allowed ----

    def _edges(self) -> Iterator[int]:
        for name, source in self.view.sources.named.items():
            if name != "request":
                for news in source.news[1:]:
                    yield from (news.from_ns, min(news.by_ns, NEVER))

    def _possible(self, name: str, at_ns: int) -> list[State]:
        """What a source may call for at an instant."""
        source = self.view.sources.named[name]
        news = source.news
        ends = [*(entry.by_ns for entry in news[1:]), NEVER]
        return [
            entry.calls
            for entry, end_ns in zip(news, ends, strict=True)
            if entry.from_ns <= at_ns < end_ns or (entry.from_ns == end_ns == at_ns)
        ]

    def _joined(self, at_ns: int, states: set[State]) -> set[State]:
        """The states, with what the other sources make of them."""
        load, named = self.view.load, self.view.sources.named
        if "local" in named:
            local = self._possible("local", at_ns)
            alone = {state for state in states if OFF in local}
            states = alone | {load.asked_state for state in local if state != OFF}
        instead = {name: OFF for name in ("trip", *LIMITS) if name in named}
        for index, rule in enumerate(load.never):
            instead[rule_name(index)] = OFF if rule.state == "on" else ON
        states = {
            *states,
            *(s for name, s in instead.items() if True in self._possible(name, at_ns)),
        }
        for uptime in self.case.histories[load.node].uptimes:
            if uptime.reset_ns <= at_ns < uptime.boot_end_ns + load.latency:
                if uptime.cause == "sleep":
                    states = {*states, load.on_sleep}
                    continue
                lit = load.hardware_default == "on"
                states = {*states, ON if lit else OFF}
                if load.hardware_default == "local":
                    states = {ANY}
        return states

    # ---- verdicts ----

    def _tested(self, stretches: list[Stretch]) -> Iterator[int | None]:
        """The margin at each change of what the inputs ask for after which a load that stayed as it
        was would have been wrong. The deadline is the sum of all latencies or, where the load is
        excused then, the end of the excuse.
        """
        load, changes = self.view.load, self.changes
        for uptime in self._uptimes():
            want = intents(self.case, self.asks, self.request, uptime)[0]
            wanted = want.wanted.changes()
            ends = [*(at_ns for at_ns, _ in wanted[2:]), uptime.end_ns][: len(wanted) - 1]
            behind_ns = self.request.latency + self.way_ns
            for (at_ns, value), end_ns in zip(wanted[1:], ends, strict=True):
                deadline_ns = at_ns + behind_ns + (0 if value else self.cycle_ns)
                since_ns = at_ns - want.early_ns
                idle = OFF if value else load.asked_state
                if deadline_ns >= end_ns or since_ns < self.case.start_ns:
                    continue
                seen = (p for p in stretches if self._shows(idle, p, deadline_ns, end_ns))
                first = next(seen, None)
                if first is None:
                    continue
                due_ns = max(deadline_ns, first.from_ns)
                moved = [t for t, _ in changes if since_ns < t <= due_ns]
                if moved:
                    yield due_ns - (moved[0] if load.flash is not None else moved[-1])

    def _shows(self, idle: State, part: Stretch, from_ns: int, to_ns: int) -> bool:
        """Whether a load that stays in state ``idle`` would be seen to be wrong within a
        stretch.
        """
        lasts_ns = min(part.to_ns, to_ns) - max(part.from_ns, from_ns)
        if lasts_ns <= 0 or not part.states or ANY in part.states:
            return False
        if idle == FLASH:
            return FLASH not in part.states and lasts_ns >= self.cycle_ns
        if FLASH in part.states:
            return part.states == {FLASH} and lasts_ns > self.cycle_ns
        level = 100.0 if idle == ON else 0.0
        return not any(admits(state, level) for state in part.states)

    def _tolerated(self, part: Wrong) -> bool:
        """While a fault changes content on its way, a wrong state may last until the receiver can
        detect it.
        """
        limit_ns = self.link.surely_stale_ns + self.cycle_ns
        return part.to_ns - part.from_ns <= limit_ns and any(
            start <= part.from_ns <= end + limit_ns
            for start, end in self.case.spans(lambda fault: fault.content, self.view.load.node)
        )

    def _broken(self, part: Wrong) -> Verdict:
        return Verdict.missed(
            self.view.name, "end to end", part.from_ns, part.to_ns - part.from_ns,
            Cause.NOT_AS_INPUTS_ASK, shown_word(part.shown), state_words(part.states),
        )  # fmt: skip
