"""A vehicle that runs in real time while people flip its switches and break its cable.

One thread runs it (:meth:`LiveSession.run`). Methods in the part "from any thread" may be called
from any thread. What comes from outside gets a virtual instant (:mod:`linkloss.clock.pace`) and is
noted in the journal, so that the session is a scenario: run in virtual time, it gives the same
recording to the byte.

Python itself must not hold up a session in real time:

- By default a busy thread hands over the interpreter only after 5 ms, which would make everything
  that late. Here it does so after 0.5 ms.
- The garbage collector scans all live objects, and a recording only grows: pauses of 100 ms were
  measured. So recorded objects are moved out of its reach now and then. Unreferenced objects are
  still freed at once; only reference cycles among the moved ones stay until the end.

Others get what is new in the recording, piece by piece (:mod:`linkloss.live.growth`).
"""

from __future__ import annotations

import gc
import sys
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Literal, NamedTuple, TypeVar

from linkloss.campaign.result import RunResult
from linkloss.campaign.run import judged
from linkloss.clock.pace import Clock, Pacer
from linkloss.faults.base import Fault
from linkloss.live.growth import Gained, Growth, add, empty_copy
from linkloss.live.room import Room
from linkloss.live.tally import Tally
from linkloss.problem import BadInput, unknown
from linkloss.recording import Outside, Recording, Series
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import Session
from linkloss.vehicle.consistency import value_problem
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle

SWITCH_S = 0.0005
_FRAMES = 5_000


@contextmanager
def undisturbed(frames: Callable[[], int]) -> Iterator[Callable[[], None]]:
    """Keep Python's pauses short inside the block. Call the yielded function often; ``frames()`` is
    the number of recorded frames.
    """
    before_s = sys.getswitchinterval()
    due = 0

    def tidy() -> None:
        nonlocal due
        if frames() >= due:
            due = frames() + _FRAMES
            gc.freeze()

    sys.setswitchinterval(min(before_s, SWITCH_S))
    gc.collect()
    try:
        yield tidy
    finally:
        sys.setswitchinterval(before_s)
        gc.unfreeze()


class Journal:
    """Records everything that is done to a session. ``base`` is how the session began."""

    def __init__(self, base: Scenario) -> None:
        self.base = base
        self._actions: list[TimedAction] = []
        self._over: list[TimedFault] = []
        self._active: dict[Fault, TimedFault] = {}

    @property
    def active(self) -> tuple[TimedFault, ...]:
        """The active faults, in the order in which they were applied."""
        return tuple(self._active.values())

    def acted(self, at_ns: int, values: Mapping[str, Value]) -> None:
        """Inputs were changed."""
        self._actions.append(TimedAction(at_ns, dict(values)))

    def applied(self, at_ns: int, fault: Fault) -> TimedFault:
        """A fault was applied. A lasting fault must not be active already."""
        timed = TimedFault(fault, at_ns, None)
        if fault.lasting:
            assert fault not in self._active, fault.label()
            self._active[fault] = timed
        else:
            self._over.append(timed)
        return timed

    def cleared(self, at_ns: int, fault: Fault) -> None:
        """A lasting fault was cleared.

        :raises KeyError: if it is not active.
        """
        self._over.append(replace(self._active.pop(fault), until_ns=at_ns))

    def scenario(self, lasts_ns: int, *, name: str, title: str) -> Scenario:
        """The session as a scenario of ``lasts_ns``, to be run in virtual time."""
        faults = sorted([*self._over, *self._active.values()], key=lambda timed: timed.at_ns)
        return replace(
            self.base,
            name=name,
            title=title,
            situation="",
            actions=tuple(self._actions),
            faults=tuple(faults),
            lasts_ns=lasts_ns,
        )


T = TypeVar("T")
_PATIENCE_S = 0.2
"""How often a thread that waits for the session checks whether it still runs."""
StepKind = Literal["event", "frame", "change"]


@dataclass(frozen=True, slots=True)
class Excerpt:
    """A live session up to an instant, as a scenario, and its recording."""

    scenario: Scenario
    recording: Recording

    def judged(self) -> RunResult:
        """All verdicts."""
        return judged(self.scenario, self.recording)


class Piece(NamedTuple):
    """What is new in the recording. ``whole``: the session up to here is judged as a whole, under
    this number.
    """

    gained: Gained
    whole: int | None = None


