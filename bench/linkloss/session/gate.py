"""The coroutines of one life of a program: stopped in their tracks, as a hung program stops, let
go on later, or ended, as a reset ends them.

A program may make tasks of its own. They stop and end with it, so the loop of a session makes its
tasks by :func:`make_task`, which knows the gate of the program that is at work.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Generator
from contextlib import suppress
from contextvars import ContextVar
from types import coroutine
from typing import Any

from linkloss.clock import OwnClock
from linkloss.clock.blocking import ProgramFailed
from linkloss.clock.safeguard import runs_programs
from linkloss.session.board import Restart

AT_WORK: ContextVar[Gate | None] = ContextVar("AT_WORK", default=None)
"""The gate of the program whose code runs now; tasks inherit it."""


class Gate:
    """While closed, no coroutine behind it gets past its next ``await``. ``failed(error)`` is
    called at once when one of them resets the board or tries to end the process.
    """

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        failed: Callable[[BaseException], None],
        clock: OwnClock | None = None,
    ) -> None:
        """``clock``: that of the program's node."""
        self.clock = clock
        self._loop = loop
        self._failed = failed
        self._closed = False
        self._ended = False
        self._waiters: list[asyncio.Future[None]] = []
        self._programs: dict[asyncio.Task[Any], Coroutine[Any, Any, Any]] = {}

    def close(self) -> None:
        """Stop what runs behind the gate."""
        self._closed = True

    def open(self) -> None:
        """Let it go on."""
        self._closed = False
        waiters, self._waiters = self._waiters, []
        for waiter in waiters:
            if not waiter.done():
                waiter.set_result(None)

    def end(self) -> None:
        """Nothing behind the gate goes on any more."""
        self._ended = True
        programs, self._programs = self._programs, {}
        for program in programs.values():
            with suppress(
                Exception, SystemExit, ProgramFailed
            ):  # whatever its tidying up stumbles over
                program.close()

    def spawn(self, program: Coroutine[Any, Any, Any], **settings: Any) -> asyncio.Task[Any]:
        """A task that runs a coroutine behind the gate."""
        task = asyncio.Task(self._run(program), loop=self._loop, **settings)
        task._log_destroy_pending = False  # type: ignore[attr-defined] # a reset leaves it so
        self._programs[task] = program
        task.add_done_callback(lambda done: self._programs.pop(done, None))
        return task

    async def _run(self, program: Coroutine[Any, Any, Any]) -> Any:
        AT_WORK.set(self)
        try:
            return await self._drive(program)
        except (Restart, SystemExit, ProgramFailed) as error:
            self._failed(error)

    @runs_programs
    @coroutine
    def _drive(self, program: Coroutine[Any, Any, Any]) -> Generator[Any, Any, Any]:
        """Hand everything through, but wait at the gate before the program takes its next step."""
        send: Any = None
        failure: BaseException | None = None
        while True:
            while self._closed and not self._ended:
                waiter = self._loop.create_future()
                self._waiters.append(waiter)
                try:
                    yield from waiter
                except asyncio.CancelledError as error:  # a time limit: told after the hang
                    send, failure = None, error
            if self._ended:
                return None
            try:
                waiting = program.send(send) if failure is None else program.throw(failure)
            except StopIteration as end:
                return end.value
            send, failure = None, None
            try:
                send = yield waiting
            except GeneratorExit:
                program.close()
                raise
            except BaseException as error:  # noqa: BLE001 - a cancellation belongs to the program
                failure = error


def clock_at_work() -> OwnClock | None:
    """The clock of the program whose code runs now; None while none does."""
    gate = AT_WORK.get()
    return None if gate is None else gate.clock


def make_task(
    loop: asyncio.AbstractEventLoop, program: Coroutine[Any, Any, Any], **settings: Any
) -> asyncio.Task[Any]:
    """The task factory of a session's loop."""
    gate = AT_WORK.get()
    if gate is None:
        return asyncio.Task(program, loop=loop, **settings)
    return gate.spawn(program, **settings)
