"""The python-can face of a controller: what the code of a simulated node holds.

Node code written against ``can.BusABC`` runs on it unchanged as long as it polls. In virtual time
nothing arrives while the code waits, so a receive that would block is an error rather than a hang.
Periodic messages have an exact period in virtual time, and need no thread.

Plain python-can programs in the same process take part as guests. A program that opens
``can.Bus(interface="virtual", channel=...)`` knows nothing of the bench. python-can's virtual
interface keeps a list of receive queues for each channel and copies every message straight into
each of them. While a channel is open here, that list is one of ours:

- a queue appended to it makes its owner a guest, with a controller of its own on the bus;
- one run through it is one ``send``. First in line is a tap, which catches python-can's copy of the
  message; the guests' queues take nothing, they only note that they were offered it. The sender is
  the guest that was left out, or was offered it as its own. Its controller then gets the frame;
- what comes from the bus goes into the guests' queues with the bus's time.

So each frame reaches a guest once, through the bus, and no method of python-can is replaced.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from queue import Queue
from types import TracebackType
from typing import Any, Self, TypedDict

import can
from can.broadcastmanager import (
    CyclicSendTaskABC,
    LimitedDurationCyclicSendTaskABC,
    ModifiableCyclicTaskABC,
    RestartableCyclicTaskABC,
)
from can.interfaces.virtual import channels, channels_lock

from linkloss.bus.controller import Controller, ErrorState, NotClassical, Order, TransmitError
from linkloss.bus.frame import Frame
from linkloss.bus.medium import Bus
from linkloss.bus.message import frame_of, message_of
from linkloss.clock import NS_PER_S, Event, EventQueue, OwnClock


class PeriodicTask(
    LimitedDurationCyclicSendTaskABC, ModifiableCyclicTaskABC, RestartableCyclicTaskABC
):
    """Sends its messages in turn, one each period, the first at once.

    Message number i goes out at start + i * period, for as long as i * period < duration: the
    interval is half-open, so 1 s at 100 ms makes ten messages. ``modify_data`` changes the content
    and keeps the phase; ``start`` after ``stop`` begins a new phase and a new duration.

    A message that cannot be sent in its turn (mailboxes full, bus-off) is left out and counted in
    ``missed``; the next one comes at its time. Broadcast managers in operating systems behave that
    way, where python-can's thread would end for good.

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
        """Whether it no longer sends, unless started again."""
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
        """Stop sending. No effect on a task that is stopped."""
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
            self.stop()  # the bus wraps stop, to remove the task from its list
        if self._modifier is not None:
            self._modifier(message)
        try:
            self._bus.send(message)
        except can.CanOperationError:
            self.missed += 1


STATES = {
    ErrorState.ACTIVE: can.BusState.ACTIVE,
    ErrorState.PASSIVE: can.BusState.PASSIVE,
    ErrorState.BUS_OFF: can.BusState.ERROR,
}
"""python-can's names of the error states."""


class BlockingReceive(can.CanOperationError):
    """A receive would have waited, which in virtual time is for ever."""


