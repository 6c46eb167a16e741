"""Periodic messages in virtual time: the period is exact, and no thread is needed."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import can
from can.broadcastmanager import (
    LimitedDurationCyclicSendTaskABC,
    ModifiableCyclicTaskABC,
    RestartableCyclicTaskABC,
)

from linkloss.clock import NS_PER_S, Event, EventQueue, OwnClock


class PeriodicTask(
    LimitedDurationCyclicSendTaskABC, ModifiableCyclicTaskABC, RestartableCyclicTaskABC
):
    """Sends its messages in turn, one each period, the first at once.

    Message number i goes out at start + i * period, for as long as i * period < duration: the
    interval is half-open, so 1 s at 100 ms are ten messages. ``modify_data`` changes the content
    and keeps the phase; ``start`` after ``stop`` begins a new phase and a new duration.

    A turn whose message cannot be sent (mailboxes full, bus-off) is left out and counted in
    ``missed``; the next one comes at its time. That is how broadcast managers in operating systems
    behave, where python-can's thread would end for good.

    :param bus: whose ``send`` is used.
    :param clock: whose time the period and the duration are taken from.
    :param period: seconds.
    :param duration: seconds, or None for no end.
    :param modifier_callback: called with each message before it is sent, to change its data.
    :raises ValueError: if the period is shorter than 1 ns or the messages do not belong together.
    """

    def __init__(
        self,
        bus: can.BusABC,
        queue: EventQueue,
        clock: OwnClock,
        messages: Sequence[can.Message] | can.Message,
        period: float,
        duration: float | None = None,
        *,
        autostart: bool = True,
        modifier_callback: Callable[[can.Message], None] | None = None,
    ) -> None:
        super().__init__(messages, period, duration)
        if self.period_ns <= 0:
            raise ValueError(f"a period is longer than 0 s, not {period!r}")
        self.missed = 0
        self._bus = bus
        self._queue = queue
        self._clock = clock
        self._modifier = modifier_callback
        self._duration_ns = round(duration * NS_PER_S) if duration else None
        self._start_ns = 0
        self._turn = 0
        self._event: Event | None = None
        if autostart:
            self.start()

    @property
    def stopped(self) -> bool:
        """Whether it sends no more, unless started again."""
        return self._event is None

    def start(self) -> None:
        """Send from now on. No effect on a task that is running."""
        if self._event is not None:
            return
        self._start_ns = self._clock.now_ns()
        self._turn = 0
        if self._duration_ns is not None:
            self.end_time = (self._start_ns + self._duration_ns) / NS_PER_S
        self._event = self._queue.at(self._queue.now_ns, self._send)

    def stop(self) -> None:
        """Send no more. No effect on a task that is stopped."""
        if self._event is not None:
            self._queue.cancel(self._event)
            self._event = None

    def _send(self) -> None:
        message = self.messages[self._turn % len(self.messages)]
        self._turn += 1
        after_ns = self._turn * self.period_ns
        if self._duration_ns is None or after_ns < self._duration_ns:
            at_ns = self._clock.instant(self._start_ns + after_ns)
            self._event = self._queue.at(at_ns, self._send)
        else:
            self._event = None
            self.stop()  # the bus wraps stop, to strike the task off its list
        if self._modifier is not None:
            self._modifier(message)
        try:
            self._bus.send(message)
        except can.CanOperationError:
            self.missed += 1
