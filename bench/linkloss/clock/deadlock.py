"""The error for a run in which everybody waits and nothing will ever happen.

A loop over sockets would hang here. In virtual time it is known at once that no event can wake
anybody, so the run ends with the list of who waits for what.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

_ASYNCIO = Path(asyncio.__file__).parent


class DeadlockError(RuntimeError):
    """Nothing is ready and nothing is due, but the loop was asked to go on.

    ``now_ns`` is the virtual instant in nanoseconds, ``waiting`` the sorted descriptions of the
    tasks that wait.
    """

    def __init__(self, now_ns: int, waiting: list[str]) -> None:
        self.now_ns = now_ns
        self.waiting = waiting
        count = len(waiting)
        who = "1 task waits" if count == 1 else f"{count} tasks wait"
        ending = (
            f"{who} for ever: {', '.join(waiting)}"
            if waiting
            else "no task is left and nobody called stop()"
        )
        super().__init__(f"nothing is ready and nothing is due at {_seconds(now_ns)} s: {ending}")


def waiting_tasks(loop: asyncio.AbstractEventLoop) -> list[str]:
    """Every unfinished task of a loop with the place at which it waits, sorted by text."""
    return sorted(_describe(task) for task in asyncio.all_tasks(loop))


def _seconds(now_ns: int) -> str:
    # Whole digits, never a float: 1.25 s reads "1.250", one nanosecond "0.000000001".
    whole, rest = divmod(now_ns, 1_000_000_000)
    digits = f"{rest:09d}".rstrip("0").ljust(3, "0")
    return f"{whole}.{digits}"


def _describe(task: asyncio.Task[Any]) -> str:
    frames = _suspended_frames(task.get_coro())
    name = getattr(task.get_coro(), "__qualname__", repr(task.get_coro()))
    if not frames:
        return f"{task.get_name()!r} in {name}"
    own = [entry for entry in frames if _ASYNCIO not in Path(entry[1].f_code.co_filename).parents]
    _, frame = (own or frames)[-1]
    place = f"{Path(frame.f_code.co_filename).name}:{frame.f_lineno}"
    inner = frames[-1]
    # A line inside asyncio differs between versions of Python and tells the reader nothing: name
    # the node's own line, and the primitive it waits in.
    waits_in = "" if inner[1] is frame else f", waiting in {inner[0]}"
    return f"{task.get_name()!r} in {name} ({place}{waits_in})"


def _suspended_frames(awaited: Any) -> list[tuple[str, Any]]:
    """The chain of suspended frames from a task's coroutine inwards, as (name, frame)."""
    frames = []
    while awaited is not None:
        for prefix, link in (("cr", "cr_await"), ("gi", "gi_yieldfrom"), ("ag", "ag_await")):
            frame = getattr(awaited, f"{prefix}_frame", None)
            if frame is not None:
                frames.append((awaited.__qualname__, frame))
                awaited = getattr(awaited, link)
                break
        else:
            break
    return frames
