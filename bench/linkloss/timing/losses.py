"""How long receivers wait before a message is stale, and how many losses in a row that allows.

Between two arrivals of a message lie, with k lost between them, at most

    (k + 1) periods + slowest way over the bus - quickest way over the bus

The quickest way is an idle bus, no jitter and a frame without a stuff bit. What a receiver allows
is the time from which on it may call the message stale (the judge's rule), and the step that its
alive counter may make.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from linkloss.bus.frame import INTERMISSION_BITS
from linkloss.model.expression import split_signal
from linkloss.model.loading import Vehicle
from linkloss.model.messages import MessageInfo
from linkloss.model.vehicle import MS
from linkloss.timing.stream import time_of


@dataclass(frozen=True, slots=True)
class Watch:
    """One receiver of a message that acts when it stays away.

    :param who: the load or request that depends on it.
    :param allowed_ns: age of the last good message from which on it may count as stale.
    :param most_lost: the most losses in a row that the alive counter bears; None without one.
    """

    who: str
    allowed_ns: int
    most_lost: int | None


@dataclass(frozen=True, slots=True)
class Patience:
    """What the most impatient receiver of a message leaves.

    ``slack_ns`` is left of its stale time when nothing is lost and the way is slowest; ``losses``
    is how many messages in a row may be lost, None when it may go stale without any loss.
    """

    who: str
    slack_ns: int
    losses: int | None


def watches(vehicle: Vehicle, info: MessageInfo) -> tuple[Watch, ...]:
    """All loads and requests of a vehicle that depend on a message being fresh."""
    return (*_of_loads(vehicle, info), *_of_requests(vehicle, info))


def _of_loads(vehicle: Vehicle, info: MessageInfo) -> Iterator[Watch]:
    for name, load in vehicle.loads.items():
        if info.name in load.watched and load.stale_after is not None:
            allowed_ns = load.stale_after - load.early_ns
            most = load.max_step or _steps(load.stale_after, info)
            yield Watch(name, allowed_ns, most - 1 if info.counter is not None else None)


def _of_requests(vehicle: Vehicle, info: MessageInfo) -> Iterator[Watch]:
    for name, request in vehicle.requests.items():
        if request.received is None:
            continue
        decides_by = {word for condition in request.conditions for word in condition.names}
        if not any("." in word and split_signal(word)[0] == info.name for word in decides_by):
            continue
        stale_ns = request.received.stale_after
        allowed_ns = stale_ns - max(2 * MS, stale_ns // 50)
        most = _steps(stale_ns, info)
        yield Watch(name, allowed_ns, most - 1 if info.counter is not None else None)


def _steps(stale_ns: int, info: MessageInfo) -> int:
    """The largest good step of the counter where none is declared: the periods until stale."""
    return max(1, stale_ns // (info.period_ns or stale_ns))


def shortest_bits(length: int, extended: bool) -> int:
    """A data frame without a stuff bit, start of frame to end of frame, in bits.

    Source: the field lengths of the Bosch CAN Specification 2.0, part B section 3.
    """
    return (64 if extended else 44) + 8 * length


def patience(
    watch: Watch, period_ns: int, worst_ns: int, shortest_frame_bits: int, bit_rate: int
) -> Patience:
    """What one receiver leaves.

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
