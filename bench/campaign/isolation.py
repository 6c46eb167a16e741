"""Cases in processes of their own: one that crashes or hangs is a finding and stops nobody else.

Cases that begin alike are run once up to the instant where they part. A *hub* runs the common
beginning and stops before each first fault; a child that it forks there runs that one case to its
end and judges it, while the hub waits and then goes on:

    hub    ======|======|=========|====
                 fork   fork      fork
    cases        |---a  |---b     |---c

The hub is a fresh process with one thread, and it forks between two events, never from inside a
node. Without branching each case's process begins at power-up; the results are the same.
"""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Iterator, Sequence
from dataclasses import replace
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from typing import Any, Literal, NamedTuple

from bench.campaign.result import CaseResult
from bench.campaign.run import case_result, failed_case
from bench.scenario import Scenario
from bench.session import Session

CAN_FORK = hasattr(os, "fork")


class _Note(NamedTuple):
    """What a hub or a case tells its worker: ``content`` is a result, or why there is none."""

    kind: Literal["begun", "done", "lost"]
    number: int
    content: Any = None


def first_fault_ns(scenario: Scenario) -> int:
    """Where a case parts from the others of its situation: its first fault, or its end."""
    return min((timed.at_ns for timed in scenario.faults), default=scenario.lasts_ns)


def isolated(cases: Sequence[Scenario], *, branch: bool, limit_s: float) -> list[CaseResult]:
    """Run cases in processes of their own, in their order.

    With ``branch`` they must all begin alike (situation, inputs, actions, seed). ``limit_s`` is
    the wall-clock time, in seconds, after which a case that gave no sign counts as hung.
    """
    results: dict[int, CaseResult] = {}
    waiting = sorted(range(len(cases)), key=lambda index: (first_fault_ns(cases[index]), index))
    while waiting:
        results.update(_one_hub(cases, waiting, branch, limit_s))
        waiting = [index for index in waiting if index not in results]
    return [results[index] for index in range(len(cases))]


def _one_hub(
    cases: Sequence[Scenario], waiting: Sequence[int], branch: bool, limit_s: float
) -> dict[int, CaseResult]:
    """The results of one hub, up to the first case that brought it down."""
    reader, writer = Pipe(duplex=False)
    hub = os.fork()
    if hub == 0:
        reader.close()
        _be_hub(cases, waiting, branch, writer)
    writer.close()
    results = dict(_listen(cases, waiting, reader, hub, limit_s))
    reader.close()
    os.waitpid(hub, 0)
    return results


def _listen(
    cases: Sequence[Scenario], waiting: Sequence[int], reader: Connection, hub: int, limit_s: float
) -> Iterator[tuple[int, CaseResult]]:
    running = waiting[0]
    try:
        while True:
            if not reader.poll(limit_s):
                os.killpg(hub, signal.SIGKILL)
                text = f"did not end within {limit_s:g} s of real time"
                yield running, failed_case(cases[running], text)
                return
            note: _Note = reader.recv()
            running = note.number
            if note.kind == "done":
                yield running, note.content
            elif note.kind == "lost":
                yield running, failed_case(cases[running], note.content)
            running = _following(waiting, running) if note.kind != "begun" else running
            if running < 0:
                return
    except EOFError:
        yield running, failed_case(cases[running], "brought the simulation's process down")


def _following(waiting: Sequence[int], index: int) -> int:
    """The case behind one, or -1."""
    place = waiting.index(index) + 1
    return waiting[place] if place < len(waiting) else -1


def _be_hub(
    cases: Sequence[Scenario], waiting: Sequence[int], branch: bool, writer: Connection
) -> None:
    """The hub's whole life; it never returns."""
    try:
        os.setsid()  # so that a hub and its case can be ended together
        gc.freeze()
        session = _begun(replace(cases[waiting[0]], faults=())) if branch else None
        for index in waiting:
            writer.send(_Note("begun", index))
            if session is not None:
                session.run_to(first_fault_ns(cases[index]))
            child = os.fork()
            if child == 0:
                own = session if session is not None else _begun(cases[index])
                recording = own.go_on(cases[index])
                writer.send(_Note("done", index, case_result(cases[index], recording)))
                os._exit(0)
            _, status = os.waitpid(child, 0)
            if status != 0:
                writer.send(_Note("lost", index, _why(status)))
    finally:
        os._exit(1)


def _begun(scenario: Scenario) -> Session:
    session = Session(scenario)
    session.begin()
    return session


def _why(status: int) -> str:
    if os.WIFSIGNALED(status):
        name = signal.Signals(os.WTERMSIG(status)).name
        return f"its process was ended by {name}"
    return f"its process ended with exit code {os.WEXITSTATUS(status)}"
