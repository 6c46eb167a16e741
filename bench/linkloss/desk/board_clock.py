"""The I/O board's clock, tied to the bench's by round trips, with the uncertainty stated.

A round trip gives a span of the bench's time in which the board's clock showed a value: not before
the question was sent, not after the answer was there. How the way splits between there and back is
never guessed. Two round trips a while apart bound the rate of the clock in the same manner. So each
instant of the board is somewhere in a span that all round trips agree on:

    bench   --sent-------------------back-----------------sent--------back-->
    board            shows b1                 edge b            shows b2
    edge    between  sent1 + (b - b1) * slowest  and  back1 + (b - b1) * fastest, and so from b2

One thing is taken for granted: that the clock's rate changes by less than :data:`STEADY` while the
round trips are kept (a crystal or a resonator does, at the temperature of a room). A clock whose
round trips do not agree is told, and nothing is dated by it.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

WORST_RATE = 0.02
"""How much the board's clock may be wrong; a ceramic resonator is within 0.5 %."""
STEADY = 100e-6
"""How much its rate may change while round trips are kept."""
STEP_NS = 4_000
"""What the board's clock shows is up to one step old: 4 µs on an 8-bit chip at 16 MHz."""
_KEPT_NS = 20_000_000_000
_US = 1_000
_TURN = 1 << 32


class Span(NamedTuple):
    """Something happened between these instants of the bench, in ns."""

    from_ns: int
    to_ns: int


class RoundTrip(NamedTuple):
    """The board's clock showed ``board_us`` at some time between two instants of the bench."""

    sent_ns: int
    board_us: int
    back_ns: int


class BoardClock:
    """Translates instants of the board (µs since its start, not rolled over) into spans of the
    bench's time (ns).
    """

    def __init__(self) -> None:
        self.unsteady = False
        """Whether the round trips contradict each other: nothing can be dated."""
        self.trips = 0
        self._kept: deque[RoundTrip] = deque()
        self._slowest = 1 - WORST_RATE
        self._fastest = 1 + WORST_RATE
        self._last_us: int | None = None

    def whole(self, shown_us: int) -> int:
        """The instant of the board behind what its 32-bit counter shows: the one nearest to the
        last one known.
        """
        if self._last_us is None:
            self._last_us = shown_us
        moved = (shown_us - self._last_us + _TURN // 2) % _TURN - _TURN // 2
        self._last_us = max(self._last_us, self._last_us + moved)
        return self._last_us if moved >= 0 else self._last_us + moved

    def note(self, trip: RoundTrip) -> None:
        """A round trip, with the board's instant as :meth:`whole` gives it."""
        self.trips += 1
        if self._kept:
            forgets = STEADY * (trip.sent_ns - self._kept[-1].sent_ns) / _KEPT_NS
            self._slowest, self._fastest = self._slowest - forgets, self._fastest + forgets
        while self._kept and trip.sent_ns - self._kept[0].sent_ns > _KEPT_NS:
            self._kept.popleft()
        for other in self._kept:
            lasted_ns = (trip.board_us - other.board_us) * _US
            if lasted_ns <= 0:
                continue
            slowest = (trip.sent_ns - other.back_ns - 2 * STEP_NS) / lasted_ns - STEADY
            fastest = (trip.back_ns - other.sent_ns + 2 * STEP_NS) / lasted_ns + STEADY
            self._slowest = max(self._slowest, slowest)
            self._fastest = min(self._fastest, fastest)
        self._kept.append(trip)
        if self._slowest > self._fastest:
            self.unsteady = True

    def span(self, board_us: int) -> Span | None:
        """When an instant of the board was; None where nothing ties it to the bench's clock."""
        if self.unsteady or not self._kept:
            return None
        from_ns, to_ns = -(1 << 62), 1 << 62
        for trip in self._kept:
            since_ns = (board_us - trip.board_us) * _US
            late, early = self._fastest, self._slowest
            if since_ns < 0:
                late, early = early, late
            from_ns = max(from_ns, trip.sent_ns + int(since_ns * early) - 2 * STEP_NS)
            to_ns = min(to_ns, trip.back_ns + int(since_ns * late) + 2 * STEP_NS)
        if from_ns > to_ns:
            self.unsteady = True
            return None
        return Span(from_ns, to_ns)
