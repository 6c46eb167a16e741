"""Cases kept apart from the bench's own process: one that crashes or hangs is a finding and stops
nothing else.

A worker runs its cases in a child process, a *fork server*, one after the other. Where cases have a
long beginning in common, the server runs it only once: it stops before each first fault and forks a
process that runs that one case to its end. The server waits for it and then goes on:

    server ======|======|=========|====
                 fork   fork      fork
    cases        |---a  |---b     |---c

The server is a fresh process with one thread. It forks between two events, never inside a node. The
results are the same either way.

:class:`Child` and :func:`apart` run any call in a process of its own; :func:`run_apart` runs a
scenario whose program may crash or hang.

A process hangs if it computes for longer than its limit (of processor time), or sleeps in calls of
the system for longer than that (of real time). A machine that has no time for a process, or a
process that somebody stopped, makes it slow and not broken: see :class:`_Watch`.
"""

from __future__ import annotations

import ctypes
import gc
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from traceback import format_exc
from typing import Generic, NamedTuple, TypeVar

from linkloss.campaign.result import CaseResult, RunResult
from linkloss.campaign.run import case_result, failed_case, run
from linkloss.clock.wallclock import process_time
from linkloss.firmware.guard import end_endless_loops
from linkloss.judge import Verdict, judge
from linkloss.judge.evidence import Evidence
from linkloss.problem import BadInput
from linkloss.recording import Recording
from linkloss.scenario import Scenario
from linkloss.session import Session, ready, simulate

T = TypeVar("T")

CAN_FORK = hasattr(os, "fork")


def no_branching() -> str:
    """Why processes cannot be forked from here; empty where they can: the system supports it, and
    this process has only one thread.
    """
    if not CAN_FORK:
        return "this system forks no processes"
    threads = threading.active_count()
    return "" if threads == 1 else f"this program has {threads} threads, and only one may fork"


def can_branch() -> bool:
    """Whether processes can be forked from here."""
    return not no_branching()


_PR_SET_PDEATHSIG = 1
"""Of the call ``prctl`` of Linux."""


def end_with(parent: int) -> None:
    """From now on this process, just forked, is killed when its parent ends, however that ends: a
    program under test may have blocked every other signal, or compute for ever. On other systems
    than Linux nothing happens.
    """
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
        if os.getppid() != parent:  # it was too quick
            os._exit(1)


class NoAnswer(Exception):  # noqa: N818 - the program's fault, and reported as such
    """A process ended, or hung, before it answered; the text says which."""


class NotFinished(Exception):  # noqa: N818 - the machine's doing, and nobody's fault
    """A process got no processor time, so that nothing is known about what it was to find out."""


class Stopped(Exception):  # noqa: N818 - nothing went wrong
    """The results are no longer wanted."""


HUNG = "hung: "
"""How the text on a hung process begins."""
TICK_S = 0.25
"""How often a process that does not answer is looked at, in seconds of real time."""
MOST_WAITED = 20
"""For how many times its limit a process that neither computes nor sleeps is waited for."""


class _Watch:
    """Waits for a process, and tells one that hangs from one that gets no time.

    Each look counts for one tick, however late the machine is:

        computes   counts as its processor time, at the limit it hangs
        sleeps     counts as blocked, at the limit it hangs
        neither    it waits for a processor, a disk or an image that computes, or is stopped: at
                   MOST_WAITED times the limit it is not finished
    """

    def __init__(self, process: int, limit_s: float) -> None:
        self._limit_s = limit_s
        self._tick_s = min(TICK_S, limit_s / 4)
        self._blocked_s = self._waited_s = 0.0
        self.follow(process)

    def follow(self, process: int) -> None:
        """From now on this process does the work."""
        self._process = process
        now = process_time(process)
        self._before_s = 0.0 if now is None else now.cpu_s

    def wait(self, reader: Connection, stop: Callable[[], bool] = lambda: False) -> None:
        """Return once there is something to read. Raises NoAnswer for a process that hangs, Stopped
        once ``stop()`` is true, and NotFinished.
        """
        limit_s = self._limit_s
        while not reader.poll(self._tick_s):
            if stop():
                raise Stopped
            now = process_time(self._process)
            self._waited_s += self._tick_s
            if now is not None and now.cpu_s - self._before_s >= limit_s:
                raise NoAnswer(f"{HUNG}no end within {limit_s:g} s of processor time")
            if now is not None and now.sleeps:
                self._blocked_s += self._tick_s
            if self._blocked_s >= limit_s:
                raise NoAnswer(f"{HUNG}blocked in calls of the system for {limit_s:g} s")
            if self._waited_s >= MOST_WAITED * limit_s:
                text = "not finished: this machine had no processor time for it"
                raise NotFinished(f"{text} within {self._waited_s:g} s")


