"""What the inputs ask for: the truth behind a request, worked out without any program.

The inputs are taken as the request's node reads them, debounced; received signals as they were
delivered to it, and as declared once they are stale.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from bench.judge.arrivals import Link
from bench.judge.case import Case, over_time
from bench.model.consistency import split_signal
from bench.model.expression import Condition, Value
from bench.model.vehicle import RequestTable
from bench.recording import Series


@dataclass(frozen=True, slots=True)
class Intent:
    """What is asked for over time, how far a program may see it earlier or later, and the
    spans in which an input bounces, so that a program may see either.
    """

    wanted: Series[bool]
    bouncing: list[tuple[int, int]]
    early_ns: int
    late_ns: int


def debounced(source: Series[Value], stable_ns: int, from_ns: int) -> Series[Value]:
    """A value that follows its source once that has been stable for ``stable_ns``.

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


def intent(case: Case, name: str, request: RequestTable, from_ns: int, to_ns: int) -> Intent:
    """What a request's inputs ask for in one life of its node, from ``from_ns`` to ``to_ns``."""
    builder = _Builder(case, name, request, from_ns, to_ns)
    early_ns, late_ns = request.debounce, 0
    if request.received is not None:
        link = builder.received_link(request)
        early_ns, late_ns = max(early_ns, link.early_ns), link.reaction_ns
    wanted = builder.wanted(request.debounce)
    return Intent(wanted, builder.bouncing(request.debounce), early_ns, late_ns)


class _Builder:
    def __init__(
        self, case: Case, name: str, request: RequestTable, from_ns: int, to_ns: int
    ) -> None:
        self.case = case
        self.request = request
        self.node = case.vehicle.sender(split_signal(name)[0])
        self.from_ns = from_ns
        self.to_ns = to_ns

    def wanted(self, debounce_ns: int) -> Series[bool]:
        """The request as the whole of its table makes it."""
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
            spans = [
                (max(a, c), min(b, d))
                for a, b in spans
                for c, d in allowed
                if max(a, c) < min(b, d)
            ]
        return _series(spans, self.from_ns)

    def bouncing(self, debounce_ns: int) -> list[tuple[int, int]]:
        """From the first of two edges closer than the debounce time to the last one's debounce."""
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
        """One condition, over debounced inputs and received signals."""
        sources: dict[str, Series[Value]] = {
            name: self._received(name)
            if "." in name
            else debounced(self.case.recording.seen[(name, self.node)], debounce_ns, self.from_ns)
            for name in condition.names
        }
        stale = [name for name in sources if "." in name]
        if not stale:
            return _from(over_time(condition, sources), self.from_ns)
        received = self.request.received
        assert received is not None
        when_stale = received.when_stale == "on"

        def test(values: Mapping[str, Value]) -> bool:
            if any(values[name] == "stale" for name in stale):
                return when_stale
            return condition(values)

        return _from(over_time(test, sources), self.from_ns)

    def received_link(self, request: RequestTable) -> Link:
        """How the node watches the messages that it decides by."""
        received = request.received
        assert received is not None
        early_ns = max(2_000_000, received.stale_after // 50)
        return Link(received.stale_after, early_ns, 20_000_000, max_step=1 << 30)

    def _received(self, reference: str) -> Series[Value]:
        """A received signal's value over time; ``stale`` before it came and when it stays away."""
        message, signal = self.case.vehicle.signal(reference)
        received = self.request.received
        assert received is not None
        result: Series[Value] = Series()
        result.set(0, "stale")
        last_ns: int | None = None
        for record, intact in self.case.traffic(message.name).received_by(self.node):
            at_ns = record.end_ns
            if not intact or not self.from_ns <= at_ns < self.to_ns:
                continue
            if last_ns is not None and at_ns > last_ns + received.stale_after:
                result.set(last_ns + received.stale_after, "stale")
            result.set(at_ns, signal.physical(record.frame.data))
            last_ns = at_ns
        if last_ns is not None and last_ns + received.stale_after < self.to_ns:
            result.set(last_ns + received.stale_after, "stale")
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
    """On when ``follows`` holds, and then on until ``until`` holds."""
    result: Series[bool] = Series()
    on = False
    for at_ns in sorted({*follows.times, *until.times}):
        on = follows.at(at_ns) or (on and not until.at(at_ns))
        result.set(at_ns, on)
    return result


def _spans(values: Series[bool], to_ns: int) -> list[tuple[int, int]]:
    """The spans in which a series is True, up to ``to_ns``."""
    changes = values.changes()
    ends = [at_ns for at_ns, _ in changes[1:]] + [to_ns]
    return [(at, end) for (at, value), end in zip(changes, ends, strict=True) if value and at < end]


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
