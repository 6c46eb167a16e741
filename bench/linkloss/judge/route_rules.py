"""The rules of a route: *gateway*, and *gateway stale* for what becomes of a silent source.

    good at the gateway   1    2    3    4    -    -    -    -        a new value each time
    handed over           .  1 .  2 .  3 .  4 .  4 .  4 .  n .  n     n: not available
    newest for the judge  |----|----|----|----|                       a value counts for 'latency'
    may be stale                                   [---------         more, once a newer one came
    must be stale                                          [---       'stale_after' and 'latency'

What counts is what the gateway's program hands to its controller, and what its controller received:
it does not answer for what the buses make of it. A frame that then waits longer than a cycle and
the latency must still be right when it starts.

*gateway*: each value that is handed over is that of a good message, converted, and no older than
``latency`` allows; after each good message something is handed over in time. Kept where a value
that changed was passed on. *gateway stale*: nothing of a silent source is handed over as if it were
there. Kept where the source was silent for so long that repeating the last value would show.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from linkloss.judge.case import Case, TimeSpan, off_the_bus
from linkloss.judge.control import waited
from linkloss.judge.evidence import Arrival, Link
from linkloss.judge.message_rules import LATE_CYCLES, between, waiting
from linkloss.judge.uptimes import Uptime, merged
from linkloss.judge.verdict import Cause, Outcome, Verdict, smallest, worst
from linkloss.recording import Handed
from linkloss.units import plain, show_duration
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.routes import Passed, passed

GATEWAY, GATEWAY_STALE = "gateway", "gateway stale"


def judge_route(case: Case, name: str) -> list[Verdict]:
    """Both rules of a route whose gateway was simulated, and *stale* of the loads that kept a state
    only because the gateway repeated what was lost.
    """
    route = _Route(case, name)
    found = [Verdict(name, rule, Outcome.NOT_EXERCISED) for rule in (GATEWAY, GATEWAY_STALE)]
    for life in route.lives():
        found += [*life.wrong(), *life.late(), *life.kept(), *life.kept_stale()]
    since_ns = case.start_ns
    if case.since_ns:
        since_ns = max(since_ns, case.since_ns + route.table.stale_after + route.latency_ns)
    found = [verdict for verdict in found if verdict.at_ns is None or verdict.at_ns >= since_ns]
    loads = [alive for verdict in found for alive in route.kept_alive(verdict)]
    return [
        *(
            worst(verdict for verdict in found if verdict.rule == rule)
            for rule in (GATEWAY, GATEWAY_STALE)
        ),
        *(
            worst(verdict for verdict in loads if verdict.subject == load)
            for load in dict.fromkeys(verdict.subject for verdict in loads)
        ),
    ]


class _Route:
    """A route in a case: what its gateway received and handed over."""

    def __init__(self, case: Case, name: str) -> None:
        self.case = case
        self.name = name
        self.table = case.vehicle.routes[name]
        self.source = case.vehicle.messages[self.table.source_message]
        self.target = case.vehicle.messages[self.table.target_message]
        self.node = case.vehicle.sender(self.target.name)
        self.signals = passed(self.table, case.vehicle.messages)
        self.latency_ns = self.table.latency + case.slack(self.node, self.table.latency)
        slack_ns = case.slack(self.node, self.table.stale_after)
        self.stale_ns = self.table.stale_after + slack_ns
        period_ns = self.source.period_ns or self.table.stale_after
        self.link = Link(
            stale_after_ns=self.table.stale_after,
            early_ns=self.table.early_ns + slack_ns,
            reaction_ns=self.latency_ns + slack_ns,
            max_step=max(1, self.table.stale_after // period_ns),
            after_jump="either",
        )
        self.confirm = self.table.confirm or (1 if self.source.counter is None else 2)
        hangs = [(hang.from_ns, hang.to_ns) for hang in case.histories[self.node].hangs]
        self.busy = merged([*hangs, *case.undersupplied(self.node)])
        """When its program cannot work: it hangs, or its supply is out of range."""
        self.mute = [*self.busy, *off_the_bus(case, self.node, self.target.bus)]

    def lives(self) -> Iterator[_Life]:
        """What happened in each uptime of the gateway."""
        case, handed = self.case, self.case.recording.handed.get(self.target.name, [])
        watch = case.evidence.watch(self.source.name, self.node, self.link)
        for place, uptime in enumerate(case.histories[self.node].uptimes):
            if uptime.up_ns is not None and uptime.end_ns > case.start_ns:
                yield _Life(
                    self,
                    uptime,
                    watch.uptimes[place],
                    watch.refused[place],
                    between(handed, uptime.up_ns, uptime.end_ns),
                )

    def kept_alive(self, stale: Verdict) -> Iterator[Verdict]:
        """The loads that did, to the end of a span in which the gateway passed on a silent source,
        what the repeated message asks for, while it would have asked for something else, or nobody
        would have asked.
        """
        if not (stale.broken and stale.rule == GATEWAY_STALE and stale.wrong_for_ns):
            return
        at_ns = stale.at_ns or 0
        to_ns = at_ns + stale.wrong_for_ns
        for name, load in self.case.vehicle.loads.items():
            if load.request_messages != (self.target.name,) or load.flash is not None:
                continue
            if not self.case.simulated(load.node) or self._restarted(load.node, at_ns, to_ns):
                continue
            due_ns = at_ns + load.latency
            if self.table.on_stale == "stop":
                due_ns = at_ns + (load.stale_after or 0) + load.reaction
            right = self._right(load, to_ns)
            shown = self.case.command(name).at(to_ns - 1) > 0
            wrong = due_ns < to_ns and right is not None and shown != right
            if wrong and shown == self._asks(load, to_ns, stale=False):
                yield Verdict.missed(
                    name, "stale", due_ns, to_ns - due_ns, Cause.KEPT_ALIVE, _word(shown),
                    _word(not shown), about=(self.target.name, self.source.name),
                    culprit=self.node,
                )  # fmt: skip

    def _restarted(self, node: str, from_ns: int, to_ns: int) -> bool:
        uptimes = self.case.histories[node].uptimes
        return any(from_ns <= up.reset_ns < to_ns or up.end_ns == from_ns for up in uptimes)

    def _right(self, load: LoadTable, at_ns: int) -> bool | None:
        """The state that is right for a load while the source is silent; None if that depends on
        more than the route says.
        """
        if self.table.on_stale != "stop":
            return self._asks(load, at_ns, stale=True)
        return load.on_stale == "on" if load.on_stale in ("on", "off") else None

    def _asks(self, load: LoadTable, at_ns: int, *, stale: bool) -> bool:
        """Whether the last frame before an instant asks for a load; ``stale``: with what it should
        have said of a silent source.
        """
        handed = self.case.recording.handed.get(self.target.name, [])
        place = bisect_left(handed, at_ns, key=lambda entry: entry.at_ns)
        sent = [entry.data for entry in handed[:place] if len(entry.data) == self.target.length]
        values = {
            f"{self.target.name}.{name}": signal.physical(sent[-1])
            for name, signal in self.target.signals.items()
        }
        if stale:
            for each in self.signals:
                if each.stale is not None:
                    values[f"{self.target.name}.{each.target.name}"] = each.stale
        return load.request is not None and bool(load.request(values))


def _word(state: bool) -> str:
    return "on" if state else "off"


@dataclass
class _Life:
    """An uptime of a gateway: what was good at it, what it refused, what it handed over."""

    route: _Route
    uptime: Uptime
    arrivals: Sequence[Arrival]
    refused: Sequence[int]
    handed: Sequence[Handed]

    @cached_property
    def end_ns(self) -> int:
        """When it ends."""
        return min(self.uptime.end_ns, self.route.case.end_ns)

    @cached_property
    def good(self) -> list[Arrival]:
        """The messages whose values may be passed on."""
        return [entry for entry in self.arrivals if entry.data and not entry.lost]

    def firm(self, entry: Arrival) -> bool:
        """Whether the program surely had a message and took it."""
        at_ns = entry.at_ns
        if not entry.sure or entry.lost or at_ns < self.uptime.boot_end_ns:
            return False
        return not any(from_ns <= at_ns <= to_ns for from_ns, to_ns in self.route.busy)

    @cached_property
    def doubts(self) -> list[TimeSpan]:
        """When the gateway may hold the source for stale: before the ``confirm``-th good message in
        a row after its boot or after a silence.
        """
        found: list[TimeSpan] = []
        limit_ns, in_row = self.route.link.maybe_stale_ns, 0
        bad = sorted([*self.refused, *self._damaged])
        since_ns: int | None = self.uptime.reset_ns
        last_ns = self.uptime.reset_ns
        for entry in self.arrivals:
            at_ns = entry.at_ns
            if at_ns - last_ns >= limit_ns:
                since_ns = last_ns + limit_ns if since_ns is None else since_ns
                in_row = 0
            if not self.firm(entry):
                in_row = 0
                since_ns = at_ns if entry.lost and since_ns is None else since_ns
                continue
            if bisect_right(bad, last_ns) < bisect_left(bad, at_ns):
                in_row = 0
            in_row, last_ns = in_row + 1, at_ns
            if since_ns is not None and in_row >= self.route.confirm:
                found.append((since_ns, at_ns))
                since_ns = None
        if since_ns is None and self.end_ns - last_ns >= limit_ns:
            since_ns = last_ns + limit_ns
        return found if since_ns is None else [*found, (since_ns, self.end_ns)]

    @cached_property
    def _damaged(self) -> list[int]:
        return self.route.case.traffic(self.route.source.name).damaged_at(self.route.node)

    def since(self, at_ns: int, wait_ns: int = 0) -> int:
        """From when on the state of the source may still show in what is handed over at an
        instant.
        """
        since_ns = at_ns - self.route.latency_ns - wait_ns
        for from_ns, to_ns in reversed(self.route.busy):
            if from_ns <= at_ns and to_ns >= since_ns:
                since_ns = min(since_ns, from_ns - self.route.latency_ns)
        return since_ns

    def fresh(self, at_ns: int, since_ns: int) -> list[Arrival]:
        """The good messages that may be the newest for the program at an instant."""
        found: list[Arrival] = []
        for place in range(bisect_right(self.good, at_ns, key=_instant) - 1, -1, -1):
            entry = self.good[place]
            if entry.at_ns + self.route.stale_ns < since_ns:
                break
            found.append(entry)
            if entry.at_ns <= since_ns and self.firm(entry):
                break
        return found

    def may_be_stale(self, at_ns: int, since_ns: int) -> bool:
        """Whether the gateway may say at an instant that the source is silent."""
        return any(from_ns <= at_ns and to_ns >= since_ns for from_ns, to_ns in self.doubts)

    # ---- what is handed over

    def wrong(self) -> Iterator[Verdict]:
        """Frames with a value that nothing good explains, and those that waited for too long."""
        for place, entry in enumerate(self.handed):
            found = self._mistake(entry.at_ns, entry.data)
            if found is not None:
                yield self._lasting(found, place)
        limit_ns = (self.route.target.period_ns or 0) + self.route.latency_ns
        for frame in waited(self.route.case, self.route.target.name):
            inside = self.uptime.up_ns or 0, self.end_ns
            if frame.start_ns - frame.queued_ns > limit_ns and (
                inside[0] <= frame.queued_ns and frame.start_ns < inside[1]
            ):
                found = self._mistake(frame.start_ns, frame.data, limit_ns)
                if found is not None:
                    yield found

    def _lasting(self, found: Verdict, place: int) -> Verdict:
        """A mistake with how long it lasted: until a right frame is handed over."""
        at_ns, to_ns = self.handed[place].at_ns, self.end_ns
        for entry in self.handed[place + 1 :]:
            if self._mistake(entry.at_ns, entry.data) is None:
                to_ns = entry.at_ns
                break
        return Verdict.wrong(
            found.subject, found.rule, at_ns, to_ns - at_ns,
            found.cause or Cause.TOLD, found.observed, found.allowed,
            about=found.about, culprit=found.culprit,
        )  # fmt: skip

    def _mistake(self, at_ns: int, data: bytes, wait_ns: int = 0) -> Verdict | None:
        """What is wrong with a frame of the target; None if nothing is, or if another rule tells
        it.
        """
        route = self.route
        if len(data) != route.target.length:
            return None
        since_ns = self.since(at_ns, wait_ns)
        fresh = self.fresh(at_ns, since_ns)
        stale = self.may_be_stale(at_ns, since_ns)
        stops = route.table.on_stale == "stop"
        if stops and not fresh:
            return self._verdict(at_ns, data, route.signals[0], [], stale=True)
        for signal in route.signals:
            values = [signal.value(signal.source.physical(entry.data)) for entry in fresh]
            shown = signal.target.physical(data)
            if any(value is None or signal.near(shown, value) for value in values):
                continue
            if stale and signal.says_stale(shown):
                continue
            right = [value for value in values if value is not None]
            return self._verdict(at_ns, data, signal, right, stale=stale)
        return None

    def _verdict(
        self, at_ns: int, data: bytes, signal: Passed, right: Sequence[float], *, stale: bool
    ) -> Verdict:
        route, shown = self.route, signal.target.physical(data)
        name = f"{route.target.name}.{signal.target.name}"
        allowed = [plain(round(value, 9)) for value in dict.fromkeys(right)]
        if stale:
            allowed += ["no frame" if signal.stale is None else plain(signal.stale)]
        cause, about = self._cause(at_ns, signal, shown, silent=not right)
        kept = not right or (cause is Cause.PASSED_OLD and self._outlived(at_ns, signal, shown))
        return Verdict.wrong(
            route.name, GATEWAY_STALE if kept else GATEWAY, at_ns, 0, cause,
            plain(round(shown, 9)), " or ".join(allowed), about=(name, *about), culprit=route.node,
        )  # fmt: skip

    def _cause(
        self, at_ns: int, signal: Passed, shown: float, *, silent: bool
    ) -> tuple[Cause, tuple[str, ...]]:
        source = self.route.source.name
        if silent:
            place = bisect_right(self.good, at_ns, key=_instant) - 1
            if place < 0:
                return Cause.PASSED_UNHEARD, (source,)
            age = show_duration(at_ns - self.good[place].at_ns)
            return Cause.PASSED_STALE, (age, source)
        if signal.says_stale(shown):
            return Cause.GAVE_UP, (source,)
        if self._shows(signal, shown, self._unsound(at_ns)):
            return Cause.PASSED_BAD, (source,)
        if self._shows(signal, shown, [e.data for e in self.good if e.at_ns < at_ns]):
            return Cause.PASSED_OLD, ()
        return Cause.PASSED_WRONG, ()

    def _outlived(self, at_ns: int, signal: Passed, shown: float) -> bool:
        """Whether a value is from before a silence that surely counted as one."""
        known = [entry for entry in self.good if entry.at_ns < at_ns]
        place = max(n for n, each in enumerate(known) if self._shows(signal, shown, [each.data]))
        next_ns = known[place + 1].at_ns if place + 1 < len(known) else at_ns
        return next_ns - known[place].at_ns > self.route.link.surely_stale_ns

    def _unsound(self, at_ns: int) -> list[bytes]:
        """The content of the frames of the source that were not good, of the right length."""
        traffic, node = self.route.case.traffic(self.route.source.name), self.route.node
        damaged = [
            r.frame.data for r in traffic.damaged if node in r.receivers and r.end_ns < at_ns
        ]
        repeats = {each for each in self.refused if each < at_ns}
        damaged += [seen.data for seen in traffic.frames if seen.at_ns in repeats]
        return [data for data in damaged if len(data) == self.route.source.length]

    def _shows(self, signal: Passed, shown: float, contents: Sequence[bytes]) -> bool:
        values = (signal.value(signal.source.physical(data)) for data in contents)
        return any(value is not None and signal.near(shown, value) for value in values)

    # ---- when it is handed over

    def late(self) -> Iterator[Verdict]:
        """Good messages after which nothing is handed over in time."""
        route, times = self.route, [entry.at_ns for entry in self.handed]
        node, bus = route.node, route.target.bus
        waits = waiting(route.case, node, bus, self.uptime.reset_ns, self.end_ns)
        down = [*route.mute, *waits]
        for entry in self.good:
            at_ns, due_ns = entry.at_ns, entry.at_ns + route.latency_ns
            if due_ns >= self.end_ns or not self.firm(entry):
                continue
            place = bisect_left(times, at_ns)
            came_ns = times[place] if place < len(times) else self.end_ns
            if came_ns <= due_ns or any(a <= due_ns and b >= at_ns for a, b in down):
                continue
            if route.table.on_stale == "stop" and self.may_be_stale(due_ns, at_ns):
                continue
            yield Verdict.missed(
                route.name, GATEWAY, due_ns, came_ns - due_ns, Cause.NOT_PASSED,
                allowed=show_duration(route.latency_ns),
                about=(route.target.name, route.source.name), culprit=route.node,
            )  # fmt: skip

    def kept(self) -> Iterator[Verdict]:
        """Changes that were passed on in time: one that had kept the old value, or converted it
        in another way, would show.
        """
        route = self.route
        times = [entry.at_ns for entry in self.handed]
        margins: list[int] = []
        for before, entry in zip(self.good, self.good[1:], strict=False):
            if entry.at_ns < route.case.start_ns or not self._differ(before.data, entry.data):
                continue
            due_ns = entry.at_ns + route.latency_ns
            low, high = bisect_left(times, entry.at_ns), bisect_right(times, due_ns)
            shown = (h.at_ns for h in self.handed[low:high] if self._is_of(h.data, entry.data))
            came_ns = next(shown, None)
            if came_ns is not None:
                margins.append(due_ns - came_ns)
        if margins:
            yield Verdict(route.name, GATEWAY, Outcome.KEPT, smallest(margins))

    def _differ(self, one: bytes, other: bytes) -> bool:
        """Whether two contents of the source become values that cannot be mistaken."""
        for signal in self.route.signals:
            values = [signal.value(signal.source.physical(data)) for data in (one, other)]
            known = [value for value in values if value is not None]
            if len(known) > 1 and signal.apart(*known):
                return True
        return False

    def _is_of(self, data: bytes, source: bytes) -> bool:
        """Whether a frame of the target has the values of a content of the source."""
        if len(data) != self.route.target.length:
            return False
        pairs = ((s, s.value(s.source.physical(source))) for s in self.route.signals)
        return all(
            value is None or signal.near(signal.target.physical(data), value)
            for signal, value in pairs
        )

    def kept_stale(self) -> Iterator[Verdict]:
        """Silences of the source that were long enough to tell: one that repeated the last value
        would have handed it over.
        """
        route = self.route
        cycle_ns = round(LATE_CYCLES * (route.target.period_ns or route.latency_ns))
        ends = [*(entry.at_ns for entry in self.good[1:]), self.end_ns]
        for entry, next_ns in zip(self.good, ends, strict=True):
            due_ns = entry.at_ns + route.stale_ns + route.latency_ns
            if due_ns + cycle_ns > next_ns or due_ns < route.case.start_ns:
                continue
            if any(a < next_ns and b > entry.at_ns for a, b in route.mute):
                continue
            margin_ns = self._gave_way(entry.at_ns, due_ns, next_ns)
            if margin_ns is not None:
                yield Verdict(route.name, GATEWAY_STALE, Outcome.KEPT, margin_ns)

    def _gave_way(self, last_ns: int, due_ns: int, next_ns: int) -> int | None:
        """How long before the deadline the gateway no longer passed on a silent source; None if it
        handed over nothing that tells.
        """
        if self.route.table.on_stale == "stop":
            sent = [h.at_ns for h in between(self.handed, self.uptime.reset_ns, next_ns)]
            before = [at_ns for at_ns in sent if at_ns <= due_ns]
            return due_ns - before[-1] if before and before[-1] == sent[-1] else None
        signal = self.route.signals[0]
        stale = [
            entry.at_ns
            for entry in between(self.handed, last_ns, next_ns)
            if len(entry.data) == self.route.target.length
            and signal.says_stale(signal.target.physical(entry.data))
        ]
        return due_ns - stale[0] if stale and stale[-1] > due_ns else None


def _instant(entry: Arrival) -> int:
    return entry.at_ns
