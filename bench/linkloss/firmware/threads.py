"""The threads of a script, as tasks that take turns in virtual time.

``import threading`` gives a script the same names, with tasks for threads.

Tasks are never interrupted while they run, so a lock is a flag and a list of waiting tasks. The
rest of the module (barriers, tracing hooks) is not available.

Each task is a greenlet with its own stack.

A task runs until it waits; then the clock advances. It is resumed only by the event queue, never
from inside the bus, so that nothing else is half done while it runs. The time of a call is added to
the clock at once if nothing else is due before its end.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from types import ModuleType, TracebackType
from typing import Any

from greenlet import GreenletExit, getcurrent, greenlet

from linkloss.clock import Event, EventQueue, OwnClock
from linkloss.firmware.guard import Caller, runs_programs

_PATIENCE = 20
"""How many refused calls a program may make while it cleans up at its end."""


class Task(greenlet):  # type: ignore[misc]  # greenlet has no types
    """One thread of a script. ``number`` counts from 1 within the script; 1 is the main thread."""

    def __init__(self, number: int, body: Callable[[], object]) -> None:
        super().__init__()
        self.number = number
        self.failure: BaseException | None = None
        self.event: Event | None = None
        self.waiters: list[Task] | None = None
        self.woken = False
        self.ends_caught = 0
        self._body = body

    @runs_programs
    def run(self) -> None:
        """Run the body, and keep what it raises in ``failure``."""
        try:
            self._body()
        except GreenletExit:
            pass
        except BaseException as error:  # noqa: BLE001 - see above
            self.failure = error

    def go_on(self) -> None:
        """Run the task until it waits or ends. Called from outside all tasks."""
        self.parent = getcurrent()
        self.switch()

    def stop(self) -> None:
        """Switch back to what runs the tasks. Called by the task itself."""
        assert self.parent is not None
        self.parent.switch()

    def kill(self) -> None:
        """End the task where it waits."""
        if self:
            self.parent = getcurrent()
            self.throw(GreenletExit)


class Tasks:
    """All tasks of one run of a script.

    ``call_ns`` is the processor time of one call to the board, the bus or the clock; ``clock`` is
    the node's own clock, which times the script's waits.
    """

    def __init__(self, queue: EventQueue, clock: OwnClock, host: Caller, call_ns: int) -> None:
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
        """Start a new task, which runs after the others that are ready."""
        self._count += 1
        task = Task(self._count, body)
        self._alive[task] = None
        self._wake_at(task, self.queue.now_ns)
        return task

    def hang(self) -> None:
        """Hold all tasks where they are."""
        self._hung = True

    def resume(self) -> None:
        """End the hang: tasks that came due during it go on."""
        self._hung = False
        postponed, self._postponed = self._postponed, {}
        for task in postponed:
            self._wake_at(task, self.queue.now_ns)

    def end(self) -> None:
        """End the run. What a task still calls while it cleans up has no effect."""
        self.ended = True
        alive, self._alive = self._alive, {}
        self._postponed.clear()
        for task in alive:
            self._forget_wait(task)
            self.current = task
            task.kill()
            if not task.dead:  # it catches everything: it must never run again
                _NEVER_AGAIN.append(task)
        self.current = None

    # ---- from inside a task

    def spend(self) -> None:
        """Let the time of one call to the board, the bus or the clock pass."""
        self.check()
        queue = self.queue
        then_ns = queue.now_ns + self.call_ns
        if then_ns < queue.quiet_until() and not self._hung:
            queue.now_ns = then_ns
        else:
            self.wait(then_ns)

    def wait(self, until_ns: int | None, waiters: list[Task] | None = None) -> bool:
        """Wait until an instant (None: for ever), or until :meth:`wake` takes the task from a list.
        Return whether it was woken.
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
        """Wake the tasks that wait in a list: all, or the first ``most`` of them."""
        count = len(waiters) if most is None else min(most, len(waiters))
        for task in waiters[:count]:
            self._forget_wait(task)
            task.woken = True
            self._wake_at(task, self.queue.now_ns)

    def check(self) -> None:
        """End the current task if the run is over.

        A task that keeps catching its own end is never resumed again.
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
        if task.dead:
            self._alive.pop(task, None)
            if task.failure is not None:
                self.end()
                raise task.failure


_NEVER_AGAIN: list[Task] = []
"""Tasks that cannot be ended. They are kept because freeing a greenlet runs it once more."""


NS_PER_S = 1e9


def deadline_ns(tasks: Tasks, timeout: float | None) -> int | None:
    """The instant at which a timeout in seconds of the script's clock ends; None without a
    timeout.
    """
    return None if timeout is None else tasks.clock.after(round(max(0.0, timeout) * NS_PER_S))


class Held:
    """Something that tasks wait for, and that a ``with`` block acquires and releases."""

    acquire: Callable[..., bool]
    release: Callable[[], None]

    def __init__(self, tasks: Tasks) -> None:
        self._tasks = tasks
        self._waiters: list[Task] = []

    def _wait_until(
        self, free: Callable[[], object], timeout: float | None, *, blocking: bool = True
    ) -> bool:
        """Wait for up to ``timeout`` seconds. Return whether it is free."""
        until_ns = deadline_ns(self._tasks, timeout)
        while not free():
            if not blocking or not self._tasks.wait(until_ns, self._waiters):
                return False
        return True

    def __enter__(self) -> bool:
        return self.acquire()

    def __exit__(self, *_: object) -> None:
        self.release()


class Lock(Held):
    """``threading.Lock`` and, with ``owned``, ``threading.RLock``."""

    def __init__(self, tasks: Tasks, *, owned: bool = False) -> None:
        super().__init__(tasks)
        self._owned = owned
        self._depth = 0
        self._owner: Task | None = None

    def acquire(self, blocking: bool = True, timeout: float = -1) -> bool:
        """Take the lock, waiting for up to ``timeout`` seconds (-1: for ever)."""
        mine = self._owned and self._owner is self._tasks.current
        longest = None if timeout < 0 else timeout
        if not self._wait_until(lambda: mine or not self._depth, longest, blocking=blocking):
            return False
        self._depth += 1
        self._owner = self._tasks.current
        return True

    def release(self) -> None:
        """Release the lock.

        :raises RuntimeError: if it is not taken, or if another thread holds this RLock.
        """
        if not self._depth or (self._owned and self._owner is not self._tasks.current):
            raise RuntimeError("cannot release un-acquired lock")
        self._depth -= 1
        if not self._depth:
            self._owner = None
            self._tasks.wake(self._waiters, 1)

    def locked(self) -> bool:
        """Whether the lock is taken."""
        return bool(self._depth)

    def give_up(self) -> int:
        """Release the lock completely. Return how often it was taken."""
        depth, self._depth = self._depth, min(self._depth, 1)
        self.release()
        return depth

    def take_back(self, depth: int) -> None:
        """Undo :meth:`give_up`."""
        self.acquire()
        self._depth = depth


class Condition(Held):
    """``threading.Condition``."""

    def __init__(self, tasks: Tasks, lock: Lock | None = None) -> None:
        super().__init__(tasks)
        self._lock = lock or Lock(tasks, owned=True)
        self.acquire, self.release = self._lock.acquire, self._lock.release

    def wait(self, timeout: float | None = None) -> bool:
        """Release the lock until notified, or for ``timeout`` seconds."""
        if not self._lock.locked():
            raise RuntimeError("cannot wait on un-acquired lock")
        depth = self._lock.give_up()
        woken = self._tasks.wait(deadline_ns(self._tasks, timeout), self._waiters)
        self._lock.take_back(depth)
        return woken

    def wait_for(self, predicate: Callable[[], Any], timeout: float | None = None) -> Any:
        """Wait until ``predicate()`` is true, or for ``timeout`` seconds. Return its last
        result.
        """
        until_ns = deadline_ns(self._tasks, timeout)
        while not (result := predicate()):
            left_s = None
            if until_ns is not None:
                tasks = self._tasks
                left_s = tasks.clock.between(tasks.queue.now_ns, until_ns) / NS_PER_S
                if left_s <= 0:
                    break
            self.wait(left_s)
        return result

    def notify(self, n: int = 1) -> None:
        """Wake ``n`` of the waiting tasks."""
        if not self._lock.locked():
            raise RuntimeError("cannot notify on un-acquired lock")
        self._tasks.wake(self._waiters, n)

    def notify_all(self) -> None:
        """Wake all waiting tasks."""
        self.notify(len(self._waiters))


class ThreadEvent:
    """``threading.Event``."""

    def __init__(self, tasks: Tasks) -> None:
        self._tasks = tasks
        self._flag = False
        self._waiters: list[Task] = []

    def is_set(self) -> bool:
        """Whether the flag is set. The call takes time, because scripts poll it."""
        self._tasks.spend()
        return self._flag

    def set(self) -> None:
        """Set the flag."""
        self._flag = True
        self._tasks.wake(self._waiters)

    def clear(self) -> None:
        """Clear the flag."""
        self._flag = False

    def wait(self, timeout: float | None = None) -> bool:
        """Wait for the flag for up to ``timeout`` seconds. Return whether it is set."""
        if self._flag:
            self._tasks.spend()
        else:
            self._tasks.wait(deadline_ns(self._tasks, timeout), self._waiters)
        return self._flag


class Semaphore(Held):
    """``threading.Semaphore``."""

    def __init__(self, tasks: Tasks, value: int = 1) -> None:
        if value < 0:
            raise ValueError("semaphore initial value must be >= 0")
        super().__init__(tasks)
        self._value = value

    def acquire(self, blocking: bool = True, timeout: float | None = None) -> bool:
        """Take one, waiting for up to ``timeout`` seconds."""
        if not self._wait_until(lambda: self._value, timeout, blocking=blocking):
            return False
        self._value -= 1
        return True

    def release(self, n: int = 1) -> None:
        """Give ``n`` back."""
        self._value += n
        self._tasks.wake(self._waiters, n)


class Thread:
    """``threading.Thread``."""

    _threading: Threading
    name: str
    daemon: bool

    def __init__(
        self,
        group: None = None,
        target: Callable[..., object] | None = None,
        name: str | None = None,
        args: Iterable[Any] = (),
        kwargs: Mapping[str, Any] | None = None,
        *,
        daemon: bool | None = None,
    ) -> None:
        del group
        self._target, self._args, self._kwargs = target, tuple(args), dict(kwargs or {})
        self._task: Task | None = None
        self._joiners: list[Task] = []
        self._over = False
        self._threading.count += 1
        self.name = name or f"Thread-{self._threading.count}"
        self.daemon = self._threading.current_thread().daemon if daemon is None else daemon

    def run(self) -> None:
        """What the thread does; subclasses override it."""
        if self._target is not None:
            self._target(*self._args, **self._kwargs)

    def start(self) -> None:
        """Start the thread.

        :raises RuntimeError: the second time.
        """
        if self._task is not None:
            raise RuntimeError("threads can only be started once")
        self._threading.threads.append(self)
        self._task = self._threading.tasks.begin(self._whole)

    def _whole(self) -> None:
        try:
            self.run()
        except SystemExit:
            pass
        except Exception as error:  # noqa: BLE001 - it ends only this thread
            self._threading.failed(self, error)
        finally:
            self._over = True
            self._threading.threads.remove(self)
            self._threading.tasks.wake(self._joiners)

    def join(self, timeout: float | None = None) -> None:
        """Wait for the thread's end for up to ``timeout`` seconds."""
        if self._task is None:
            raise RuntimeError("cannot join thread before it is started")
        if self._task is self._threading.tasks.current:
            raise RuntimeError("cannot join current thread")
        if not self._over:
            tasks = self._threading.tasks
            tasks.wait(deadline_ns(tasks, timeout), self._joiners)

    def is_alive(self) -> bool:
        """Whether it has started and not ended. The call takes time, because scripts poll it."""
        self._threading.tasks.spend()
        return self._task is not None and not self._over

    @property
    def ident(self) -> int | None:
        """Its number within the script."""
        return None if self._task is None else self._task.number


