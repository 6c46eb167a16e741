"""What the inputs ask for: the truth behind a request, worked out without any program.

Inputs are taken as the request's node reads them, debounced. Received signals are taken as they
were delivered to the node, and as declared once they are stale.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

from linkloss.judge.case import Case, Intent, over_time
from linkloss.judge.evidence import Link
from linkloss.judge.uptimes import taken_by, within
from linkloss.recording import Series
from linkloss.vehicle.expression import Condition, Value, split_signal
from linkloss.vehicle.load import usual_early_ns
from linkloss.vehicle.tables import RequestTable

STALE = "stale"
"""The value of a received signal while it is missing."""


def debounced(source: Series[Value], stable_ns: int, from_ns: int) -> Series[Value]:
    """A value that follows its source once the source has been stable for ``stable_ns``.

    At ``from_ns``, when the program begins, the value at that moment counts as stable.
    """
    result: Series[Value] = Series()
    result.set(from_ns, source.at(from_ns))
    changes = [(at, value) for at, value in source.changes() if at > from_ns]
    for index, (at_ns, value) in enumerate(changes):
        stable_at = at_ns + stable_ns
        if index + 1 == len(changes) or changes[index + 1][0] >= stable_at:
            result.set(stable_at, value)
    return result


def deferred(source: Series[Value], down: Sequence[tuple[int, int]]) -> Series[Value]:
    """A value as seen by a program that does not run in the spans ``down``: it sees a change within
    one of them at its end.
    """
    result: Series[Value] = Series()
    for at_ns, value in source.changes():
        seen_ns = next((end for start, end in down if start < at_ns < end), at_ns)
        result.set(seen_ns, value)
    return result


def intent(
    case: Case,
    name: str,
    request: RequestTable,
    from_ns: int,
    to_ns: int,
    down: Sequence[tuple[int, int]] = (),
    *,
    trusting: bool = True,
    settled: bool = True,
) -> Intent:
    """What a request's inputs ask for, as seen by a program that begins at ``from_ns``.

    ``down`` are spans in which it was stopped but kept its memory. Where a received message may
    rightly be refused, a ``trusting`` program takes it, and takes its link for lost as late as it
    may. A program that is not trusting does the opposite; it takes a link for restored only after
    the request's latency and, where the message has a counter, with the second message in a row. A
    ``settled`` program trusts the inputs that it finds at its start at once; one that is not knows
    nothing of them until they have been debounced.
    """
    builder = _Builder(
        case, name, request, from_ns, to_ns, down, trusting=trusting, settled=settled
    )
    wanted = builder.wanted(request.debounce)
    unsure = [*builder.bouncing(request.debounce), *builder.doubts]
    return Intent(wanted, unsure, early_ns=request.debounce)


class _Builder:
    def __init__(
        self,
        case: Case,
        name: str,
        request: RequestTable,
        from_ns: int,
        to_ns: int,
        down: Sequence[tuple[int, int]],
        *,
        trusting: bool,
        settled: bool,
    ) -> None:
        self.case = case
        self.request = request
        self.node = case.vehicle.sender(split_signal(name)[0])
        self.heard_from_ns = from_ns
        self.from_ns = from_ns if settled else min(to_ns, from_ns + request.debounce)
        self.to_ns = to_ns
        self.down = down
        self.trusting = trusting
        self.doubts: list[tuple[int, int]] = []

    def wanted(self, debounce_ns: int) -> Series[bool]:
        """The request as its whole table makes it."""
        request = self.request
        follows = self.condition(request.follows, debounce_ns)
        if request.until is not None:
            follows = _hysteresis(follows, self.condition(request.until, debounce_ns))
        spans = _spans(follows, self.to_ns)
        if request.one_touch is not None:
            touch = request.one_touch
            spans = [
                (start, max(end, start + touch.lasts) if end - start < touch.shorter_than else end)
                for start, end in spans
            ]
        if request.off_delay is not None:
            spans = [
                (start, end + request.off_delay if end < self.to_ns else end)
                for start, end in spans
            ]
        if request.prime is not None:
            primed = _spans(self.condition(request.prime.when, debounce_ns), self.to_ns)
            lasts = request.prime.lasts
            spans += [(start, min(end, start + lasts)) for start, end in primed]
        if request.only_while is not None:
            allowed = _spans(self.condition(request.only_while, debounce_ns), self.to_ns)
            if request.once_per_press:
                moved = self._moved(request.only_while, debounce_ns)
                self.doubts += [
                    (start, end)
                    for start, end in spans
                    if any(abs(at_ns - start) <= debounce_ns for at_ns in moved)
                ]
            spans = list(_gated(spans, allowed, once=request.once_per_press))
        return _series(spans, self.from_ns)

    def _moved(self, condition: Condition, debounce_ns: int) -> list[int]:
        """When inputs of a condition changed, debounced. Of two inputs that change together a
        program may note either first, so a press may or may not be refused then.
        """
        return [
            at_ns
            for name in condition.names
            if "." not in name
            for at_ns in debounced(self._seen(name), debounce_ns, self.from_ns).times
            if at_ns > self.from_ns
        ]

    def bouncing(self, debounce_ns: int) -> list[tuple[int, int]]:
        """From the first of two edges closer than the debounce time until the last one is
        debounced.
        """
        names = {
            name
            for condition in self.request.conditions
            for name in condition.names
            if "." not in name
        }
        found = []
        for name in sorted(names):
            times = self.case.recording.seen[(name, self.node)].times
            found += [
                (first, second + debounce_ns)
                for first, second in pairwise(times)
                if second - first < debounce_ns
            ]
        return found

    def condition(self, condition: Condition, debounce_ns: int) -> Series[bool]:
        """One condition over debounced inputs and received signals."""
        sources: dict[str, Series[Value]] = {
            name: self._received(name)
            if "." in name
            else deferred(debounced(self._seen(name), debounce_ns, self.from_ns), self.down)
            for name in condition.names
        }
        stale = [name for name in sources if "." in name]
        if not stale:
            return _from(over_time(condition, sources), self.from_ns)
        received = self.request.received
        assert received is not None
        when_stale = received.when_stale == "on"

        def test(values: Mapping[str, Value]) -> bool:
            if any(values[name] == STALE for name in stale):
                return when_stale
            return condition(values)

        return _from(over_time(test, sources), self.from_ns)

    def _seen(self, name: str) -> Series[Value]:
        seen = self.case.recording.seen[(name, self.node)]
        return deferred(seen, self.down) if self.down else seen

    def received_link(self, reference: str) -> Link:
        """How the node monitors a signal that it decides by; the reaction time is common
        practice.
        """
        message, signal = self.case.vehicle.signal(reference)
        received = self.request.received
        assert received is not None
        period_ns = message.period_ns or received.stale_after
        return Link(
            stale_after_ns=received.stale_after,
            early_ns=usual_early_ns(received.stale_after),
            reaction_ns=20_000_000,
            max_step=max(1, received.stale_after // period_ns),
            page=reference if signal.page else "",
        )

    def _received(self, reference: str) -> Series[Value]:
        """A received signal's value over time; ``stale`` before the first message and while none
        arrives.
        """
        message, _ = self.case.vehicle.signal(reference)
        link = self.received_link(reference)
        lost_after_ns = link.surely_stale_ns if self.trusting else link.maybe_stale_ns
        told = self.case.evidence.told(reference, self.node, link)
        heard = [entry.at_ns for uptime in told.watch.uptimes for entry in uptime if entry.sure]
        result: Series[Value] = Series()
        result.set(0, STALE)
        last_ns: int | None = None
        trusted_ns = 0
        for at_ns, until_ns, value, sure in told.within(self.heard_from_ns, self.to_ns):
            if not sure:
                self.doubts.append((at_ns, at_ns + link.surely_stale_ns))
                if not self.trusting:
                    continue
            back = last_ns is None
            if last_ns is not None and at_ns >= last_ns + lost_after_ns:
                result.set(last_ns + lost_after_ns, STALE)
                back = True
            if back and not self.trusting:
                trusted_ns = at_ns + self.request.latency
                if message.counter is not None:  # and with the second in a row
                    place = bisect_right(heard, at_ns)
                    second_ns = heard[place] if place < len(heard) else self.to_ns
                    trusted_ns = max(trusted_ns, second_ns)
            if until_ns >= trusted_ns:
                result.set(max(at_ns, trusted_ns), value)
            last_ns = taken_by(until_ns, self.down) if self.trusting else until_ns
        if last_ns is not None and last_ns + lost_after_ns < self.to_ns:
            result.set(last_ns + lost_after_ns, STALE)
        return result


def _from(values: Series[bool], from_ns: int) -> Series[bool]:
    """The same series, beginning at an instant."""
    result: Series[bool] = Series()
    result.set(from_ns, values.at(from_ns))
    for at_ns, value in values.changes():
        if at_ns > from_ns:
            result.set(at_ns, value)
    return result


def _hysteresis(follows: Series[bool], until: Series[bool]) -> Series[bool]:
    """On from when ``follows`` holds until ``until`` holds."""
    result: Series[bool] = Series()
    on = False
    for at_ns in sorted({*follows.times, *until.times}):
        on = follows.at(at_ns) or (on and not until.at(at_ns))
        result.set(at_ns, on)
    return result


def _spans(values: Series[bool], to_ns: int) -> list[tuple[int, int]]:
    """The spans in which a series is True. One that lasts past ``to_ns`` keeps its own end; one
    without an end of its own ends at ``to_ns``.
    """
    last_ns = max([to_ns, *values.times[-1:]])
    return [(from_ns, end_ns) for from_ns, end_ns, value in values.stretches(last_ns) if value]


def _gated(
    spans: Sequence[tuple[int, int]], allowed: Sequence[tuple[int, int]], *, once: bool
) -> Iterator[tuple[int, int]]:
    """The parts of the spans that are allowed; ``once``: only up to the first refusal, and nothing
    of a span that begins with one.
    """
    for start, end in spans:
        parts = [*within(start, end, allowed)]
        if not once:
            yield from parts
        elif parts and parts[0][0] == start:
            yield parts[0]


def _series(spans: list[tuple[int, int]], from_ns: int) -> Series[bool]:
    """The series that is True within any of the spans."""
    joined: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    result: Series[bool] = Series()
    result.set(from_ns, False)
    for start, end in joined:
        result.set(max(start, from_ns), True)
        result.set(end, False)
    return result
