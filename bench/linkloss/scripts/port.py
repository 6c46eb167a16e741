"""The bus that a script gets from ``can.Bus``: a port whose ``recv`` really waits."""

from __future__ import annotations

from typing import Any

import can

from linkloss.bus import Port
from linkloss.scripts.tasks import Task, Tasks
from linkloss.scripts.threads import deadline_ns

_LOOK_AGAIN_NS = 100_000
"""How often a send that waits looks for a free mailbox: less than a frame takes."""


class ScriptPort(Port):
    """A port over the node's controller, for the tasks of one script."""

    def __init__(self, tasks: Tasks, inner: Port, can_filters: Any = None) -> None:
        self._tasks = tasks
        self._waiters: list[Task] = []
        self._inner = inner
        inner.controller.inbox.clear()  # a socket gets what comes once it is open
        inner.controller.restore_settings()
        super().__init__(
            inner.controller, tasks.queue, inner.channel, can_filters, clock=tasks.clock
        )

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Put a message into a free mailbox, waiting for one up to ``timeout`` seconds."""
        if self._tasks.current is not None:  # else it is a periodic message
            self._wait_for_mailbox(timeout)
        self.on_attempt, self.on_refused = self._inner.on_attempt, self._inner.on_refused
        super().send(msg)

    def _wait_for_mailbox(self, timeout: float | None) -> None:
        self._tasks.spend()
        controller = self.controller
        until_ns = deadline_ns(self._tasks, timeout or 0)
        while controller.ready and controller.pending() >= controller.mailboxes:
            now_ns = self._tasks.queue.now_ns
            if until_ns is None or now_ns >= until_ns:
                break
            self._tasks.wait(min(until_ns, now_ns + _LOOK_AGAIN_NS))

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """The oldest message; None when there was none for ``timeout`` seconds."""
        self._tasks.spend()
        until_ns = deadline_ns(self._tasks, timeout)
        while not self.controller.inbox and not self._is_shutdown:
            if until_ns is not None and self._tasks.queue.now_ns >= until_ns:
                return None
            self._tasks.wait(until_ns, self._waiters)
        return super().recv(0)

    def fileno(self) -> int:
        """There is no file to wait on: a ``can.Notifier`` takes a thread."""
        raise NotImplementedError("a bus on the bench has no file to wait on")

    def shutdown(self) -> None:
        """Close the bus; who waits for a message is told."""
        super().shutdown()
        self._tasks.wake(self._waiters)

    def received(self) -> None:
        """A frame is in the controller's FIFO."""
        if self._waiters:
            self._tasks.wake(self._waiters, 1)
