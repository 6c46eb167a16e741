"""The buses behind the buses: one for each channel, from its first bus to its last.

A thread runs the bus at the pace of the wall clock. Whatever a bus does to the bus, it has that
thread do.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable

import can

from linkloss.bus.controller import Controller
from linkloss.bus.medium import Bus
from linkloss.clock.pace import Pacer
from linkloss.clock.queue import EventQueue
from linkloss.wallclock import epoch_ns

DEFAULT_BIT_RATE = 500_000
_PATIENCE_S = 10.0
"""Real time after which a thread that does not answer is taken for lost."""

_channels: dict[Hashable, LiveChannel] = {}
_registry = threading.Lock()


class LiveChannel:
    """A bus in real time."""

    def __init__(self, name: Hashable, bit_rate: int) -> None:
        self.name = name
        self.failure: BaseException | None = None
        self.users = 0
        self.queue = EventQueue()
        self.bus = Bus(self.queue, bit_rate)
        self._epoch_ns = epoch_ns()
        self._pacer = Pacer(self.queue)
        self._count = 0
        self._told: list[Callable[[], object]] = []
        self._thread = threading.Thread(target=self._run, name=f"bus {name}", daemon=True)
        self._thread.start()

    def enter(self, action: Callable[[], object]) -> None:
        """Have something done to the bus at the present instant; does not wait for it."""
        self._pacer.enter(lambda _: action())

    def do(self, action: Callable[[], object]) -> None:
        """Have something done to the bus, and wait until it is.

        :raises can.CanOperationError: if the bus is no more.
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
        """Raises CanOperationError if the thread of the bus has ended by a mistake."""
        if self.failure is not None:
            raise can.CanOperationError(f"channel {self.name!r}: {self.failure}")

    def when_lost(self, tell: Callable[[], object]) -> None:
        """Call ``tell()`` if the bus ends by a mistake, so that nobody waits for ever."""
        self._told.append(tell)

    def forget(self, tell: Callable[[], object]) -> None:
        """Undo :meth:`when_lost`."""
        self._told.remove(tell)

    def stamp(self, instant_ns: int) -> float:
        """An instant of the bus as seconds since the epoch."""
        return (self._epoch_ns + self._pacer.given_up_ns + instant_ns) / 1e9

    def next_name(self) -> str:
        """A name for one more controller."""
        self._count += 1
        return f"bus {self._count}"

    def detach(self, controller: Controller) -> None:
        """In the thread of the bus: a controller goes off it, if it is still there."""
        if controller.segment is not None:
            self.bus.detach(controller)

    def close(self) -> None:
        """The thread ends, and the bus with it."""
        self._pacer.end()
        self._thread.join(_PATIENCE_S)

    def _run(self) -> None:
        try:
            self._pacer.run()
        except BaseException as error:  # noqa: BLE001 - told to everybody who uses the bus
            self.failure = error
            for tell in list(self._told):
                tell()


def join(name: Hashable, bit_rate: int | None) -> LiveChannel:
    """The bus of a channel; the first who joins begins it.

    :param bit_rate: bits per second; None takes the channel's own, or 500 kbit/s.
    :raises can.CanInitializationError: for a bit rate that is not the channel's, or is none.
    """
    with _registry:
        channel = _channels.get(name)
        if channel is None:
            try:
                channel = LiveChannel(name, DEFAULT_BIT_RATE if bit_rate is None else bit_rate)
            except ValueError as error:
                raise can.CanInitializationError(f"channel {name!r}: {error}") from error
            _channels[name] = channel
        elif bit_rate not in (None, channel.bus.bit_rate):
            raise can.CanInitializationError(
                f"channel {name!r} runs at {channel.bus.bit_rate} bit/s and this bus was to be"
                f" opened with {bit_rate}; expected one bit rate for all buses of a channel"
            )
        channel.users += 1
        return channel


def leave(channel: LiveChannel) -> None:
    """One bus less; the last one takes the bus along."""
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