class LiveSession:
    """One vehicle, powered up when :meth:`run` begins.

    :param situation: a situation of the vehicle, whose actions are carried out.
    :param speed: virtual seconds per real second, 0.1 to 10.
    :param faults: faults that are applied and cleared at their instants.
    :param case: begin like this scenario, and do what it does, in place of a situation and faults.
    :param outside: programs and real nodes that take part; their endpoints enter what they do
        (:mod:`linkloss.live`).
    :raises BadInput: for a situation that the vehicle does not have, or a speed out of range.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        *,
        situation: str = "",
        seed: int = 0,
        speed: float = 1.0,
        faults: Sequence[TimedFault] = (),
        outside: Outside | None = None,
        wall: Clock | None = None,
        case: Scenario | None = None,
    ) -> None:
        bus = vehicle.only_bus("a live session")
        base, planned = beginning(vehicle, situation, seed)
        if case is not None:
            base = replace(case, name="live", situation="", actions=(), faults=(), lasts_ns=0)
            planned, faults = case.actions, case.faults
        base = replace(base, outside=outside)
        self.vehicle = vehicle
        self.situation = situation
        self.session = Session(base)
        controllers = {name: host.controller for name, host in self.session.hosts.items()}
        self.tally = Tally(bus.bit_rate, controllers)
        self.session.bus.observers.append(self.tally.note)
        self.journal = Journal(base)
        try:
            self.pacer = Pacer(self.session.queue, speed=speed, wall=wall)
        except ValueError as error:
            raise BadInput.one("linkloss", "--speed", str(error)) from None
        self.pacer.pause()
        self._plan(planned, faults)
        self._growth = Growth(self.session.recording)
        self._pieces: list[Piece] = []
        self._asked: deque[Future[list[Piece]]] = deque()
        self.room = Room(self.session.recording)
        self.on_fault: Callable[[Fault, bool], object] = lambda *_: None
        """Called in the session's thread when a fault has come (True) or gone."""
        self.full = False
        """Whether the recording is full and so the session is paused."""

    def _plan(self, actions: Sequence[TimedAction], faults: Sequence[TimedFault]) -> None:
        """At one instant, in the order of a scenario: faults that clear, actions, faults that
        begin.
        """
        for timed in faults:
            if timed.until_ns is not None:
                self.pacer.schedule(timed.until_ns, partial(self._clear, fault=timed.fault))
        for action in actions:
            self.pacer.schedule(action.at_ns, partial(self._act, values=action.values))
        for timed in faults:
            self.pacer.schedule(timed.at_ns, partial(self._apply, fault=timed.fault))

    # ---- in the thread of the session ----

    def run(self, between: Callable[[], object] = lambda: None) -> None:
        """Power up, run until :meth:`end`, and release everything. ``between()`` is called often,
        whenever all that was due has happened.
        """
        try:
            with undisturbed(lambda: len(self.session.recording.frames)) as tidy:

                def look() -> None:
                    tidy()
                    self._look()
                    between()

                self.session.begin()
                self.pacer.resume()
                self.pacer.run(look)
        finally:
            self.pacer.end()
            self.session.end()
            self._tell_news()
        self.session.loop.close()

    def _look(self) -> None:
        self.room.look(self.session.queue.now_ns)
        if not self.full and self.room.share >= 1:
            self.full = True
            self.pacer.pause()
        self._tell_news()

    def _tell_news(self) -> None:
        """Answer who asked, between two events, when the recording is complete up to this
        instant.
        """
        while self._asked:
            asked = self._asked.popleft()
            pieces, self._pieces = self._pieces, []
            if not self.pacer.ended:
                pieces.append(Piece(self._growth.gained(self.session.queue.now_ns)))
            asked.set_result(pieces)

    def _act(self, at_ns: int, values: Mapping[str, Value]) -> None:
        self.journal.acted(at_ns, values)
        self.session.act(values)

    def _apply(self, at_ns: int, fault: Fault) -> None:
        if not any(timed.fault == fault for timed in self.journal.active):
            self.session.apply(self.journal.applied(at_ns, fault))
            self.on_fault(fault, True)

    def _clear(self, at_ns: int, fault: Fault) -> None:
        if any(timed.fault == fault for timed in self.journal.active):
            self.journal.cleared(at_ns, fault)
            self.session.clear(fault)
            self.on_fault(fault, False)

    def _clear_all(self, at_ns: int) -> None:
        for timed in self.journal.active:
            self._clear(at_ns, timed.fault)

    def _cut_off(self, at_ns: int, name: str, title: str) -> Scenario:
        """The session up to the end of this instant, all of its stimuli included."""
        self.session.queue.run_until(at_ns)
        told = title or f"{self.vehicle.title}, driven by hand"
        scenario = self.journal.scenario(at_ns, name=name, title=told)
        if scenario.outside is not None:
            came = replace(scenario.outside, events=tuple(self.session.recording.outside))
            scenario = replace(scenario, outside=came)
        return scenario

    def _cut_out(self, at_ns: int, name: str, title: str) -> Excerpt:
        scenario = self._cut_off(at_ns, name, title)
        recording = empty_copy(self.session.recording)
        add(recording, Growth(self.session.recording).gained(at_ns))
        return Excerpt(scenario, recording)

    def _cut_whole(self, at_ns: int, name: str, number: int) -> Scenario:
        scenario = self._cut_off(at_ns, name, "")
        self._pieces.append(Piece(self._growth.gained(at_ns), number))
        return scenario

    # ---- from any thread ----

    def act(self, values: Mapping[str, Value]) -> int:
        """Set inputs now. Return the virtual instant in ns.

        :raises ValueError: with a text for the user, for an unknown input or value.
        """
        known = self.vehicle.inputs
        checked: dict[str, Value] = {}
        for name, value in values.items():
            if name not in known:
                raise ValueError(unknown("input", name, known))
            number = isinstance(value, int) and known[name].range is not None
            checked[name] = float(value) if number else value
            problem = value_problem(name, known[name], checked[name])
            if problem:
                raise ValueError(problem)
        return self.pacer.enter(lambda at_ns: self._act(at_ns, checked))

    def apply(self, fault: Fault) -> int:
        """Apply a fault now, if it is not active already. Return the virtual instant in ns.

        :raises ValueError: with a text for the user, for a fault that does not fit the vehicle.
        """
        problem = fault.problem(self.vehicle)
        if problem:
            raise ValueError(problem)
        return self.pacer.enter(lambda at_ns: self._apply(at_ns, fault))

    def clear(self, fault: Fault) -> int:
        """Clear a fault now, if it is active. Return the virtual instant in ns."""
        return self.pacer.enter(lambda at_ns: self._clear(at_ns, fault))

    def clear_all(self) -> int:
        """Clear all faults at one instant. Return it in ns."""
        return self.pacer.enter(self._clear_all)

    def excerpt(self, *, name: str = "live", title: str = "") -> Future[Excerpt]:
        """The session up to now, as a future that the thread of the session fulfils."""
        found: Future[Excerpt] = Future()
        self.pacer.enter(lambda at_ns: found.set_result(self._cut_out(at_ns, name, title)))
        return found

    def cut(self, number: int, *, name: str = "live") -> Scenario:
        """The session up to now as a scenario, which whoever asks for news judges as a whole, under
        this number. Waits for the thread of the session, which must have begun.

        :raises ValueError: with a text for the user, once the session has ended.
        """
        wanted: Future[Scenario] = Future()
        self.pacer.enter(lambda at_ns: wanted.set_result(self._cut_whole(at_ns, name, number)))
        found = self._answer(wanted)
        if found is None:
            raise ValueError("the session is over: nothing of it can be saved any more")
        return found

    def news(self) -> list[Piece]:
        """What is new since the last call. Waits for the thread of the session, which must have
        begun. The last piece is without a number, except once the session has ended.
        """
        asked: Future[list[Piece]] = Future()
        self._asked.append(asked)
        found = self._answer(asked)
        if found is None:
            found, self._pieces = self._pieces, []
        return found

    def _answer(self, wanted: Future[T]) -> T | None:
        """The result from the thread of the session, or None once that has ended."""
        while not self.pacer.ended or wanted.done():
            with suppress(TimeoutError):
                return wanted.result(timeout=_PATIENCE_S)
        return None

    def step(self, kind: StepKind) -> None:
        """Pause, and advance to the next event of any kind, the next frame on the bus, or the next
        change of a load, an input, a node or a controller.
        """
        recording, tally = self.session.recording, self.tally
        if kind == "frame":
            before = tally.frames
            self.pacer.step(lambda: tally.frames > before)
        elif kind == "change":
            known = _changes(recording)
            self.pacer.step(lambda: _changes(recording) != known)
        else:
            self.pacer.step()

    def end(self) -> None:
        """Make :meth:`run` return."""
        self.pacer.end()


def _changes(recording: Recording) -> int:
    """A number that grows with every change of an input, a load, a node or a controller."""
    values: list[Series[Any]] = [*recording.inputs.values(), *recording.outputs.values()]
    states: list[list[Any]] = [*recording.nodes.values(), *recording.controllers.values()]
    return sum(len(series.times) for series in values) + sum(map(len, states))


def beginning(
    vehicle: Vehicle, situation: str, seed: int
) -> tuple[Scenario, tuple[TimedAction, ...]]:
    """How a session begins, and the actions of its situation."""
    inputs: Mapping[str, Value] = {}
    planned: tuple[TimedAction, ...] = ()
    if situation:
        if situation not in vehicle.situations:
            text = unknown("situation", situation, vehicle.situations)
            raise BadInput.one(str(vehicle.path), "--situation", text)
        table = vehicle.situations[situation]
        inputs = dict(table.inputs)
        planned = tuple(TimedAction(action.at, action.set) for action in table.actions)
    base = Scenario(
        name="live",
        title=vehicle.title,
        vehicle=vehicle,
        situation="",
        inputs=inputs,
        actions=(),
        faults=(),
        lasts_ns=0,
        seed=seed,
    )
    return base, planned
