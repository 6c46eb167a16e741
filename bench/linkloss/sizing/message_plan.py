"""The planned messages of a vehicle: who sends them, how often, how late and how long they are.

Periods come from the cycle times in the DBC; ``[messages.NAME]`` in the vehicle file adds the
shortest gap, the jitter and the deadline.

Times are whole nanoseconds. Lengths are in bits, so that one plan can be analysed at any bit rate.
A number of bits is converted to a time by rounding up, where the simulated bus rounds to the
nearest nanosecond, so that no simulated frame is longer than the analysis takes it to be.

The plan also says how long receivers wait before a message is stale, and how many losses in a row
that allows.

With k messages lost between them, two arrivals of a message are at most this far apart:

    (k + 1) periods + longest time over the bus - shortest time over the bus

The shortest time is that of an idle bus, no jitter and a frame without a stuff bit. A receiver
limits the age at which it may call the message stale (the judge's rule) and the step that the
message's counter may make.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from linkloss.bus.frame import INTERMISSION_BITS, Frame, arbitration_word, longest_bits
from linkloss.units import show_duration
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo
from linkloss.vehicle.tables import MS, MessageTable

NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Stream:
    """All frames of one message, as the bus sees them.

    :param rank: place in arbitration: the lower wins; no two streams have the same.
    :param bits: longest frame, intermission included (the paper's C, in bits).
    :param period_ns: shortest time between two instants at which the message is due (T).
    :param jitter_ns: longest time from when the message is due until the controller has it (J).
    :raises ValueError: if the length or the period is not above zero, or the jitter is negative.
    """

    name: str
    rank: int
    bits: int
    period_ns: int
    jitter_ns: int = 0

    def __post_init__(self) -> None:
        if self.bits <= 0 or self.period_ns <= 0 or self.jitter_ns < 0:
            raise ValueError(
                f"{self.name}: bits and period are more than zero and jitter is not negative,"
                f" not {self.bits}, {self.period_ns} ns and {self.jitter_ns} ns"
            )


@dataclass(frozen=True, slots=True)
class Errors:
    """The errors that the bus must tolerate: ``burst`` at once, then one every ``interval_ns``.

    An error model is a function F(t), the largest number of errors in an interval of length t
    (Davis et al. 2007, section 3.5). Here F(t) = burst + floor(t / interval); without an interval
    it stays at the burst.

    :raises ValueError: if the burst is negative or the interval is not above zero.
    """

    burst: int = 0
    interval_ns: int | None = None

    def __post_init__(self) -> None:
        if self.burst < 0 or (self.interval_ns is not None and self.interval_ns <= 0):
            raise ValueError(f"a burst is not negative, an interval more than zero: {self}")

    def most(self, span_ns: int) -> int:
        """The largest number of errors in an interval of this length."""
        later = 0 if self.interval_ns is None else span_ns // self.interval_ns
        return self.burst + later

    def bear(self, instants_ns: Iterable[int]) -> int | None:
        """The first of these ascending instants that is one error too many; None if none is."""
        due_ns = None
        left = self.burst
        for at_ns in instants_ns:
            if self.interval_ns is None:
                left -= 1
                if left < 0:
                    return at_ns
                continue
            due_ns = at_ns if due_ns is None else max(due_ns, at_ns)
            if self.burst < 1 or due_ns - at_ns > (self.burst - 1) * self.interval_ns:
                return at_ns
            due_ns += self.interval_ns
        return None


NO_ERRORS = Errors()


def time_of(bits: int, bit_rate: int) -> int:
    """How long a number of bits takes at a bit rate (bit/s), in ns, rounded up."""
    return -(-bits * NS_PER_S // bit_rate)


def utilisation(streams: Iterable[Stream], bit_rate: int) -> Fraction:
    """The largest share of the bus's time that streams take (the paper's U), exactly."""
    return sum(
        (Fraction(time_of(s.bits, bit_rate), s.period_ns) for s in streams), start=Fraction(0)
    )


@dataclass(frozen=True, slots=True)
class Watch:
    """One receiver that acts when a message does not come.

    :param who: the load or request that depends on it.
    :param allowed_ns: age of the last good message, in ns, from which it may count as stale.
    :param most_lost: the most losses in a row that the counter allows; None without a counter.
    """

    who: str
    allowed_ns: int
    most_lost: int | None


@dataclass(frozen=True, slots=True)
class Patience:
    """How much delay and loss a receiver of a message tolerates.

    ``slack_ns`` is what is left before the message may count as stale, with nothing lost and the
    longest time over the bus; ``losses`` is how many messages in a row may be lost, None if the
    message may go stale without any loss.
    """

    who: str
    slack_ns: int
    losses: int | None


def watches(vehicle: Vehicle, info: MessageInfo) -> Iterator[Watch]:
    """All loads and requests of a vehicle for which a message must not go stale."""
    for name, load in vehicle.loads.items():
        if info.name in load.watched and load.stale_after is not None:
            yield _watch(name, info, load.stale_after, load.early_ns, load.max_step)
    for name, request in vehicle.requests.items():
        if request.received is None:
            continue
        decides_by = {word for condition in request.conditions for word in condition.names}
        if any("." in word and split_signal(word)[0] == info.name for word in decides_by):
            stale_ns = request.received.stale_after
            yield _watch(name, info, stale_ns, max(2 * MS, stale_ns // 50))


def _watch(
    name: str, info: MessageInfo, stale_ns: int, early_ns: int, max_step: int | None = None
) -> Watch:
    """If no largest step of the counter is declared, it is the number of periods until stale."""
    most = max_step or max(1, stale_ns // (info.period_ns or stale_ns))
    return Watch(name, stale_ns - early_ns, None if info.counter is None else most - 1)


def shortest_bits(length: int, extended: bool) -> int:
    """The length of a data frame without a stuff bit, from start of frame to end of frame, in bits.

    Source: the field lengths of the Bosch CAN Specification 2.0, part B section 3.
    """
    return (64 if extended else 44) + 8 * length


def patience(
    watch: Watch, period_ns: int, worst_ns: int, shortest_frame_bits: int, bit_rate: int
) -> Patience:
    """How much delay and loss one receiver tolerates.

    :param worst_ns: worst-case response time of the message, intermission included.
    """
    quickest_ns = shortest_frame_bits * 1_000_000_000 // bit_rate
    wander_ns = worst_ns - time_of(INTERMISSION_BITS, bit_rate) - quickest_ns
    slack_ns = watch.allowed_ns - wander_ns - period_ns
    if slack_ns < 0:
        return Patience(watch.who, slack_ns, None)
    losses = slack_ns // period_ns
    if watch.most_lost is not None:
        losses = min(losses, watch.most_lost)
    return Patience(watch.who, slack_ns, losses)


CLASSICAL_BYTES = 8


@dataclass(frozen=True, slots=True)
class Planned:
    """One message of the plan.

    ``period_ns`` is the longest time from one sending to the next, ``shortest_ns`` the shortest
    one; None where neither the DBC nor the vehicle file says so. ``senders`` are nodes of the
    vehicle. ``watches`` are the receivers that treat it as stale when it does not come. Lengths are
    in bytes.
    """

    name: str
    identifier: int
    extended: bool
    length: int
    senders: tuple[str, ...]
    period_ns: int | None
    shortest_ns: int | None
    jitter_ns: int
    deadline_ns: int | None
    watches: tuple[Watch, ...] = ()
    fd: bool = False
    no_bound: str = ""
    """Why nothing can be said of when it is handed over; empty where something can."""

    @property
    def classical(self) -> bool:
        """Whether its frames are classical; the analysis covers no others."""
        return not self.fd and self.length <= CLASSICAL_BYTES

    @property
    def rank(self) -> int:
        """Its place in arbitration: the lower wins."""
        return arbitration_word(Frame(self.identifier, extended=self.extended))

    @property
    def stream(self) -> Stream:
        """What the analysis needs to know of it.

        :raises ValueError: if it has no shortest period.
        """
        if self.shortest_ns is None:
            raise ValueError(f"{self.name} has no shortest period")
        bits = longest_bits(self.length, self.extended)
        return Stream(self.name, self.rank, bits, self.shortest_ns, self.jitter_ns)


@dataclass(frozen=True, slots=True)
class Sending:
    """A node's controller: how many mailboxes it has, and in which order it empties them."""

    mailboxes: int
    order: str