class Child(Generic[T]):
    """A call in a forked process of its own; its answer comes back through a pipe."""

    def __init__(self, call: Callable[[], T]) -> None:
        self._reader, writer = Pipe(duplex=False)
        own = os.getpid()
        self._process = os.fork()
        if self._process == 0:
            end_with(own)
            _answer(call, writer)
        writer.close()

    def answer(self, limit_s: float) -> T:
        """What the call returned; raises whatever it raised. Raises NoAnswer if the process ended
        first, or hung: it computed for ``limit_s`` seconds, or was blocked for as long. Raises
        NotFinished if it got no processor time.
        """
        try:
            _Watch(self._process, limit_s).wait(self._reader)
            found: T
            found, raised = self._reader.recv()
        except EOFError:
            raise NoAnswer("its process ended before it could be looked at") from None
        finally:
            self.end()
        if raised is not None:
            raise raised
        return found

    def end(self) -> None:
        """End the process, if it still runs."""
        if not self._reader.closed:
            self._reader.close()
            with suppress(ProcessLookupError):
                os.kill(self._process, signal.SIGKILL)
            os.waitpid(self._process, 0)


def apart(call: Callable[[], T], limit_s: float) -> T | None:
    """What ``call()`` returns in a forked process; None if that process died or hung, as
    :meth:`Child.answer` tells. Without fork the call runs in this process. Raises whatever the call
    raises, and BadInput if the machine has no time for it.
    """
    if not can_branch():
        return call()
    try:
        return Child(call).answer(limit_s)
    except NoAnswer:
        return None
    except NotFinished as why:
        raise BadInput.one("linkloss", "", str(why)) from None


def _answer(call: Callable[[], T], writer: Connection) -> None:
    """Everything that the child does; it never returns."""
    try:
        end_endless_loops()
        writer.send((call(), None))
    except Exception as error:  # noqa: BLE001 - passed on to the parent
        error.add_note(format_exc())
        writer.send((None, error))
    finally:
        os._exit(0)


BRANCH_FROM_NS = 5_000_000_000
"""From this length on, a common beginning is worth a process for each case: a fork takes some
milliseconds, in which about one second is simulated.
"""


def beginning(case: Scenario) -> tuple[object, ...] | None:
    """What decides how a case begins, if that is long enough to share; else None."""
    if case.parts_ns < BRANCH_FROM_NS:
        return None
    return (case.situation, case.inputs, case.actions, case.seed, case.clocks, case.drifts)


_LONG_S = 60.0
"""In simulated seconds. A longer case gets the excess on top of its limit: a long soak is slow, not
hung."""

_GC_THRESHOLDS = (100_000, 20, 20)
"""A session makes many short-lived objects and few cycles, so it collects rarely."""


class Look(NamedTuple, Generic[T]):
    """What to keep of a case: by its recording and what has been read of that already, or where its
    process gave none, by why. It must be no text.
    """

    of: Callable[[Scenario, Recording, Evidence | None], T]
    failed: Callable[[Scenario, str], T]


