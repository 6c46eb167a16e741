"""The event queue at the pace of the wall clock, with stimuli from outside.

    wall clock -- speed, pause --> virtual instant -- run_until --> queue
    any thread -- enter --> stimulus, stamped with its virtual instant, in order of entry

One thread calls :meth:`Pacer.turn` (or :meth:`Pacer.run`) and is the only one that runs the queue;
everything else may be called from any thread. A stimulus gets the virtual instant at which it came,
and shares it with no other stimulus: it acts before everything else that is due then. Whoever
records its instant can repeat it on virtual time, and the queue cannot tell the difference.

A queue that is too slow for the wall clock is late, and reports it (:attr:`Pacer.lateness`, a
histogram of bounded size however long a session lasts). What was due before a change of speed was
due at the speed of that time. A queue that is more than :data:`LONGEST_LAG_NS` behind gives up the
rest: virtual time stands still for that long (:attr:`Pacer.given_up_ns`), as it does while the
computer sleeps.
"""

from __future__ import annotations

import threading
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from heapq import heappop, heappush
from typing import NamedTuple, Protocol

from linkloss.clock.queue import EventQueue
from linkloss.clock.wallclock import Wall

_BOUNDS_NS = tuple(round(1_000 * 2 ** (place / 8)) for place in range(36 * 8 + 1))
"""The largest delay in each bucket but the last. Buckets grow by a factor of 2 ** (1/8), so that a
percentile is at most 9 % too high and never too low. 1 us and less is one bucket, and so is
everything later than 19 hours.
"""


class Lateness:
    """Counts of delays in wall-clock nanoseconds."""

    def __init__(self) -> None:
        self.counts = [0] * (len(_BOUNDS_NS) + 1)
        self.total = 0
        self.worst_ns = 0

    def note(self, late_ns: int) -> None:
        """Count something that happened ``late_ns`` too late; negative counts as in time."""
        self.counts[bisect_left(_BOUNDS_NS, late_ns)] += 1
        self.total += 1
        self.worst_ns = max(self.worst_ns, late_ns)

    def percentile(self, share: float) -> int:
        """The delay in ns that a share (0 to 1) of all did not exceed; 0 before the first one."""
        seen = 0
        for bound_ns, count in self.bars():
            seen += count
            if seen >= share * self.total:
                return bound_ns
        return 0

    def bars(self) -> list[tuple[int, int]]:
        """(largest delay in ns, count) of every bucket that is not empty, in order."""
        bounds_ns = (*_BOUNDS_NS, self.worst_ns)
        return [
            (min(bound_ns, self.worst_ns), count)
            for bound_ns, count in zip(bounds_ns, self.counts, strict=True)
            if count
        ]


SLOWEST, FASTEST = 0.1, 10.0
LONGEST_LAG_NS = 250_000_000
"""How far the queue may be behind, in real time, before it gives up catching up."""
_REST_NS = 1_000_000
"""Real time between two turns, so that a turn does more than one thing."""
_LONGEST_REST_NS = 20_000_000
_CHUNK_NS = 2_000_000
"""Real time's worth of events that run in one go, before lateness is checked again."""
_LONGEST_TURN_NS = 20_000_000
"""After so much real time a turn ends, although more is due: others are to be served as well."""
_STEP_LIMIT_NS = 10_000_000_000
"""A step that finds nothing within this virtual time ends there."""

Stimulus = Callable[[int], object]
"""What is done to the simulated world; it is called with its virtual instant."""


class Clock(Protocol):
    """The wall clock (:class:`linkloss.clock.wallclock.Wall`), or a test's own."""

    def now_ns(self) -> int:
        """Real time in ns; never runs backwards."""

    def wait(self, longest_ns: int) -> None:
        """Return after ``longest_ns`` of real time, or as soon as ``ring`` is called."""

    def ring(self) -> None:
        """End a wait."""


class Stretch(NamedTuple):
    """From an instant on, virtual and real, virtual time goes at a speed."""

    at_ns: int
    wall_ns: int
    speed: float

    def shown_ns(self, wall_ns: int) -> int:
        """The virtual instant at a real one."""
        return self.at_ns + round((wall_ns - self.wall_ns) * self.speed)

    def due_ns(self, at_ns: int) -> int:
        """The real instant at which a virtual one is due."""
        return self.wall_ns + round((at_ns - self.at_ns) / self.speed)


@dataclass(frozen=True, slots=True)
class Step:
    """How far a paused queue is to go: until ``done()`` holds after some instant."""

    done: Callable[[], bool]
    limit_ns: int


