"""The python-can face of a controller: what the code of a simulated node holds.

Node code written against ``can.BusABC`` runs on it unchanged as long as it polls: in virtual time
nothing arrives while the code waits, so a receive that would block is an error and not a hang.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import can
from can.broadcastmanager import CyclicSendTaskABC

from linkloss.bus.controller import Controller, ErrorState
from linkloss.bus.cyclic import PeriodicTask
from linkloss.bus.messages import frame_of, message_of
from linkloss.bus.refusal import NotClassical, TransmitError
from linkloss.clock import EventQueue, OwnClock

STATES = {
    ErrorState.ACTIVE: can.BusState.ACTIVE,
    ErrorState.PASSIVE: can.BusState.PASSIVE,
    ErrorState.BUS_OFF: can.BusState.ERROR,
}
"""What python-can calls the error states."""


class BlockingReceive(can.CanOperationError):
    """A receive would have waited, which in virtual time is for ever."""


class Port(can.BusABC):
    """A python-can bus over a controller.

    :param controller: the node's controller.
    :param queue: the clock, for periodic messages.
    :param channel: what received messages carry as their channel.
    :param can_filters: as in python-can; None leaves the controller's filters as they are.
    :param clock: the node's own, for periods and the time stamps of what is received; None: the
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
        :raises ValueError: if the message is no data or remote frame, or one of CAN FD and the
            controller is classical.
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
