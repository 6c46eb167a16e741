"""The threads of one script, as tasks that take turns: each has a stack of its own, a greenlet.

A task runs until it waits; then the clock goes on. It is only ever resumed from an entry of the
event queue, never from within the work of the bus, so that while it runs nobody is in the middle
of anything. What a call costs is added to the clock at once where nothing else is due before.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from greenlet import GreenletExit, getcurrent, greenlet

from linkloss.clock import Event, EventQueue, OwnClock
from linkloss.clock.safeguard import runs_programs

_PATIENCE = 20
"""What a program does to tidy up makes a few calls, each of which is refused."""


class Host(Protocol):
    """What runs a piece of a program and takes what it raises."""

    def call(self, action: Callable[..., object], *args: Any) -> None:
        """Run it."""


class Task:
    """One thread of a script. ``number`` counts from 1, the main thread, within its script."""

    __slots__ = ("_greenlet", "ends_caught", "event", "failure", "number", "waiters", "woken")

    def __init__(self, number: int, body: Callable[[], object]) -> None:
        self.number = number
        self.failure: BaseException | None = None
        self.event: Event | None = None
        self.waiters: list[Task] | None = None
        self.woken = False
        self.ends_caught = 0
        self._greenlet = greenlet(lambda: self._run(body))

    @runs_programs
    def _run(self, body: Callable[[], object]) -> None:
        try:
            body()
        except GreenletExit:
            pass
        except BaseException as error:  # noqa: BLE001 - told to whoever runs the tasks
            self.failure = error

    def go_on(self) -> None:
        """Run it until it waits or ends; called from outside all tasks."""
        self._greenlet.parent = getcurrent()
        self._greenlet.switch()

    def stop(self) -> None:
        """Back to whoever runs the tasks; called by the task itself."""
        parent = self._greenlet.parent
        assert parent is not None
        parent.switch()

    def kill(self) -> None:
        """End it where it waits."""
        if self._greenlet:
            self._greenlet.parent = getcurrent()
            self._greenlet.throw(GreenletExit)

    @property
    def over(self) -> bool:
        """Whether it has come to its end."""
        return bool(self._greenlet.dead)


class Tasks:
    """All tasks of one life of a script.

    ``call_ns`` is the processor time of one call to the board, the bus or the clock; ``clock`` is
    the node's own, by which the script waits.
    """

    def __init__(self, queue: EventQueue, clock: OwnClock, host: Host, call_ns: int) -> None:
        self.queue = queue
        self.clock = clock
        self.call_ns = call_ns
        self.begun_ns = queue.now_ns
        self.ended = False
        self.current: Task | None = None
        self._host = host
        self._hung = False
        self._count = 0
        self._alive: dict[Task, None] = {}
        self._postponed: dict[Task, None] = {}

    # ---- from outside

    def begin(self, body: Callable[[], object]) -> Task:
        """A new task, which runs as soon as the others that are ready have run."""
        self._count += 1
        task = Task(self._count, body)
        self._alive[task] = None
        self._wake_at(task, self.queue.now_ns)
        return task

    def hang(self) -> None:
        """None goes on from now on."""
        self._hung = True

    def resume(self) -> None:
        """Those that came due meanwhile go on."""
        self._hung = False
        postponed, self._postponed = self._postponed, {}
        for task in postponed:
            self._wake_at(task, self.queue.now_ns)

    def end(self) -> None:
        """The life is over. What a task still tries, tidying up, reaches nothing."""
        self.ended = True
        alive, self._alive = self._alive, {}
        self._postponed.clear()
        for task in alive:
            self._forget_wait(task)
            self.current = task
            task.kill()
            if not task.over:  # it catches everything: never let it run again
                _NEVER_AGAIN.append(task)
        self.current = None

    # ---- from inside a task

    def spend(self) -> None:
        """A call to the board, the bus or the clock takes its time."""
        self.check()
        queue = self.queue
        then_ns = queue.now_ns + self.call_ns
        if then_ns < queue.quiet_until() and not self._hung:
            queue.now_ns = then_ns
        else:
            self.wait(then_ns)

    def wait(self, until_ns: int | None, waiters: list[Task] | None = None) -> bool:
        """Wait for an instant (None: for ever), or until :meth:`wake` takes the task from a list.
        Returns whether it was woken.
        """
        self.check()
        task = self.current
        assert task is not None, "only a task waits"
        task.woken = False
        if waiters is not None:
            waiters.append(task)
            task.waiters = waiters
        if until_ns is not None:
            self._wake_at(task, max(until_ns, self.queue.now_ns))
        task.stop()
        self.check()
        return task.woken

    def wake(self, waiters: list[Task], most: int | None = None) -> None:
        """Let tasks that wait in a list go on: all, or the first ``most`` of them."""
        count = len(waiters) if most is None else min(most, len(waiters))
        for task in waiters[:count]:
            self._forget_wait(task)
            task.woken = True
            self._wake_at(task, self.queue.now_ns)

    def check(self) -> None:
        """Nothing of a program that was reset goes on.

        A task that catches its own end again and again is left standing for good.
        """
        task = self.current
        if self.ended and task is not None:
            task.ends_caught += 1
            if task.ends_caught > _PATIENCE:
                task.stop()
            raise GreenletExit

    # ---- inside

    def _wake_at(self, task: Task, at_ns: int) -> None:
        task.event = self.queue.at(at_ns, self._host.call, self._go_on, task)

    def _forget_wait(self, task: Task) -> None:
        if task.event is not None:
            self.queue.cancel(task.event)
            task.event = None
        if task.waiters is not None:
            task.waiters.remove(task)
            task.waiters = None

    def _go_on(self, task: Task) -> None:
        task.event = None
        self._forget_wait(task)
        if self.ended:
            return
        if self._hung:
            self._postponed[task] = None
            return
        self.current = task
        task.go_on()
        self.current = None
        if task.over:
            self._alive.pop(task, None)
            if task.failure is not None:
                self.end()
                raise task.failure


_NEVER_AGAIN: list[Task] = []
"""Tasks that cannot be ended: to forget them would be to run them once more."""
