"""The interface ``linkloss`` of python-can: buses that share one CAN bus in real time.

    can.Bus(interface="linkloss", channel="car", bitrate=250_000)
    can.Bus(interface="linkloss", channel="car", bitrate=500_000, fd=True, data_bitrate=2_000_000)

All python-can buses of a channel in one process hear each other over one CAN bus. What python-can
documents of a bus holds, and the bus does what a list of queues does not. The lowest identifier
goes first, a frame takes the time of its bits, a frame without acknowledgement is sent again and
again, and two programs that send one identifier with different content drive each other bus-off.

The CAN bus of a channel exists from its first python-can bus to its last. A thread runs it at the
pace of the wall clock; whatever a python-can bus does to it is done in that thread.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Hashable
from typing import Any

import can

from linkloss.bus.controller import Controller, ErrorState, TransmitError
from linkloss.bus.frame import Frame
from linkloss.bus.medium import Bus
from linkloss.bus.message import classical_frame_of, frame_of, message_of
from linkloss.bus.port import STATES
from linkloss.clock.pace import Pacer
from linkloss.clock.queue import EventQueue
from linkloss.clock.wallclock import epoch_ns, monotonic_seconds

DEFAULT_BIT_RATE, DEFAULT_DATA_BIT_RATE = 500_000, 2_000_000
_PATIENCE_S = 10.0
"""Real time after which a thread that does not answer is taken for lost."""

_channels: dict[Hashable, LiveChannel] = {}
_registry = threading.Lock()


class LiveChannel:
    """A CAN bus in real time."""

    def __init__(self, name: Hashable, bit_rate: int, data_bit_rate: int) -> None:
        self.name = name
        self.failure: BaseException | None = None
        self.users = 0
        self.queue = EventQueue()
        self.bus = Bus(self.queue, bit_rate, data_bit_rate=data_bit_rate)
        self.data_bit_rate = data_bit_rate
        self._epoch_ns = epoch_ns()
        self._pacer = Pacer(self.queue)
        self._count = 0
        self._told: list[Callable[[], object]] = []
        self._thread = threading.Thread(target=self._run, name=f"bus {name}", daemon=True)
        self._thread.start()

    def enter(self, action: Callable[[], object]) -> None:
        """Have something done to the bus at the present instant, without waiting for it."""
        self._pacer.enter(lambda _: action())

    def do(self, action: Callable[[], object]) -> None:
        """Have something done to the bus, and wait until it is.

        :raises can.CanOperationError: if the bus no longer exists.
        """
        done = threading.Event()

        def act() -> None:
            try:
                action()
            finally:
                done.set()

        self.enter(act)
        self._told.append(done.set)
        try:
            if self.failure is None and not done.wait(_PATIENCE_S):
                self.failure = TimeoutError("its thread does not answer")
        finally:
            self._told.remove(done.set)
        self.check()

    def check(self) -> None:
        """Raises CanOperationError if an error has ended the thread of the bus."""
        if self.failure is not None:
            raise can.CanOperationError(f"channel {self.name!r}: {self.failure}")

    def when_lost(self, tell: Callable[[], object]) -> None:
        """Call ``tell()`` if an error ends the bus, so that nothing waits for ever."""
        self._told.append(tell)

    def forget(self, tell: Callable[[], object]) -> None:
        """Undo :meth:`when_lost`."""
        self._told.remove(tell)

    def stamp(self, instant_ns: int) -> float:
        """An instant of the bus as seconds since the epoch."""
        return (self._epoch_ns + self._pacer.given_up_ns + instant_ns) / 1e9

    def next_name(self) -> str:
        """A name for another controller."""
        self._count += 1
        return f"bus {self._count}"

    def detach(self, controller: Controller) -> None:
        """In the thread of the bus: remove a controller, if it is still attached."""
        if controller.segment is not None:
            self.bus.detach(controller)

    def close(self) -> None:
        """End the thread, and the bus with it."""
        self._pacer.end()
        self._thread.join(_PATIENCE_S)

    def _run(self) -> None:
        try:
            self._pacer.run()
        except BaseException as error:  # noqa: BLE001 - told to everybody who uses the bus
            self.failure = error
            for tell in list(self._told):
                tell()


def join(name: Hashable, bit_rate: int | None, data_bit_rate: int | None = None) -> LiveChannel:
    """The bus of a channel; the first to join starts it.

    :param bit_rate: bits per second; None takes the channel's own, or 500 kbit/s.
    :param data_bit_rate: the same of the fast part of CAN FD frames, or 2 Mbit/s.
    :raises can.CanInitializationError: for a bit rate that is invalid or not the channel's.
    """
    with _registry:
        channel = _channels.get(name)
        if channel is None:
            try:
                rate = DEFAULT_BIT_RATE if bit_rate is None else bit_rate
                fast = max(rate, DEFAULT_DATA_BIT_RATE) if data_bit_rate is None else data_bit_rate
                channel = LiveChannel(name, rate, fast)
            except ValueError as error:
                raise can.CanInitializationError(f"channel {name!r}: {error}") from error
            _channels[name] = channel
        elif bit_rate not in (None, channel.bus.bit_rate):
            raise can.CanInitializationError(
                f"channel {name!r} runs at {channel.bus.bit_rate} bit/s and this bus was to be"
                f" opened with {bit_rate}; expected one bit rate for all buses of a channel"
            )
        elif data_bit_rate not in (None, channel.data_bit_rate):
            raise can.CanInitializationError(
                f"channel {name!r} sends CAN FD data at {channel.data_bit_rate} bit/s and this bus"
                f" was to be opened with {data_bit_rate}; expected one rate for all of a channel"
            )
        channel.users += 1
        return channel


def leave(channel: LiveChannel) -> None:
    """One bus less; the last one closes the channel."""
    with _registry:
        channel.users -= 1
        if channel.users:
            return
        if _channels.get(channel.name) is channel:
            del _channels[channel.name]
    channel.close()


def names() -> list[Hashable]:
    """The channels that are open in this process."""
    with _registry:
        return list(_channels)


class LinklossBus(can.BusABC):
    """A python-can bus with a controller of its own on the CAN bus of a channel.

    :param channel: any hashable value; buses of one channel in a process share a CAN bus.
    :param bitrate: bits per second; the first bus of a channel decides, 500,000 by default.
        ``timing`` may give it instead.
    :param fd: whether it knows CAN FD frames. A bus that does not takes them for damaged, and
        destroys them for all, as a classical controller on a CAN FD bus does.
    :param data_bitrate: bits per second of the fast part of CAN FD frames; the first bus of a
        channel decides, 2,000,000 by default.
    :param receive_own_messages: own messages come back once they were sent, which needs another
        node to acknowledge them.
    :param rx_queue_size: how many received messages are kept, the oldest are lost; 0: all.
    :param tx_queue_size: how many messages wait to be sent, first in, first out.
    :param listen_only: never send, never acknowledge.
    :param auto_recovery: come back from bus-off without :meth:`recover`.
    :raises can.CanInitializationError: if a bit rate is not the channel's, and for the data bit
        rate of a bus without ``fd``.

    ``lost`` counts the messages that were taken and never sent: dropped at bus-off.
    """

    def __init__(
        self,
        channel: Any = "linkloss",
        bitrate: int | None = None,
        *,
        timing: can.BitTiming | can.BitTimingFd | None = None,
        fd: bool = False,
        data_bitrate: int | None = None,
        receive_own_messages: bool = False,
        rx_queue_size: int = 0,
        tx_queue_size: int = 10,
        listen_only: bool = False,
        auto_recovery: bool = False,
        can_filters: can.typechecking.CanFilters | None = None,
        **more: Any,
    ) -> None:
        if isinstance(timing, can.BitTimingFd):
            fd, bitrate, data_bitrate = True, timing.nom_bitrate, timing.data_bitrate
        elif timing is not None:
            bitrate = timing.bitrate
        if data_bitrate is not None and not fd:
            text = "'data_bitrate' is of CAN FD frames; expected 'fd=True' beside it"
            raise can.CanInitializationError(text)
        self._frame_of = frame_of if fd else classical_frame_of
        self.channel = channel
        self.receive_own_messages = receive_own_messages
        self._change = threading.Condition()
        self._inbox: deque[can.Message] = deque(maxlen=rx_queue_size or None)
        self._entered = 0
        self._dropped = 0
        self._leaving = False
        self._live = live = join(channel, bitrate, data_bitrate)
        try:
            self._controller = controller = Controller(
                live.next_name(),
                mailboxes=tx_queue_size,
                order="fifo",
                auto_recovery=auto_recovery,
                listen_only=listen_only,
                fd=fd,
            )
        except ValueError as error:
            leave(live)
            raise can.CanInitializationError(f"tx_queue_size: {error}") from error
        controller.on_receive = self._received
        controller.on_sent = self._sent
        controller.on_state = self._state_changed
        live.when_lost(self._wake)
        live.do(lambda: live.bus.attach(controller))
        self.channel_info = f"{controller.name} on the bus of channel {channel}"
        self._can_protocol = can.CanProtocol.CAN_FD if fd else can.CanProtocol.CAN_20
        super().__init__(channel, can_filters=can_filters, **more)

    # ---- for the program

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Queue a message for the bus. While the queue is full, waits for ever (None), for a number
        of seconds (above 0), or not at all.

        :raises can.CanOperationError: if the bus is bus-off, only listens or is shut down, or the
            queue stays full.
        :raises ValueError: if the message is no data or remote frame, or a CAN FD frame on a bus
            without ``fd``.
        """
        frame = self._frame_of(msg)
        with self._change:
            self._await(lambda: self._has_room() or self._is_off(), timeout)
            self._check_can_send(frame)
            if not self._has_room():
                raise can.CanOperationError(
                    f"{self.channel_info}: {self._controller.mailboxes} messages wait to be sent"
                    f" already, and {frame} finds no room"
                )
            self._entered += 1
            self._live.enter(lambda: self._put(frame))

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        with self._change:
            self._check_open()
            self._await(lambda: bool(self._inbox), timeout)
            self._check_open()
            return (self._inbox.popleft() if self._inbox else None), False

    def flush_tx_buffer(self) -> None:
        """Drop all messages that wait to be sent."""
        self._check_open()
        self._live.do(self._controller.abort_pending)
        self._wake()

    @property
    def state(self) -> can.BusState:
        """ACTIVE, PASSIVE or, for bus-off, ERROR, by the error counters of the controller."""
        return STATES[self._controller.state]

    @state.setter
    def state(self, new_state: can.BusState) -> None:
        raise NotImplementedError(
            f"the error state follows from the error counters and cannot be set to"
            f" {new_state.name}; recover() asks for the way back from bus-off"
        )

    @property
    def error_counters(self) -> tuple[int, int]:
        """The transmit and the receive error counter."""
        return self._controller.tec, self._controller.rec

    @property
    def lost(self) -> int:
        """How many messages were taken and then dropped."""
        return self._controller.lost + self._dropped

    def recover(self) -> None:
        """Ask to come back from bus-off, after 128 times 11 recessive bits."""
        self._check_open()
        self._live.do(self._controller.request_recovery)

    def shutdown(self) -> None:
        """Leave the bus as soon as everything sent is out. Idempotent."""
        if self._is_shutdown:
            return
        super().shutdown()
        self._wake()
        try:
            self._live.do(self._leave)
        except can.CanOperationError:  # the bus is gone already
            pass
        finally:
            self._live.forget(self._wake)
            leave(self._live)

    @staticmethod
    def _detect_available_configs() -> list[can.typechecking.AutoDetectedConfig]:
        return [
            {"interface": "linkloss", "channel": name}  # type: ignore[typeddict-item] # any name
            for name in names()
        ]

    # ---- inside, in the program's threads

    def _await(self, ready: Callable[[], bool], timeout: float | None) -> None:
        """Wait, with the lock held, until ``ready()``, the timeout, a shutdown or the end of the
        bus.
        """
        until_s = None if timeout is None else monotonic_seconds() + timeout
        while not (ready() or self._is_shutdown or self._live.failure is not None):
            left_s = None if until_s is None else until_s - monotonic_seconds()
            if left_s is not None and left_s <= 0:
                return
            self._change.wait(left_s)

    def _has_room(self) -> bool:
        return self._entered + self._controller.pending() < self._controller.mailboxes

    def _is_off(self) -> bool:
        return self._controller.state is ErrorState.BUS_OFF

    def _check_open(self) -> None:
        if self._is_shutdown:
            raise can.CanOperationError(f"{self.channel_info} is shut down")
        self._live.check()

    def _check_can_send(self, frame: Frame) -> None:
        self._check_open()
        if self._controller.listen_only:
            raise can.CanOperationError(f"{self.channel_info} only listens and cannot send {frame}")
        if self._is_off():
            raise can.CanOperationError(
                f"{self.channel_info} is bus-off and cannot send {frame}; recover() asks for the"
                f" way back"
            )

    def _wake(self) -> None:
        with self._change:
            self._change.notify_all()

    # ---- inside, in the thread of the bus

    def _put(self, frame: Frame) -> None:
        with self._change:
            try:
                self._controller.send(frame)
            except TransmitError:  # bus-off since it was taken
                self._dropped += 1
            self._entered -= 1

    def _received(self, controller: Controller) -> None:
        received = controller.receive()
        if received is not None and not self._leaving:
            self._deliver(received[1], received[0], is_rx=True)

    def _sent(self, frame: Frame) -> None:
        if self.receive_own_messages:
            self._deliver(frame, self._live.queue.now_ns, is_rx=False)
        else:
            self._wake()
        self._leave_when_done()

    def _state_changed(self, _controller: Controller) -> None:
        self._wake()
        self._leave_when_done()

    def _deliver(self, frame: Frame, instant_ns: int, *, is_rx: bool) -> None:
        message = message_of(frame, instant_ns, self.channel, is_rx=is_rx)
        message.timestamp = self._live.stamp(instant_ns)
        with self._change:
            self._inbox.append(message)
            self._change.notify_all()

    def _leave(self) -> None:
        self._leaving = True
        self._leave_when_done()

    def _leave_when_done(self) -> None:
        if self._leaving and not self._controller.pending():
            self._live.detach(self._controller)