class Port(can.BusABC):
    """A python-can bus over a controller.

    :param controller: the node's controller.
    :param queue: the clock, for periodic messages.
    :param channel: what received messages carry as their channel.
    :param can_filters: as in python-can; None leaves the controller's filters as they are.
    :param clock: the node's own, for periods and the time stamps of received messages; None: the
        bench's.

    ``on_attempt(message)``, None unless set, is called at the beginning of every ``send``, whether
    or not it succeeds; ``on_refused(message)`` follows where it does not.
    """

    def __init__(
        self,
        controller: Controller,
        queue: EventQueue,
        channel: str,
        can_filters: can.typechecking.CanFilters | None = None,
        *,
        clock: OwnClock | None = None,
    ) -> None:
        self.controller = controller
        self.queue = queue
        self.clock = clock or OwnClock(queue)
        self.channel = channel
        self.channel_info = f"{controller.name} on {channel}"
        self.on_attempt: Callable[[can.Message], object] | None = None
        self.on_refused: Callable[[can.Message], object] | None = None
        filters = controller.filters
        super().__init__(channel=channel, can_filters=can_filters)
        if can_filters is None:
            controller.filters = filters
        if controller.fd:
            self._can_protocol = can.CanProtocol.CAN_FD

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Put a message into a free mailbox. It never waits; ``timeout`` has no effect.

        :raises can.CanOperationError: if the mailboxes are full, the controller is bus-off or
            cannot send at all, or the port is shut down.
        :raises ValueError: if the message is no data or remote frame, or a CAN FD frame for a
            classical controller.
        """
        del timeout
        self._check_open()
        if self.on_attempt is not None:
            self.on_attempt(msg)
        try:
            self.controller.send(frame_of(msg))
        except NotClassical:
            raise
        except TransmitError as refusal:
            if self.on_refused is not None:
                self.on_refused(msg)
            raise can.CanOperationError(str(refusal)) from refusal

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """Take the oldest received message. ``recv(0)`` polls and returns None when there is none.

        :raises BlockingReceive: if there is none and any other timeout was given.
        :raises can.CanOperationError: if the port is shut down.
        """
        self._check_open()
        received = self.controller.receive()
        if received is not None:
            return message_of(received[1], self.clock.shows(received[0]), self.channel)
        if timeout is not None and timeout <= 0:
            return None
        raise self._blocking(f"recv({'' if timeout is None else timeout})")

    def fileno(self) -> int:
        """There is no file to wait on; a ``can.Notifier`` cannot serve a port.

        :raises BlockingReceive: always.
        """
        raise self._blocking("a can.Notifier or fileno()")

    def flush_tx_buffer(self) -> None:
        """Drop all messages that wait in the mailboxes."""
        self.controller.abort_pending()

    @property
    def state(self) -> can.BusState:
        """ACTIVE, PASSIVE or, for bus-off, ERROR."""
        return STATES[self.controller.state]

    @state.setter
    def state(self, new_state: can.BusState) -> None:
        raise NotImplementedError(
            f"the error state of {self.controller.name!r} follows from its error counters; "
            f"it cannot be set to {new_state.name}"
        )

    def _apply_filters(self, filters: can.typechecking.CanFilters | None) -> None:
        self.controller.filters = [
            (each["can_id"], each["can_mask"], each.get("extended")) for each in filters or ()
        ]

    def _send_periodic_internal(
        self,
        msgs: Sequence[can.Message] | can.Message,
        period: float,
        duration: float | None = None,
        autostart: bool = True,
        modifier_callback: Callable[[can.Message], None] | None = None,
    ) -> CyclicSendTaskABC:
        return PeriodicTask(
            self,
            self.queue,
            self.clock,
            msgs,
            period,
            duration,
            autostart=autostart,
            modifier_callback=modifier_callback,
        )

    def _check_open(self) -> None:
        if self._is_shutdown:
            raise can.CanOperationError(f"the port of node {self.controller.name!r} is shut down")

    def _blocking(self, what: str) -> BlockingReceive:
        return BlockingReceive(
            f"node {self.controller.name!r}: {what} would wait, and in virtual time nothing "
            f"arrives while it does. Poll with recv(0), or read when the controller's on_receive "
            f"is called"
        )


class GuestSettings(TypedDict):
    """The settings of each guest's controller."""

    mailboxes: int
    order: Order
    auto_recovery: bool
    fd: bool


class GuestQueue(Queue[can.Message]):
    """A guest's receive queue. python-can's own deliveries into it are noted, not kept."""

    guest: Guest

    def put(self, item: can.Message, block: bool = True, timeout: float | None = None) -> None:
        """python-can offers a copy of a message that some guest sends."""
        self.guest.channel.offers.append((self.guest, bool(item.is_rx)))

    def deliver(self, message: can.Message) -> None:
        """A message from the bus. A full queue loses its oldest one, as python-can documents."""
        if self.full():
            super().get(block=False)
        super().put(message, block=False)

    def get(self, block: bool = True, timeout: float | None = None) -> can.Message:
        """The oldest message.

        :raises queue.Empty: if there is none and the call does not wait.
        :raises BlockingReceive: if there is none and the call would wait.
        """
        if self.empty() and block and (timeout is None or timeout > 0):
            raise BlockingReceive(
                f"{self.guest.controller.name!r} on channel {self.guest.channel.name!r}: a recv "
                f"that waits never ends in virtual time. Poll with bus.recv(0) instead"
            )
        return super().get(block=False)


class Guest:
    """One plain program's place on the bus."""

    def __init__(self, channel: GuestChannel, controller: Controller, inbox: GuestQueue) -> None:
        self.channel = channel
        self.controller = controller
        self.inbox = inbox
        self._echo: list[Frame] = []
        self._leaving = False
        controller.on_receive = self._receive
        controller.on_sent = self._sent
        controller.on_state = lambda _: self._leave_when_done()

    def send(self, message: can.Message, *, echo: bool) -> None:
        """Hand a message to the controller; ``echo`` it to the guest once it is sent."""
        frame = frame_of(message)
        try:
            self.controller.send(frame)
        except NotClassical:
            raise
        except TransmitError as refusal:
            raise can.CanOperationError(str(refusal)) from refusal
        if echo:
            self._echo.append(frame)

    def leave(self) -> None:
        """Leave the bus as soon as everything sent is out."""
        self._leaving = True
        self._leave_when_done()

    def _leave_when_done(self) -> None:
        if self._leaving and not self.controller.pending():
            self.channel.forget(self)

    def _receive(self, controller: Controller) -> None:
        received = controller.receive()
        if received is not None and not self._leaving:
            instant_ns, frame = received
            self.inbox.deliver(message_of(frame, instant_ns, self.channel.name))

    def _sent(self, frame: Frame) -> None:
        for index, own in enumerate(self._echo):
            if own is frame:
                del self._echo[index]
                now_ns = self.channel.queue.now_ns
                self.inbox.deliver(message_of(frame, now_ns, self.channel.name, is_rx=False))
                break
        self._leave_when_done()


