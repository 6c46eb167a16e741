"""A local input of a load: it decides alone, or beside the request of a message."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator

from bench.judge.case import Case, window
from bench.judge.masks import OFF, ON, bit
from bench.judge.paint import Paint, Probe, Span, shown
from bench.judge.supply import boot_paints
from bench.model.vehicle import LoadTable


def decides_alone(load: LoadTable) -> bool:
    """Whether a load obeys its local input and no message at all."""
    return load.local is not None and load.local_use == "follows"


class Local:
    """The part of a load's allowed states that a local input decides.

    A change counts from ``latency`` on; a load that flashes may finish its cycle.
    """

    def __init__(self, case: Case, load: LoadTable) -> None:
        assert load.local is not None
        self.case = case
        self.load = load
        self.asked = bit(load.asked_state)
        self.values = case.condition(load.local, load.node)
        self.windows = window(
            self.values, load.latency, 0, case.end_ns, linger_ns=load.cycle_ns
        )  # fmt: skip
        self._starts = [from_ns for from_ns, _, _ in self.windows]

    def edges(self) -> list[int]:
        """The instants at which the input changes what is allowed."""
        return [edge for from_ns, to_ns, _ in self.windows for edge in (from_ns, to_ns)]

    def _states(self, seen: int, otherwise: int) -> int:
        return (otherwise if seen & 1 else 0) | (self.asked if seen & 2 else 0)

    def paints(self) -> list[Paint]:
        """The input alone decides."""
        return [
            Paint(from_ns, to_ns, self._states(seen, OFF), "local")
            for from_ns, to_ns, seen in self.windows
        ]

    def join(self, at_ns: int, mask: int) -> int:
        """Either the request or the input asks."""
        place = bisect_right(self._starts, at_ns) - 1
        return self._states(self.windows[place][2], mask)

    def asking(self) -> list[Span]:
        """Spans with the states that the input by itself may bring about."""
        return [Span(start, end, self._states(seen, 0)) for start, end, seen in self.windows]

    def probes(self) -> Iterator[Probe]:
        """Each change of the input puts the load to the test."""
        changes = self.values.changes()
        for index, (at_ns, value) in enumerate(changes[1:], start=1):
            to_ns = changes[index + 1][0] if index + 1 < len(changes) else self.case.end_ns
            deadline_ns = at_ns + self.load.latency + (0 if value else self.load.cycle_ns)
            if deadline_ns < to_ns:
                idle = OFF if value else self.asked
                yield Probe("local", at_ns, deadline_ns, to_ns, idle)


def plain_boots(case: Case, name: str, load: LoadTable) -> Iterator[Paint]:
    """What a load that only obeys its local input may show while its node boots."""
    actual = case.actual(name)
    for life in case.lives[load.node].lives:
        before = shown(actual, life.reset_ns - 1) if life.reset_ns else OFF
        hardware = ON if load.hardware_default == "on" else OFF
        if load.hardware_default == "local":
            hardware = 0  # the paints of the local input say it
        after = bit(load.on_reset) if load.on_reset is not None else 0
        yield from boot_paints(load, life, before, hardware | after)
        # As behind any change, the program has its latency once it must have its pins.
        set_ns = life.boot_end_ns + load.switching_ns
        yield Paint(set_ns, set_ns + load.latency, hardware | after, "reset")
