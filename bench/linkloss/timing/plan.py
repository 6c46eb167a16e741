"""The messages of a vehicle as they are planned: who sends them, how often, how late, how long.

Periods come from the cycle times in the DBC; ``[messages.NAME]`` in the vehicle file adds the
shortest gap, the jitter and the deadline.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from linkloss.bus.frame import Frame, arbitration_word, longest_bits
from linkloss.model.loading import Vehicle
from linkloss.model.messages import MessageInfo
from linkloss.model.units import show_duration
from linkloss.model.vehicle import MessageTable
from linkloss.timing.losses import Watch, watches
from linkloss.timing.stream import NO_ERRORS, Errors, Stream

CLASSICAL_BYTES = 8


@dataclass(frozen=True, slots=True)
class Planned:
    """One message of the plan.

    ``period_ns`` is the longest time from one sending to the next, ``shortest_ns`` the shortest
    one; None where neither the DBC nor the vehicle file says so. ``senders`` are nodes of the
    vehicle. ``watches`` are the receivers that take it as stale when it stays away.
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

    @property
    def classical(self) -> bool:
        """Whether its frames are classical ones, which alone the analysis covers."""
        return not self.fd and self.length <= CLASSICAL_BYTES

    @property
    def rank(self) -> int:
        """Its place in arbitration: the lower the earlier."""
        return arbitration_word(Frame(self.identifier, extended=self.extended))

    @property
    def stream(self) -> Stream:
        """What the analysis needs of it. Raises ValueError without a shortest period."""
        if self.shortest_ns is None:
            raise ValueError(f"{self.name} has no shortest period")
        bits = longest_bits(self.length, self.extended)
        return Stream(self.name, self.rank, bits, self.shortest_ns, self.jitter_ns)


@dataclass(frozen=True, slots=True)
class Sending:
    """What a node's controller offers for sending."""

    mailboxes: int
    order: str


@dataclass(frozen=True, slots=True)
class Plan:
    """All messages on one bus in order of priority, who sends them, and the errors to bear.

    ``unsent`` names messages of the DBC that no node of the vehicle sends. ``worst_wait_ns`` is
    what the vehicle file allows a request to take over the bus; the judge reckons with it.
    """

    bit_rate: int
    messages: tuple[Planned, ...]
    nodes: dict[str, Sending]
    errors: Errors = NO_ERRORS
    unsent: tuple[str, ...] = ()
    worst_wait_ns: int | None = None


def plan_of(vehicle: Vehicle) -> Plan:
    """The message plan of a vehicle."""
    infos = [info for info in vehicle.messages.values() if _senders(vehicle, info)]
    planned = [_planned(vehicle, info) for info in infos]
    table = vehicle.bus.errors
    return Plan(
        bit_rate=vehicle.bus.bit_rate,
        messages=tuple(sorted(planned, key=lambda message: message.rank)),
        nodes={
            name: Sending(node.mailboxes, node.mailbox_order)
            for name, node in vehicle.nodes.items()
        },
        errors=NO_ERRORS if table is None else Errors(table.burst, table.interval),
        unsent=tuple(i.name for i in vehicle.messages.values() if not _senders(vehicle, i)),
        worst_wait_ns=vehicle.bus.worst_wait,
    )


def _senders(vehicle: Vehicle, info: MessageInfo) -> tuple[str, ...]:
    return tuple(name for name in info.senders if name in vehicle.nodes)


def _planned(vehicle: Vehicle, info: MessageInfo) -> Planned:
    table = vehicle.sendings.get(info.name) or MessageTable()
    period_ns = info.period_ns or None  # 0 stands for none in a DBC
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
        watches=watches(vehicle, info),
        fd=info.fd,
    )


def errors_words(errors: Errors) -> str:
    """The errors that a plan must bear, for people."""
    if not errors.burst and errors.interval_ns is None:
        return "no errors"
    burst = f"{errors.burst} error{'s' if errors.burst > 1 else ''} at one time"
    if errors.interval_ns is None:
        return burst
    return f"{burst}, then one every {show_duration(errors.interval_ns)}"


def shared_format(messages: Sequence[Planned]) -> bool:
    """Whether all have identifiers of one format, so that these can change hands."""
    return len({message.extended for message in messages}) <= 1