class Threading:
    """The threads of one run of a script, and the module that makes them."""

    def __init__(self, tasks: Tasks, complain: Callable[[str], object]) -> None:
        self.tasks = tasks
        self.count = 0
        self.threads: list[Thread] = []
        self._complain = complain
        self.thread_class = type("Thread", (Thread,), {"_threading": self, "__doc__": None})
        self.main = _MainThread()

    def current_thread(self) -> Thread:
        """The thread that runs now."""
        for thread in self.threads:
            if thread._task is self.tasks.current:
                return thread
        return self.main

    def failed(self, thread: Thread, error: Exception) -> None:
        """An error ended a thread. As in Python, the console shows it and the script goes on."""
        if self.tasks.ended:
            return  # its end caused the error
        place: TracebackType | None = error.__traceback__
        while place is not None and place.tb_next is not None:
            place = place.tb_next
        line = f" at line {place.tb_lineno}" if place is not None else ""
        self._complain(f"{thread.name} ended{line}: {type(error).__name__}: {error}")

    def wait_for_all(self) -> None:
        """Wait for every thread that keeps the script alive."""
        while rest := [thread for thread in self.threads if not thread.daemon]:
            rest[0].join()

    def module(self) -> ModuleType:
        """What ``import threading`` gives."""
        made = ModuleType("threading", "Threads of a script, on the bench's time.")
        tasks = self.tasks
        base: Any = self.thread_class

        class Timer(base):  # type: ignore[misc]
            """``threading.Timer``."""

            def __init__(
                self,
                interval: float,
                function: Callable[..., object],
                args: Iterable[Any] = (),
                kwargs: Mapping[str, Any] | None = None,
            ) -> None:
                super().__init__(target=function, args=args or (), kwargs=kwargs)
                self.interval = interval
                self.finished = ThreadEvent(tasks)

            def cancel(self) -> None:
                """Do not run the function."""
                self.finished.set()

            def run(self) -> None:
                """Wait, then run the function."""
                if not self.finished.wait(self.interval):
                    super().run()
                self.finished.set()

        made.__dict__.update(
            Thread=base,
            Timer=Timer,
            Lock=lambda: Lock(tasks),
            RLock=lambda: Lock(tasks, owned=True),
            Condition=lambda lock=None: Condition(tasks, lock),
            Event=lambda: ThreadEvent(tasks),
            Semaphore=lambda value=1: Semaphore(tasks, value),
            BoundedSemaphore=lambda value=1: Semaphore(tasks, value),
            current_thread=self.current_thread,
            main_thread=lambda: self.main,
            get_ident=lambda: tasks.current.number if tasks.current else 0,
            enumerate=lambda: [self.main, *self.threads],
            active_count=lambda: 1 + len(self.threads),
            local=lambda: _Local(self),
            TIMEOUT_MAX=threading.TIMEOUT_MAX,
        )
        return made


class _MainThread(Thread):
    """The script itself."""

    def __init__(self) -> None:
        self.name, self.daemon, self._over = "MainThread", False, False


class _Local:
    """``threading.local``: each thread has its own attributes."""

    def __init__(self, owner: Threading) -> None:
        object.__setattr__(self, "_own", (owner, {}))

    def _mine(self) -> dict[str, Any]:
        owner, values = object.__getattribute__(self, "_own")
        mine: dict[str, Any] = values.setdefault(owner.tasks.current, {})
        return mine

    def __getattr__(self, name: str) -> Any:
        try:
            return self._mine()[name]
        except KeyError:
            raise AttributeError(name) from None

    def __setattr__(self, name: str, value: Any) -> None:
        self._mine()[name] = value

    def __delattr__(self, name: str) -> None:
        try:
            del self._mine()[name]
        except KeyError:
            raise AttributeError(name) from None