@dataclass(frozen=True, slots=True)
class Plan:
    """All messages on one bus in order of priority, the nodes that send them, and the errors to
    tolerate.

    ``unsent`` names messages of the DBC that no node of the vehicle sends. ``worst_wait_ns`` is the
    longest time over the bus that the vehicle file allows a request; the judge counts on it.
    """

    bit_rate: int
    messages: tuple[Planned, ...]
    nodes: dict[str, Sending]
    errors: Errors = NO_ERRORS
    unsent: tuple[str, ...] = ()
    worst_wait_ns: int | None = None


def plan_of(vehicle: Vehicle, name: str | None = None) -> Plan:
    """The message plan of a bus of a vehicle, by its name; None: of the only one. Raises BadInput
    where none is named and there are several.
    """
    bus = vehicle.only_bus("a plan of its messages") if name is None else vehicle.file.bus[name]
    all_infos = [i for i in vehicle.messages.values() if name is None or i.bus in ("", name)]
    planned = [_planned(vehicle, info) for info in all_infos if _senders(vehicle, info)]
    return Plan(
        bit_rate=bus.bit_rate,
        messages=tuple(sorted(planned, key=lambda message: message.rank)),
        nodes={
            node: Sending(table.mailboxes, table.mailbox_order)
            for node, table in vehicle.nodes.items()
            if name is None or node in bus.cable
        },
        errors=NO_ERRORS if bus.errors is None else Errors(bus.errors.burst, bus.errors.interval),
        unsent=tuple(i.name for i in all_infos if not _senders(vehicle, i)),
        worst_wait_ns=bus.worst_wait,
    )


def _senders(vehicle: Vehicle, info: MessageInfo) -> tuple[str, ...]:
    return tuple(name for name in info.senders if name in vehicle.nodes)


def _planned(vehicle: Vehicle, info: MessageInfo) -> Planned:
    table = vehicle.sendings.get(info.name) or MessageTable()
    period_ns = info.period_ns or None  # 0 means none in a DBC
    shortest_ns = table.min_gap or period_ns
    return Planned(
        name=info.name,
        identifier=info.identifier,
        extended=info.extended,
        length=info.length,
        senders=_senders(vehicle, info),
        period_ns=period_ns,
        shortest_ns=shortest_ns,
        jitter_ns=table.jitter,
        deadline_ns=table.deadline or period_ns or shortest_ns,
        watches=tuple(watches(vehicle, info)),
        fd=info.fd,
    )


def errors_words(errors: Errors) -> str:
    """The errors that a plan must tolerate, in words."""
    if not errors.burst and errors.interval_ns is None:
        return "no errors"
    burst = f"{errors.burst} error{'s' if errors.burst > 1 else ''} at once"
    if errors.interval_ns is None:
        return burst
    return f"{burst}, then one every {show_duration(errors.interval_ns)}"