VERDICTS: Look[CaseResult] = Look(case_result, failed_case)


def isolated(
    cases: Sequence[Scenario],
    *,
    branch: bool,
    limit_s: float,
    stop: Callable[[], bool] = lambda: False,
) -> list[CaseResult]:
    """The results of :func:`looked_at`: what a report needs of each case."""
    return looked_at(cases, VERDICTS, branch=branch, limit_s=limit_s, stop=stop)


def looked_at(
    cases: Sequence[Scenario],
    look: Look[T],
    *,
    branch: bool,
    limit_s: float,
    stop: Callable[[], bool] = lambda: False,
    last: Callable[[T], bool] = lambda _: False,
) -> list[T]:
    """Run cases in other processes; what ``look`` keeps of them is in their order. None runs after
    the first of which ``last`` is true; where the cases branch, the order in which they run is that
    of their faults.

    With ``branch``, a :func:`beginning` that is long enough runs only once; all cases must then
    have the same one. ``limit_s`` is the processor time, in seconds, after which a case counts as
    hung, and the real time for which it may be blocked; a case that simulates more than a minute
    gets the excess on top. ``stop()`` is called after each case, and while one takes long; once it
    is true the rest is given up with Stopped. Raises NotFinished where the machine has no time for
    a case.
    """
    results: dict[int, T] = {}
    waiting = sorted(range(len(cases)), key=lambda index: (cases[index].parts_ns, index))
    while waiting and not any(map(last, results.values())):
        pays = branch and beginning(cases[waiting[0]]) is not None
        results.update(_one_server(cases, waiting, look, pays, limit_s, stop, last))
        waiting = [index for index in waiting if index not in results]
    return [results[index] for index in sorted(results)]


def _one_server(
    cases: Sequence[Scenario],
    waiting: Sequence[int],
    look: Look[T],
    branch: bool,
    limit_s: float,
    stop: Callable[[], bool],
    last: Callable[[T], bool],
) -> dict[int, T]:
    """The results of one server, up to the last, or to the first case that brings it down."""
    reader, writer = Pipe(duplex=False)
    own = os.getpid()
    server = os.fork()
    if server == 0:
        end_with(own)
        reader.close()
        _serve(cases, waiting, look, branch, writer)
    writer.close()
    results: dict[int, T] = {}
    try:
        for index, result in _listen(cases, waiting, look, reader, server, limit_s, stop):
            results[index] = result
            if stop():
                _end(server)
                raise Stopped
            if last(result):
                _end(server)
                break
    finally:
        reader.close()
        os.waitpid(server, 0)
    return results


def _listen(
    cases: Sequence[Scenario],
    waiting: Sequence[int],
    look: Look[T],
    reader: Connection,
    server: int,
    limit_s: float,
    stop: Callable[[], bool],
) -> Iterator[tuple[int, T]]:
    """The first answer of the server for each case: a result, or a text that says why there is
    none.
    """
    for index in waiting:
        case = cases[index]
        watch = _Watch(server, limit_s + max(0.0, case.lasts_ns / 1e9 - _LONG_S))
        told: T | str | Began
        number, told = -1, Began(server)
        try:
            while number != index or isinstance(told, Began):
                watch.wait(reader, stop)
                number, told = reader.recv()
                # how the process of the previous case ended means that the server goes on
                watch.follow(told.process if isinstance(told, Began) else server)
        except EOFError:
            yield index, look.failed(case, "brought the simulation's process down")
            return
        except (NotFinished, Stopped):
            _end(server)
            raise
        except NoAnswer as why:
            _end(server)
            yield index, look.failed(case, str(why))
            return
        yield index, look.failed(case, told) if isinstance(told, str) else told


def _end(server: int) -> None:
    with suppress(ProcessLookupError):  # it may have ended by itself
        os.killpg(server, signal.SIGKILL)


class Began(NamedTuple):
    """A case goes on in a process of its own."""

    process: int


