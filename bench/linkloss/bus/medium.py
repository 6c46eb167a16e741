"""The bus as a whole: bit rate, cable, segments, faults on it, and observers.

When the cable changes under live traffic, whatever is in flight continues bit by bit on the new
pieces: each controller keeps its state, and sees from now on only those that it is still connected
to. A change in the middle of a bit counts for that bit. Pieces that are joined take over the grid
of bits of one of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from linkloss.bus.bit_by_bit import BitByBit
from linkloss.bus.cable import Cable, Conductor, Line
from linkloss.bus.controller import (
    BitObserver,
    Controller,
    Disturbance,
    ErrorState,
    Miss,
    Observer,
    Transform,
)
from linkloss.bus.frame import INTERMISSION_BITS, FdFrame, Frame, SwitchingClock, length_bits
from linkloss.bus.record import BitError, Noise
from linkloss.bus.segment import Segment
from linkloss.clock.queue import NS_PER_S, EventQueue

Group = tuple[Controller, ...]


def rewire(bus: Bus, groups: list[Group]) -> list[Segment]:
    """The segments for the connected groups of controllers, made out of those before."""
    before = bus.segments
    settled = {segment.members: segment for segment in before}
    changed = [group for group in groups if group not in settled]
    sources = {group: _sources(group) for group in changed}
    for segment in before:
        if segment.frame is not None and any(segment in found for found in sources.values()):
            segment.follow()
    for group in changed:
        settled[group] = Segment(bus, group)
    for group in changed:
        _settle(settled[group], sources[group])
    after = [settled[group] for group in groups]
    for segment in before:
        if segment not in after:
            segment.close()
    return after


def _sources(group: Group) -> list[Segment]:
    """The segments that a group's members come from, each once, in cable order."""
    found = dict.fromkeys(map(_segment_of, group))
    return [segment for segment in found if segment is not None]


def _segment_of(member: Controller) -> Segment | None:
    """The segment of a controller, which knows it only as a :class:`Piece`."""
    return member.segment if isinstance(member.segment, Segment) else None


def _settle(segment: Segment, sources: list[Segment]) -> None:
    """Give the members their segment, and take over what they bring along."""
    before = {member: _segment_of(member) for member in segment.members}
    for member in segment.members:
        member.segment = segment
    for source in sources:
        _move(source, segment)
    segment.forget_hearers()
    live = [source.followed for source in sources if source.followed is not None]
    if live:
        _carry_on(segment, live, before)
    else:
        taken = [s.due[0] for s in sources if s.due is not None and not s.idle]
        segment.free_at(max(taken, default=segment.queue.now_ns))


def _carry_on(
    segment: Segment, live: list[BitByBit], before: dict[Controller, Segment | None]
) -> None:
    """The members continue bit by bit, in the grid of the first of their segments that sends."""
    sending = [found for found in live if any(s.sending for s in found.stations)]
    followed = BitByBit(segment, segment.queue.now_ns)
    followed.inherit((sending or live)[0])
    for member, source in before.items():
        if source is None:
            if member.online:
                followed.station(member).integrate()
        elif source.followed is not None:
            followed.adopt(source.followed, source.followed.station(member))
        elif source.due is not None and not source.idle and member.online:
            left = followed.bits_in(source.due[0] - segment.queue.now_ns)
            if left:
                followed.station(member).resume(left, sender=member in source.transmitters)
    followed.go_on()


def _move(source: Segment, segment: Segment) -> None:
    """Move recoveries under way, last senders and suspensions with their controllers."""
    for found in list(source.recoveries):
        if found.controller in segment.members:
            source.settle(found)
            found.since_ns = segment.queue.now_ns
            source.recoveries.remove(found)
            segment.recoveries.append(found)
    if source.due is not None and not source.idle:
        segment.transmitters += tuple(m for m in source.transmitters if m in segment.members)
    for member, until_ns in source.suspended.items():
        if member in segment.members:
            segment.suspended[member] = until_ns


_TABLE_BITS = 256
"""Longer than any frame with its error frame and suspended transmission."""


class Bus:
    """A CAN bus in virtual time.

    :param queue: where its events are scheduled.
    :param bit_rate: bits per second.
    :param line: lengths and terminators of the cable; default: a short one with two of them.
    :param data_bit_rate: bits per second of the faster part of CAN FD frames that switch; None is
        the same rate.
    :raises ValueError: if a bit rate is not a positive whole number, or the data bit rate is the
        lower one.

    ``observers`` are called with every frame and every failed attempt at its end; ``bit_observers``
    with every bit where the bus is followed bit by bit.

    Faults hook in through lists that cost nothing while empty. ``transforms`` are called at each
    start of frame (sender, frame) and return the frame as it appears on the bus; identifier and
    kind must stay. ``disturbances`` are called at each start of frame (who will win, frame, length
    in bits) and return the bits that some or all see inverted. ``noises`` hit bits at random.
    ``misses`` are called at the end of each good frame (receiver, frame) and tell whether this
    receiver misses it, without anyone noticing.
    """

    def __init__(
        self,
        queue: EventQueue,
        bit_rate: int,
        line: Line | None = None,
        *,
        data_bit_rate: int | None = None,
        name: str = "",
    ) -> None:
        self.queue = queue
        self.name = name
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
        """Bits per second. A new one applies from each segment's next start of frame."""
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

        :raises ValueError: if it is attached to a bus, its name is taken, or ``beside`` is unknown.
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
        both sides continue as segments of their own.

        Cutting a conductor again, or mending a whole one, changes nothing. What is in flight
        continues bit by bit: each side sees only its own from now on.

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
        """Pull one controller's stub off, or open one conductor of it. With both open the
        controller is a segment of its own.

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
        """Change anything else about the cable; it takes effect at the end of the block.

        :param names: controllers that it concerns.
        :raises ValueError: if one of them is not on the cable.
        """
        for name in names:
            self._cable.known(name)
        yield self._cable
        self._rewire()

    def as_sent(self, sender: Controller, frame: Frame) -> Frame:
        """A sender's frame as it appears on the bus: altered by ``transforms``, and in CAN FD
        marked if the sender is error-passive.

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

    def hits_on(self, sender: Controller, frame: Frame) -> list[BitError]:
        """The bits of a frame, or of the intermission after it, that ``disturbances`` hit.

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
        """The receivers of a frame that no ``misses`` fault keeps it from."""
        # every fault is asked about every receiver: none shifts another's random draws
        missed = {
            receiver.name for miss in self.misses for receiver in receivers if miss(receiver, frame)
        }
        return tuple(r for r in receivers if r.name not in missed)

    def alone(self, controller: Controller) -> bool:
        """Whether nobody on its piece of the cable could acknowledge what a controller sends."""
        others = (m for s in self.segments if controller in s.members for m in s.members)
        return not any(m.online and not m.listen_only for m in others if m is not controller)

    def _rewire(self) -> None:
        self.segments = rewire(self, self._cable.groups())
        for segment in self.segments:
            segment.rewired(self._cable.wiring(segment.members, self._bit_rate, self.data_bit_rate))
