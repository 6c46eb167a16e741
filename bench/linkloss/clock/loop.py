"""An asyncio event loop whose time is the clock of an event queue.

Coroutine nodes and plain callbacks share one order of events: the loop keeps no clock and no heap
of its own. So whoever drives the queue drives the coroutines, and what the bus decides at the end
of an instant it decides after every coroutine has had its turn.
"""

from __future__ import annotations

import asyncio
import os
import sys
from asyncio import Future
from asyncio.events import _get_running_loop, _set_running_loop
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import Context
from threading import get_ident
from typing import Any

from linkloss.clock.deadlock import DeadlockError, waiting_tasks
from linkloss.clock.generators import GeneratorShutdown
from linkloss.clock.queue import EventQueue
from linkloss.clock.refusals import OutsideWorld
from linkloss.clock.scheduling import Halt, Scheduling

__all__ = ["DeadlockError", "VirtualLoop"]

TaskFactory = Callable[..., "asyncio.Future[Any]"]

_ORIGIN_DEPTH = 10
"""Frames kept of where a coroutine was made, in debug mode (asyncio's own figure)."""


def _debug_from_environment() -> bool:
    """The rule of asyncio: ``python -X dev``, or PYTHONASYNCIODEBUG set to anything."""
    flags = sys.flags
    return flags.dev_mode or (
        not flags.ignore_environment and bool(os.environ.get("PYTHONASYNCIODEBUG"))
    )


def _stop_when_done(future: asyncio.Future[Any]) -> None:
    if not future.cancelled() and isinstance(future.exception(), (SystemExit, KeyboardInterrupt)):
        return  # Such an exception has left run_forever already.
    future.get_loop().stop()


