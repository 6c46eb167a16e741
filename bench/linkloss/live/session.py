"""A vehicle that runs on real time while people flip its switches and break its cable.

One thread runs it (:meth:`LiveSession.run`); everything else may be called from any thread. What
comes from outside gets a virtual instant (:mod:`linkloss.clock.pace`) and stands in the journal, so
that the session is a scenario: run on virtual time, it gives the same recording to the byte.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

from linkloss.campaign.result import RunResult
from linkloss.campaign.run import judged
from linkloss.clock.pace import Clock, Pacer
from linkloss.faults.base import Fault
from linkloss.live.journal import Journal
from linkloss.live.snapshot import bring_up_to_date, empty_copy
from linkloss.live.tally import Tally
from linkloss.live.undisturbed import undisturbed
from linkloss.model.consistency import value_problem
from linkloss.model.expression import Value
from linkloss.model.loading import Vehicle
from linkloss.model.problem import BadInput, unknown
from linkloss.outside import Outside
from linkloss.recording import Recording
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import Session

MOST_FRAMES = 2_000_000
"""A recording of so many frames is full: some hundred bytes of memory go into each."""
_PATIENCE_S = 0.2
"""Whoever waits for the session looks so often whether it is still there."""
StepKind = Literal["event", "frame", "change"]


@dataclass(frozen=True, slots=True)
class Excerpt:
    """A live session up to an instant: the scenario that it amounts to, and its recording."""

    scenario: Scenario
    recording: Recording

    def judged(self) -> RunResult:
        """All verdicts."""
        return judged(self.scenario, self.recording)


class LiveSession:
    """One vehicle, powered up when :meth:`run` begins.

    :param situation: a situation of the vehicle; its actions happen by themselves.
    :param speed: virtual seconds for each real one, 0.1 to 10.
    :param faults: come and go by themselves, too.
    :param outside: programs and real nodes that take part; whoever speaks for them enters what
        they do (:mod:`linkloss.serve`).
    :raises BadInput: for a situation that the vehicle does not have, and a speed out of range.
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
    ) -> None:
        base, planned = _beginning(vehicle, situation, seed)
        base = replace(base, outside=outside)
        self.vehicle = vehicle
        self.session = Session(base)
        self.tally = Tally(vehicle.bus.bit_rate)
        self.session.bus.observers.append(self.tally.note)
        self.journal = Journal(base)
        try:
            self.pacer = Pacer(self.session.queue, speed=speed, wall=wall)
        except ValueError as error:
            raise BadInput.one("linkloss", "--speed", str(error)) from None
        self.pacer.pause()
        self._plan(planned, faults)
        self._copies: deque[tuple[Recording, Future[bool]]] = deque()
        self.full = False
        """Whether the recording has no room for more: the session stands still."""

    def _plan(self, actions: Sequence[TimedAction], faults: Sequence[TimedFault]) -> None:
        """At one instant in the order of a scenario: what clears, what is done, what breaks."""
        for timed in faults:
            if timed.until_ns is not None:
                self.pacer.schedule(timed.until_ns, partial(self._clear, fault=timed.fault))
        for action in actions:
            self.pacer.schedule(action.at_ns, partial(self._act, values=action.values))
        for timed in faults:
            self.pacer.schedule(timed.at_ns, partial(self._apply, fault=timed.fault))

    # ---- in the thread of the session ----

    def run(self, between: Callable[[], object] = lambda: None) -> None:
        """Power up, go on until :meth:`end`, and let go of everything. ``between()`` is called
        often, whenever all that was due has happened.
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
            self._serve_copies()
        self.session.loop.close()

    def _look(self) -> None:
        if not self.full and len(self.session.recording.frames) >= MOST_FRAMES:
            self.full = True
            self.pacer.pause()
        self._serve_copies()

    def _serve_copies(self) -> None:
        """Between two events, when the recording is whole up to this instant."""
        while self._copies:
            copy, done = self._copies.popleft()
            if not self.pacer.ended:
                bring_up_to_date(copy, self.session.recording, self.session.queue.now_ns)
            done.set_result(not self.pacer.ended)

    def _act(self, at_ns: int, values: Mapping[str, Value]) -> None:
        self.journal.acted(at_ns, values)
        self.session.act(values)

    def _apply(self, at_ns: int, fault: Fault) -> None:
        if not any(timed.fault == fault for timed in self.journal.active):
            self.session.apply(self.journal.applied(at_ns, fault))

    def _clear(self, at_ns: int, fault: Fault) -> None:
        if any(timed.fault == fault for timed in self.journal.active):
            self.journal.cleared(at_ns, fault)
            self.session.clear(fault)

    def _clear_all(self, at_ns: int) -> None:
        for timed in self.journal.active:
            self._clear(at_ns, timed.fault)

    def _cut_out(self, at_ns: int, name: str, title: str) -> Excerpt:
        """Everything up to the end of this instant, which is behind all stimuli."""
        self.session.queue.run_until(at_ns)
        recording = empty_copy(self.session.recording)
        bring_up_to_date(recording, self.session.recording, at_ns)
        scenario = self.journal.scenario(at_ns, name=name, title=title)
        if scenario.outside is not None:
            came = replace(scenario.outside, events=tuple(recording.outside))
            scenario = replace(scenario, outside=came)
        return Excerpt(scenario, recording)

    # ---- from any thread ----

    def act(self, values: Mapping[str, Value]) -> int:
        """Set inputs now. Returns the virtual instant in ns. Raises ValueError, with a text for
        the user, for an input or a value that there is not.
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
        """Apply a fault now; one that is there already stays as it is. Returns the virtual instant
        in ns. Raises ValueError, with a text for the user, for one that does not fit the vehicle.
        """
        problem = fault.problem(self.vehicle)
        if problem:
            raise ValueError(problem)
        return self.pacer.enter(lambda at_ns: self._apply(at_ns, fault))

    def clear(self, fault: Fault) -> int:
        """Clear a fault now, if it is there. Returns the virtual instant in ns."""
        return self.pacer.enter(lambda at_ns: self._clear(at_ns, fault))

    def clear_all(self) -> int:
        """Clear all faults at one instant. Returns it in ns."""
        return self.pacer.enter(self._clear_all)

    def excerpt_now(self, *, name: str = "live", title: str = "") -> Excerpt:
        """The session up to now. Waits for the thread of the session, which must have begun.
        Raises ValueError, with a text for the user, once it has ended.
        """
        found = self.excerpt(name=name, title=title)
        while not self.pacer.ended or found.done():
            with suppress(TimeoutError):
                return found.result(timeout=_PATIENCE_S)
        raise ValueError("the session is over: nothing of it can be saved any more")

    def excerpt(self, *, name: str = "live", title: str = "") -> Future[Excerpt]:
        """The session up to now, once its thread has come to it."""
        found: Future[Excerpt] = Future()
        told = title or f"{self.vehicle.title}, driven by hand"
        self.pacer.enter(lambda at_ns: found.set_result(self._cut_out(at_ns, name, told)))
        return found

    def bring_up_to_date(self, copy: Recording) -> bool:
        """Take over into a copy of the recording what has come since. Waits for the thread of the
        session, which must have begun; False once it has ended.
        """
        done: Future[bool] = Future()
        self._copies.append((copy, done))
        while not self.pacer.ended or done.done():
            with suppress(TimeoutError):
                return done.result(timeout=_PATIENCE_S)
        return False

    def step(self, kind: StepKind) -> None:
        """Pause, and go on to the next event of any kind, the next frame on the bus, or the next
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
        """Let :meth:`run` return."""
        self.pacer.end()


def _changes(recording: Recording) -> int:
    """A number that grows with every change that a person would call one."""
    found = sum(len(series.times) for series in recording.inputs.values())
    found += sum(len(series.times) for series in recording.outputs.values())
    found += sum(len(changes) for changes in recording.nodes.values())
    return found + sum(len(changes) for changes in recording.controllers.values())


def _beginning(
    vehicle: Vehicle, situation: str, seed: int
) -> tuple[Scenario, tuple[TimedAction, ...]]:
    """How a session begins, and what happens in it by itself."""
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