class _Tap:
    """Stands first in line and catches python-can's copy of the message being sent."""

    def __init__(self) -> None:
        self.message: can.Message | None = None

    def put(self, item: can.Message, **_how: Any) -> None:
        self.message = item


class GuestChannel(list[Any]):
    """What python-can takes for a channel's list of receive queues.

    It is never false, so that python-can does not drop it when the last guest has left.
    """

    def __init__(
        self, bus: Bus, queue: EventQueue, name: Any, settings: GuestSettings, named: str
    ) -> None:
        super().__init__()
        self.bus = bus
        self.queue = queue
        self.name = name
        self.offers: list[tuple[Guest, bool]] = []
        self.open = True
        self._settings = settings
        self._named = named
        self._count = 0
        self._attached: list[Guest] = []
        self._thread = threading.get_ident()

    def __bool__(self) -> bool:
        return True

    def append(self, inbox: Any) -> None:
        """A program has opened a bus on the channel."""
        self._check_open()
        controller = Controller(self._next_name(), **self._settings)
        inbox.__class__ = GuestQueue
        inbox.guest = Guest(self, controller, inbox)
        self.bus.attach(controller)
        self._attached.append(inbox.guest)
        super().append(inbox)

    def remove(self, inbox: Any) -> None:
        """A program has shut its bus down."""
        super().remove(inbox)
        inbox.guest.leave()

    def forget(self, guest: Guest) -> None:
        """A guest has nothing more to send and leaves the bus."""
        if guest in self._attached:
            self._attached.remove(guest)
            self.bus.detach(guest.controller)

    def __iter__(self) -> Iterator[Any]:
        """One send: see the docstring of this module."""
        self._check_open()
        if threading.get_ident() != self._thread:
            raise can.CanOperationError(
                f"a second thread sends on channel {self.name!r} of the bus, perhaps that of "
                f"bus.send_periodic; in virtual time there is one thread only"
            )
        self.offers = []
        tap = _Tap()
        yield tap
        guests = [inbox.guest for inbox in super().__iter__()]
        yield from [guest.inbox for guest in guests]
        offered = [guest for guest, is_rx in self.offers if is_rx]
        echoed = [guest for guest, is_rx in self.offers if not is_rx]
        for guest in guests:
            if guest not in offered and tap.message is not None:
                guest.send(tap.message, echo=guest in echoed)

    @property
    def guests(self) -> list[Guest]:
        """Guests whose bus is open, in the order they came."""
        return [inbox.guest for inbox in super().__iter__()]

    def close(self) -> None:
        """Take all guests off the bus and give the channel back to python-can. Idempotent.

        Guests whose bus is still open can read what they have, and shut down; sending is an error.
        """
        if not self.open:
            return
        self.open = False
        with channels_lock:
            if channels.get(self.name) is self:
                del channels[self.name]
        for guest in list(self._attached):
            self.forget(guest)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc_value: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def _check_open(self) -> None:
        if not self.open:
            raise can.CanOperationError(f"channel {self.name!r} of the bus is closed")

    def _next_name(self) -> str:
        taken = {controller.name for controller in self.bus.controllers}
        self._count += 1
        while f"guest {self._count}" in taken:
            self._count += 1
        return f"guest {self._count}"


def open_channel(
    bus: Bus,
    queue: EventQueue,
    channel: Any,
    *,
    mailboxes: int = 10,
    order: Order = "fifo",
    auto_recovery: bool = False,
    fd: bool = False,
    named: str = "guest",
) -> GuestChannel:
    """Let plain python-can programs take part on a bus through a virtual channel.

    While it is open, ``can.Bus(interface="virtual", channel=channel)`` gets a controller named
    "guest 1", "guest 2" and so on (``named``) at the end of the cable. It holds ``mailboxes``
    waiting frames in the given order; the default is what a desktop system's network queue does
    (from memory: ten, first in, first out). python-can has no call to ask for recovery from
    bus-off, so a guest comes back from it only with ``auto_recovery``. With ``fd`` it knows CAN FD
    frames too. Use it as a context manager, or call ``close``.

    A program that shuts its bus down with messages still waiting stays on the bus until they are
    sent, or until the channel is closed.

    :raises ValueError: if the channel is in use already, by the bench or by a plain bus.
    """
    with channels_lock:
        if channel in channels:
            raise ValueError(
                f"python-can's virtual channel {channel!r} is in use already; "
                f"open it for the bus before the programs open it"
            )
        settings = GuestSettings(
            mailboxes=mailboxes, order=order, auto_recovery=auto_recovery, fd=fd
        )
        guests = GuestChannel(bus, queue, channel, settings, named)
        channels[channel] = guests
    return guests