def _serve(
    cases: Sequence[Scenario],
    waiting: Sequence[int],
    look: Look[T],
    branch: bool,
    writer: Connection,
) -> None:
    """Everything that the server does; it never returns."""
    try:
        end_endless_loops()
        os.setsid()  # so that the server and its case can be ended together
        gc.freeze()  # the plan and the programs stay; collections need not visit them
        gc.set_threshold(*_GC_THRESHOLDS)
        run = _branching if branch else _in_turn
        run(cases, waiting, look, writer)
    finally:
        os._exit(1)


def _in_turn(
    cases: Sequence[Scenario], waiting: Sequence[int], look: Look[T], writer: Connection
) -> None:
    """Run each case from power-up."""
    for index in waiting:
        writer.send((index, look.of(cases[index], simulate(cases[index]), None)))


def _branching(
    cases: Sequence[Scenario], waiting: Sequence[int], look: Look[T], writer: Connection
) -> None:
    """Run the common beginning once, and each case in a process forked from it. The judge reads the
    beginning only once, too.
    """
    session = Session(replace(cases[waiting[0]], faults=()))
    evidence = Evidence(session.vehicle, session.recording)
    session.begin()
    own = os.getpid()
    for index in waiting:
        at_ns = cases[index].parts_ns
        session.run_to(at_ns)
        if index == waiting[0]:  # fills everything that judging a case reads
            judge(session.vehicle, replace(session.recording, end_ns=at_ns), evidence)
        evidence.read_on(at_ns)
        child = os.fork()
        if child == 0:
            end_with(own)
            end_endless_loops()
            gc.disable()  # this process is short-lived, and untouched memory stays shared
            writer.send((index, Began(os.getpid())))
            recording = session.go_on(cases[index])
            writer.send((index, look.of(cases[index], recording, evidence)))
            os._exit(0)
        _, status = os.waitpid(child, 0)
        writer.send((index, _why(status)))  # counts only where no result has come


def _why(status: int) -> str:
    if os.WIFSIGNALED(status):
        name = signal.Signals(os.WTERMSIG(status)).name
        return f"its process was ended by {name}"
    return f"its process ended with exit code {os.WEXITSTATUS(status)}"


GRACE_S = 10.0
"""A run takes far less processor time than it simulates. This many seconds, and as many again as it
simulates, are plenty."""


def patience_s(scenario: Scenario) -> float:
    """The limit of a run, as that of :func:`isolated`, in seconds."""
    return GRACE_S + scenario.lasts_ns / 1e9


def run_apart(scenario: Scenario, *, bits: bool = False) -> RunResult:
    """Run and judge a scenario in a process of its own, where one can be forked. If that process
    ends early, or hangs, the result is one broken rule and an empty recording. ``bits``: also
    record the bus bit by bit. Raises BadInput if the machine has no time for it.
    """
    ready(scenario.vehicle)
    if not can_branch():
        return RunResult(scenario, *_run_without_scenario(scenario, bits=bits))
    try:
        told = Child(partial(_run_without_scenario, scenario, bits=bits)).answer(
            patience_s(scenario)
        )
    except NoAnswer as why:
        nothing = Recording(scenario.vehicle.title, scenario.seed, scenario.lasts_ns)
        blind = replace(scenario, expectations=())  # it is unknown whether they were met
        text = str(why) if str(why).startswith(HUNG) else "brought its process down"
        return RunResult(blind, nothing, failed_case(scenario, text).verdicts, ())
    except NotFinished as why:
        raise BadInput.one(scenario.name, "", str(why)) from None
    return RunResult(scenario, *told)


def _run_without_scenario(
    scenario: Scenario, *, bits: bool
) -> tuple[Recording, tuple[Verdict, ...], tuple[Verdict, ...]]:
    """A run without its scenario: programs cannot be passed between processes."""
    result = run(scenario, bits=bits)
    sys.stdout.flush()  # what the programs printed
    return result.recording, result.verdicts, result.expected