class VirtualLoop(Scheduling, GeneratorShutdown, OutsideWorld):
    """asyncio's loop in virtual time: seconds are ``queue.now_ns / 1e9`` and pass at once.

    Waiting costs nothing: when nothing is ready, the clock jumps to the next entry of the queue.
    When there is none either, :class:`DeadlockError` says who waits. The loop opens no file
    descriptor and starts no thread.

    Two ways to run it: asyncio's own (``asyncio.Runner(loop_factory=VirtualLoop)``,
    :meth:`run_until_complete`), or somebody else drives the queue inside :meth:`running`.

    Time is a float only at this face. Delays (``call_later``, ``asyncio.sleep``) and instants
    (``call_at``, ``asyncio.timeout``) up to 2**51 ns, 26 days, are exact to the nanosecond; a
    later instant is rounded to what a float can hold. Timers for one instant run first come,
    first served. A callback takes no time, so debug mode reports no slow ones.
    """

    def __init__(self, queue: EventQueue | None = None) -> None:
        super().__init__(queue)
        self._driving = False
        self._task_factory: TaskFactory | None = None
        self._task_count = 0
        self._debug = self._guarded = _debug_from_environment()

    def __repr__(self) -> str:
        return (
            f"<{type(self).__name__} now_ns={self.queue.now_ns} running={self._running} "
            f"closed={self._closed} debug={self._debug}>"
        )

    @contextmanager
    def running(self) -> Iterator[None]:
        """Make this the running loop while somebody drives the queue.

        >>> loop = VirtualLoop()
        >>> with loop.running():
        ...     task = loop.create_task(asyncio.sleep(1, "done"))
        ...     loop.queue.run_until(1_000_000_000)
        >>> task.result()
        'done'
        >>> loop.close()

        Raises RuntimeError when the loop is closed, or when a loop runs already in this thread.
        """
        self._check_closed()
        self._check_idle()
        depth = sys.get_coroutine_origin_tracking_depth()
        self._owner = get_ident()
        self._running = True
        with self._generator_hooks():
            _set_running_loop(self)
            self._track_origins()
            try:
                yield
            finally:
                self._running = False
                _set_running_loop(None)
                sys.set_coroutine_origin_tracking_depth(depth)

    def keep_running(self) -> None:
        """Go on being the running loop in a process that was forked inside :meth:`running`.

        asyncio remembers the running loop together with the process, and so forgets it there.
        """
        if self._running:
            _set_running_loop(self)

    def run_forever(self) -> None:
        """Run until :meth:`stop` is called.

        Raises DeadlockError when nothing is ready and nothing is due, and whatever a plain
        callback on the queue raises.
        """
        with self.running():
            if self._stopping:
                self._arm()
            self._driving = True
            try:
                self.queue.run()
                raise DeadlockError(self.queue.now_ns, waiting_tasks(self))
            except Halt:
                pass
            finally:
                self._driving = self._stopping = self._halt_before_drain = False
                if self._ready or self._overdue:
                    self._arm()

    def run_until_complete(self, future: Any) -> Any:
        """Run until an awaitable is done; return its result or raise its exception.

        Raises RuntimeError when :meth:`stop` was called first, and otherwise as
        :meth:`run_forever`.
        """
        self._check_closed()
        self._check_idle()
        made_here = not asyncio.isfuture(future)
        future = asyncio.ensure_future(future, loop=self)
        if made_here:
            future._log_destroy_pending = False  # What is raised below says it better.
        future.add_done_callback(_stop_when_done)
        try:
            self.run_forever()
        except BaseException:
            if made_here and future.done() and not future.cancelled():
                future.exception()  # Marks it as seen: nobody else can ask for it.
            raise
        finally:
            future.remove_done_callback(_stop_when_done)
        if not future.done():
            raise RuntimeError("Event loop stopped before Future completed.")
        return future.result()

    def stop(self) -> None:
        """End :meth:`run_forever` once the callbacks that are ready now have run.

        Raises RuntimeError while somebody else drives the queue: there is nothing to stop.
        """
        if self._running and not self._driving:
            raise RuntimeError(
                "stop() ends run_forever(), but here somebody else drives the queue: "
                "let the coroutine return instead"
            )
        self._stopping = True
        if self._driving and not self._draining:
            # Called by a timer: the other timers of this instant still run, as in asyncio, but
            # what they made ready waits for the next run.
            self._halt_before_drain = True
            self._arm()

    def is_running(self) -> bool:
        """Whether this is the running loop, whoever drives the queue."""
        return self._running

    def is_closed(self) -> bool:
        """Whether :meth:`close` was called."""
        return self._closed

    def close(self) -> None:
        """Drop everything scheduled here; the entries of others stay on the queue.

        Raises RuntimeError while running.
        """
        if self._running:
            raise RuntimeError("Cannot close a running event loop")
        self._closed = self._guarded = True
        self._drop_scheduled()

    def create_future(self) -> asyncio.Future[Any]:
        """A future of this loop."""
        return Future(loop=self)

    def create_task(
        self, coro: Any, *, name: object = None, context: Context | None = None, **kwargs: Any
    ) -> Any:
        """Schedule a coroutine and return its task.

        Default names ("Task-1") are counted for each loop, so that two runs in one process name
        their tasks alike. Further keywords (``eager_start``) go to the task or the task factory.
        """
        self._check_closed()
        if name is None:
            self._task_count += 1
            name = f"Task-{self._task_count}"
        if self._task_factory is None:
            return asyncio.Task(coro, loop=self, name=str(name), context=context, **kwargs)
        if context is not None:
            kwargs["context"] = context
        made = self._task_factory(self, coro, **kwargs)
        if isinstance(made, asyncio.Task) or hasattr(made, "set_name"):
            made.set_name(name)
        return made

    def set_task_factory(self, factory: TaskFactory | None) -> None:
        """Make tasks with ``factory(loop, coro)``; None brings the default back.

        Raises TypeError when the factory cannot be called.
        """
        if factory is not None and not callable(factory):
            raise TypeError("task factory must be a callable or None")
        self._task_factory = factory

    def get_task_factory(self) -> TaskFactory | None:
        """The task factory in use, or None for the default one."""
        return self._task_factory

    def get_debug(self) -> bool:
        """Whether debug mode is on."""
        return self._debug

    def set_debug(self, enabled: bool) -> None:
        """Turn asyncio's debug mode on or off, at once."""
        self._debug = bool(enabled)
        self._guarded = self._debug or self._closed
        if self._running:
            self._track_origins()

    def _track_origins(self) -> None:
        sys.set_coroutine_origin_tracking_depth(_ORIGIN_DEPTH if self._debug else 0)

    def _check_idle(self) -> None:
        if self._running:
            raise RuntimeError("This event loop is already running")
        if _get_running_loop() is not None:
            raise RuntimeError("Cannot run the event loop while another loop is running")