class Pacer:
    """Runs a queue no faster than the wall clock allows."""

    def __init__(self, queue: EventQueue, *, speed: float = 1.0, wall: Clock | None = None) -> None:
        """Virtual time begins now at the queue's instant. ``speed`` 2: twice as fast as real time.

        Raises ValueError for a speed outside 0.1 to 10.
        """
        self.queue = queue
        self.lateness = Lateness()
        self.recent = Lateness()
        """The same, for a caller that wants to start a new one now and then."""
        self.given_up_ns = 0
        """Real time for which virtual time stood still because the queue was too far behind."""
        self._wall: Clock = Wall() if wall is None else wall
        self._lock = threading.Lock()
        self._speed = _checked(speed)
        self._paused = False
        self._ended = False
        self._stretches = [Stretch(queue.now_ns, self._wall.now_ns(), self._speed)]
        """The present stretch, behind those before it of which something is still to be run."""
        self._reached_ns = queue.now_ns
        """The queue has run, or is running, up to here: nothing may be stamped before it."""
        self._last_stamp_ns = -1
        self._stimuli: list[tuple[int, int, Stimulus]] = []
        self._scheduled: set[int] = set()
        self._count = 0
        self._step: Step | None = None

    # ---- from any thread ----

    @property
    def speed(self) -> float:
        """Virtual seconds for each real second."""
        return self._speed

    @property
    def paused(self) -> bool:
        """Whether virtual time stands still."""
        return self._paused

    @property
    def ended(self) -> bool:
        """Whether :meth:`end` was called."""
        return self._ended

    def now_ns(self) -> int:
        """The virtual instant that the wall clock shows; the queue may not have reached it yet."""
        with self._lock:
            return self._shown_ns()

    def instant_of(self, wall_ns: int) -> int:
        """The virtual instant that was, or will be, at an instant of the wall clock; exact while
        the speed does not change and no time is given up.
        """
        with self._lock:
            return self._shown_at(wall_ns)

    def enter(self, stimulus: Stimulus) -> int:
        """Let something from outside happen now. Returns its virtual instant in ns, which no other
        stimulus shares; ``stimulus(instant)`` is called in the thread that takes turns.
        """
        with self._lock:
            at_ns = max(
                self._shown_ns() - self._lost_ns(),
                self._reached_ns + 1,
                self._last_stamp_ns + 1,
            )
            while at_ns in self._scheduled:
                at_ns += 1
            self._last_stamp_ns = at_ns
            self._push(at_ns, stimulus)
        self._wall.ring()
        return at_ns

    def schedule(self, at_ns: int, stimulus: Stimulus) -> None:
        """Let something from outside happen at a later instant, first come, first served.

        Raises ValueError for an instant that has passed.
        """
        with self._lock:
            if at_ns <= self._reached_ns:
                raise ValueError(f"{at_ns} ns has passed")
            self._scheduled.add(at_ns)
            self._push(at_ns, stimulus)
        self._wall.ring()

    def _push(self, at_ns: int, stimulus: Stimulus) -> None:
        self._count += 1
        heappush(self._stimuli, (at_ns, self._count, stimulus))

    def set_speed(self, speed: float) -> None:
        """Run faster or slower from now on. Raises ValueError for a speed outside 0.1 to 10."""
        checked = _checked(speed)
        with self._lock:
            self._speed = checked
            self._begin(self._shown_ns(), late=True)
        self._wall.ring()

    def pause(self) -> None:
        """Virtual time stands still from now on. Stimuli still act, but nothing reacts yet."""
        with self._lock:
            self._begin(max(self._shown_ns(), self._reached_ns))
            self._paused = True
        self._wall.ring()

    def resume(self) -> None:
        """Continue after a pause."""
        with self._lock:
            self._begin(self._shown_ns())
            self._paused = False
            self._step = None
        self._wall.ring()

    def step(self, done: Callable[[], bool] = lambda: True) -> None:
        """Pause, and go from one instant at which something happens to the next, until ``done()``
        holds after one of them, or for 10 s of virtual time if it never does.
        """
        self.pause()
        with self._lock:
            self._step = Step(done, self._shown_ns() + _STEP_LIMIT_NS)
        self._wall.ring()

    def end(self) -> None:
        """Let :meth:`run` return."""
        self._ended = True
        self._wall.ring()

    # ---- from the one thread that takes turns ----

    def run(self, between: Callable[[], object] = lambda: None) -> None:
        """Take turns until :meth:`end`; ``between()`` is called after each. Raises what the queue
        or a stimulus raises.
        """
        while not self._ended:
            rest_ns = self.turn()
            between()
            self._wall.wait(rest_ns)

    def turn(self) -> int:
        """Run what is due by now, but for no longer than others can wait. Returns the real time in
        ns until something will be due.
        """
        begun_ns = self._wall.now_ns()
        target_ns = self._target_ns()
        chunk_ns = max(1, round(_CHUNK_NS * self._speed))
        over_ns = begun_ns + _LONGEST_TURN_NS
        while self._reached_ns < target_ns and self._wall.now_ns() < over_ns:
            first_ns = self._first_due_ns()
            skipped_ns = target_ns if first_ns is None else max(self._reached_ns, first_ns)
            end_ns = min(target_ns, skipped_ns + chunk_ns)
            self._advance(end_ns)
            if first_ns is not None and first_ns <= end_ns:
                self._note_lateness(first_ns)
        self._take_late_comers()
        self._take_step()
        return self._rest_ns(begun_ns)

    def _target_ns(self) -> int:
        """How far to go in this turn; gives up what is too far behind."""
        with self._lock:
            if lost_ns := self._lost_ns():
                behind_ns = self._wall.now_ns() - self._due_at(self._reached_ns)
                self.given_up_ns += behind_ns - LONGEST_LAG_NS
                self._stretches = [
                    part._replace(at_ns=part.at_ns - lost_ns) for part in self._stretches
                ]
            return self._shown_ns()

    def _advance(self, end_ns: int) -> None:
        """Run everything up to and including an instant, each stimulus at its own."""
        while True:
            with self._lock:
                stimulus = None
                if self._stimuli and self._stimuli[0][0] <= end_ns:
                    at_ns, _, stimulus = heappop(self._stimuli)
                self._reached_ns = end_ns if stimulus is None else at_ns
            if stimulus is None:
                self.queue.run_until(end_ns)
                return
            self.queue.run_until(at_ns - 1)
            self.queue.now_ns = at_ns
            stimulus(at_ns)

    def _take_late_comers(self) -> None:
        """Stimuli that were stamped after a standing clock: they act, and time moves to them."""
        while self._paused:
            with self._lock:
                if not self._stimuli:
                    return
                at_ns = self._stimuli[0][0]
                self._begin(max(at_ns, self._shown_ns()))
            self._advance(at_ns)

    def _take_step(self) -> None:
        with self._lock:
            step, self._step = self._step, None
        while step is not None:
            next_ns = self._first_due_ns()
            self._advance(step.limit_ns if next_ns is None else min(next_ns, step.limit_ns))
            with self._lock:
                self._begin(max(self._reached_ns, self._shown_ns()))
            if next_ns is None or next_ns >= step.limit_ns or step.done():
                return

    def _rest_ns(self, begun_ns: int) -> int:
        first_ns = self._first_due_ns()
        with self._lock:
            if self._paused:
                waiting = bool(self._stimuli) or self._step is not None
                return 0 if waiting else _LONGEST_REST_NS
            rest_ns = _LONGEST_REST_NS
            if first_ns is not None:
                rest_ns = min(rest_ns, round((first_ns - self._shown_ns()) / self._speed))
        return max(0, rest_ns, begun_ns + _REST_NS - self._wall.now_ns())

    def _first_due_ns(self) -> int | None:
        due_ns = self.queue.next_ns()
        with self._lock:
            entered_ns = self._stimuli[0][0] if self._stimuli else None
        if due_ns is None or entered_ns is None:
            return entered_ns if due_ns is None else due_ns
        return min(due_ns, entered_ns)

    def _note_lateness(self, due_ns: int) -> None:
        """Everything that was due from an instant on has just run: the first of it was the
        latest.
        """
        if not self._paused:
            with self._lock:
                late_ns = self._wall.now_ns() - self._due_at(due_ns)
            self.lateness.note(late_ns)
            self.recent.note(late_ns)

    def _shown_ns(self) -> int:
        return self._shown_at(self._wall.now_ns())

    def _shown_at(self, wall_ns: int) -> int:
        if self._paused:
            return self._stretches[-1].at_ns
        there = (part for part in reversed(self._stretches) if part.wall_ns <= wall_ns)
        return next(there, self._stretches[0]).shown_ns(wall_ns)

    def _due_at(self, at_ns: int) -> int:
        """The real instant at which a virtual one was due, or will be."""
        there = (part for part in reversed(self._stretches) if part.at_ns <= at_ns)
        return next(there, self._stretches[0]).due_ns(at_ns)

    def _lost_ns(self) -> int:
        """The virtual time for which the queue is further behind than it may be."""
        if self._paused:
            return 0
        return max(0, self._shown_at(self._wall.now_ns() - LONGEST_LAG_NS) - self._reached_ns)

    def _begin(self, at_ns: int, *, late: bool = False) -> None:
        """From this real instant on, virtual time counts from ``at_ns``, at the present speed.
        ``late``: what is not yet run of the time before was due when it was.
        """
        now_ns, reached_ns = self._wall.now_ns(), self._reached_ns
        before = [part for part in self._stretches if part.wall_ns < now_ns] if late else []
        ends_ns = [part.at_ns for part in before[1:]] + [at_ns]
        kept = [p for p, to_ns in zip(before, ends_ns, strict=False) if to_ns > reached_ns]
        self._stretches = [*kept, Stretch(at_ns, now_ns, self._speed)]


def _checked(speed: float) -> float:
    if not SLOWEST <= speed <= FASTEST:
        raise ValueError(f"got a speed of {speed}; expected {SLOWEST:g} to {FASTEST:g}")
    return float(speed)
