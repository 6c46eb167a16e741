"""The bus as a whole: bit rate, cable, segments, faults on it and those who watch it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager

from linkloss.bus.cable import Cable, Conductor, Line
from linkloss.bus.controller import Controller, ErrorState
from linkloss.bus.frame import INTERMISSION_BITS, FdFrame, Frame, SwitchingClock, length_bits
from linkloss.bus.noise import Noise
from linkloss.bus.record import BitRecord, BusRecord, Cause, Hit
from linkloss.bus.rewire import rewire
from linkloss.bus.segment import Segment
from linkloss.clock.queue import NS_PER_S, EventQueue

__all__ = ["Bus", "BusRecord", "Cause", "Disturbance", "Hit", "Miss", "Observer", "Transform"]

Transform = Callable[[Controller, Frame], Frame]
Disturbance = Callable[[Controller, Frame, int], Iterable[Hit]]
Miss = Callable[[Controller, Frame], bool]
Observer = Callable[[BusRecord], object]
BitObserver = Callable[[BitRecord], object]

_TABLE_BITS = 256
"""Longer than any frame with its error frame and suspended transmission."""


class Bus:
    """A CAN bus in virtual time.

    :param queue: where its events are scheduled.
    :param bit_rate: bits per second.
    :param line: lengths and terminators of the cable; default: a short one with two of them.
    :param data_bit_rate: bits per second of the faster part of CAN FD frames that switch; None is
        the same rate.
    :raises ValueError: if a bit rate is not a positive whole number, or the data bit rate is
        the lower one.

    ``observers`` are told about every frame and every failed attempt at its end; ``bit_observers``
    about every bit where the bus is followed bit by bit.

    Faults hook in through lists that cost nothing while empty. ``transforms`` are asked at each
    start of frame (sender, frame) for the frame as it stands on the bus; identifier and kind must
    stay. ``disturbances`` are asked at each start of frame (who will win, frame, length in bits)
    for the bits that some or all see inverted. ``noises`` strike bits at random. ``misses`` are
    asked at the end of each good frame (receiver, frame) whether this receiver misses it, without
    anybody noticing.
    """

    def __init__(
        self,
        queue: EventQueue,
        bit_rate: int,
        line: Line | None = None,
        *,
        data_bit_rate: int | None = None,
    ) -> None:
        self.queue = queue
        self.observers: list[Observer] = []
        self.transforms: list[Transform] = []
        self.bit_observers: list[BitObserver] = []
        self.disturbances: list[Disturbance] = []
        self.noises: list[Noise] = []
        self.misses: list[Miss] = []
        self.segments: list[Segment] = []
        self._cable = Cable(Line() if line is None else line)
        self._bit_rate = bit_rate
        self.ns: list[int] = []
        self.bit_rate = bit_rate
        if data_bit_rate is not None and (
            int(data_bit_rate) != data_bit_rate or data_bit_rate < bit_rate
        ):
            raise ValueError(
                f"a data bit rate is a whole number of bits per second and at least the bit rate of"
                f" {bit_rate}, not {data_bit_rate!r}"
            )
        self._data_bit_rate = data_bit_rate

    @property
    def bit_rate(self) -> int:
        """Bits per second. A new one holds from each segment's next start of frame on."""
        return self._bit_rate

    @bit_rate.setter
    def bit_rate(self, bit_rate: int) -> None:
        if int(bit_rate) != bit_rate or bit_rate <= 0:
            raise ValueError(f"a bit rate is a whole number of bits per second, not {bit_rate!r}")
        self._bit_rate = int(bit_rate)
        self.ns = [self.span_ns(bits) for bits in range(_TABLE_BITS)]

    def span_ns(self, bits: int) -> int:
        """How long a number of bits takes, rounded to the nearest ns."""
        return (2 * bits * NS_PER_S + self._bit_rate) // (2 * self._bit_rate)

    @property
    def data_bit_rate(self) -> int:
        """Bits per second of the faster part of CAN FD frames that switch."""
        return max(self._bit_rate, self._data_bit_rate or 0)

    def clock(self, frame: Frame) -> SwitchingClock:
        """When the bits of a CAN FD frame begin."""
        return SwitchingClock(frame, self._bit_rate, self.data_bit_rate)

    def frame_ns(self, frame: Frame) -> int:
        """How long a frame takes, SOF to end of frame, rounded to the nearest ns."""
        length = length_bits(frame)
        return self.clock(frame)[length] if frame.fd else self.ns[length]

    @property
    def controllers(self) -> list[Controller]:
        """All attached controllers in cable order."""
        return self._cable.controllers()

    def attach(self, controller: Controller, *, beside: str | None = None) -> None:
        """Connect a controller at the far end of the cable, or at the place of another one.

        It takes part from the next start of frame on.

        :raises ValueError: if it is attached somewhere, its name is taken, or ``beside`` unknown.
        """
        if controller.segment is not None:
            raise ValueError(f"controller {controller.name!r} is attached to a bus already")
        self._cable.add(controller, beside)
        self._rewire()
        controller.attached()

    def detach(self, controller: Controller) -> None:
        """Take a controller off the cable. A frame of its own on the bus breaks off.

        It keeps its mailboxes, FIFO and counters.

        :raises ValueError: if it is not on this bus.
        """
        segment = controller.segment
        if segment not in self.segments:
            raise ValueError(f"controller {controller.name!r} is not attached to this bus")
        assert segment is not None
        segment.leave(controller)
        controller.segment = None
        controller.fail_sending(count=False)
        self._cable.remove(controller)
        self._rewire()

    def cut(self, left: str, right: str, conductor: Conductor = "both") -> None:
        """Cut the trunk, or one conductor of it, between two neighbours. With both conductors cut,
        both sides live on as segments of their own.

        Cutting where it is cut already, or mending what is whole, changes nothing.

        What is in flight goes on bit by bit: each side sees only its own from now on.

        :raises ValueError: if the two are not neighbours on the cable.
        """
        self._cable.cut(left, right, conductor)
        self._rewire()

    def mend(self, left: str, right: str, conductor: Conductor = "both") -> None:
        """Join the trunk again. Frames in flight on either side collide.

        :raises ValueError: if the two are not neighbours on the cable.
        """
        self._cable.mend(left, right, conductor)
        self._rewire()

    def unplug(self, name: str, conductor: Conductor = "both") -> None:
        """Pull one controller's stub off, or open one conductor of it. With both it is a segment of
        its own.

        :raises ValueError: if it is not on the cable.
        """
        self._cable.unplug(name, conductor)
        self._rewire()

    def plug(self, name: str, conductor: Conductor = "both") -> None:
        """Put one controller's stub back.

        :raises ValueError: if it is not on the cable.
        """
        self._cable.plug(name, conductor)
        self._rewire()

    @contextmanager
    def rewiring(self, *names: str) -> Iterator[Cable]:
        """Change what else may be wrong with the cable; it holds from the end of the block on.

        :param names: controllers that it concerns.
        :raises ValueError: if one of them is not on the cable.
        """
        for name in names:
            self._cable.known(name)
        yield self._cable
        self._rewire()

    def as_sent(self, sender: Controller, frame: Frame) -> Frame:
        """What stands on the bus when a controller sends a frame: altered by ``transforms``, and
        in CAN FD marked as that of an error-passive node.

        :raises ValueError: if a transform changes the identifier or the kind of frame.
        """
        if isinstance(frame, FdFrame) and sender.state is ErrorState.PASSIVE:
            frame = frame.from_passive()
        altered = frame
        for transform in self.transforms:
            altered = transform(sender, altered)
        if altered.head.word != frame.head.word or altered.fd != frame.fd:
            raise ValueError(
                f"a fault may alter the content of {frame} on its way, "
                f"not its identifier or kind: {altered}"
            )
        return altered

    def hits_on(self, sender: Controller, frame: Frame) -> list[Hit]:
        """The bits of a frame, or of the intermission behind it, that ``disturbances`` strike.

        :raises ValueError: if one of them lies outside.
        """
        length = length_bits(frame)
        last = length + INTERMISSION_BITS - 1
        hits = [hit for disturb in self.disturbances for hit in disturb(sender, frame, length)]
        for hit in hits:
            if not 0 <= hit.bit <= last:
                raise ValueError(
                    f"{frame} and its intermission have bits 0 to {last}, no bit {hit.bit}"
                )
        return hits

    def hearing(self, frame: Frame, receivers: tuple[Controller, ...]) -> tuple[Controller, ...]:
        """Those of the receivers of a frame that ``misses`` let have it."""
        # every fault is asked about every receiver: none shifts another's random draws
        missed = {
            receiver.name for miss in self.misses for receiver in receivers if miss(receiver, frame)
        }
        return tuple(r for r in receivers if r.name not in missed)

    def _rewire(self) -> None:
        self.segments = rewire(self, self._cable.groups())
        for segment in self.segments:
            segment.rewired(self._cable.wiring(segment.members, self._bit_rate, self.data_bit_rate))
