"""A second look at a run: what became of every frame at each node, and one thing set right.

A recording says which frames were valid at a node's controller. A run that is watched also says
what the node's own filters refused and what its program took. And it can be run with one
:class:`Repair`: if a broken rule is kept then, what was set right is why it broke.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, NamedTuple

from linkloss.bus import Controller, Frame
from linkloss.bus.controller import Filter
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo


class Repair(Enum):
    """What can be set right at one node. The text continues *the rule is kept when ...*."""

    BROUGHT_BACK = "its controller is brought back from bus-off"
    UNFILTERED = "its filters let the message pass"
    ROOMY = "its receive queue loses nothing"
    NO_STRANGERS = "it gets no frame that is not meant for it"
    NO_WRONG_LENGTH = "it gets no message of a wrong length"
    NO_WRONG_CHECKSUM = "it gets no message with a wrong checksum"
    NO_REPEATS = "it gets no message whose counter did not move"
    NO_JUMPS = "it gets no message whose counter jumped too far"


GUARDS = (
    Repair.NO_STRANGERS,
    Repair.NO_WRONG_LENGTH,
    Repair.NO_WRONG_CHECKSUM,
    Repair.NO_REPEATS,
    Repair.NO_JUMPS,
)
"""The repairs that keep from a program what it has to refuse."""


class Setting(NamedTuple):
    """What is set right at a node; ``frame`` is the identifier of the only frames that it concerns,
    and whether it is extended; None: it concerns all.
    """

    repair: Repair
    frame: tuple[int, bool] | None = None

    def concerns(self, repair: Repair | None, frame: Frame) -> bool:
        """Whether it sets right what a repair would, for a frame."""
        which = (frame.identifier, frame.extended)
        return self.repair is repair and self.frame in (None, which)


class Came(NamedTuple):
    """A frame that was valid at a controller at ``at_ns`` and found its way into the receive queue,
    unless the node's own filters refused it. ``flaw`` is the guard that would keep it away; None
    for a good one.
    """

    at_ns: int
    frame: Frame
    filtered: bool
    flaw: Repair | None
    bus: str
    """As the vehicle file names it."""


class Taken(NamedTuple):
    """A frame that was valid at ``came_ns`` and that the program took from the queue."""

    at_ns: int
    came_ns: int
    frame: Frame


@dataclass(slots=True)
class Watching:
    """What is seen at every node's controller, by node. ``repairs``: what is set right, by node."""

    repairs: Mapping[str, Setting] = field(default_factory=dict)
    controllers: dict[str, Controller] = field(default_factory=dict)
    came: dict[str, list[Came]] = field(default_factory=dict)
    taken: dict[str, list[Taken]] = field(default_factory=dict)
    lost: dict[str, list[Taken]] = field(default_factory=dict)
    """What a chip inside a program lost for want of room."""

    def controller(
        self, vehicle: Vehicle, name: str, bus: str, settings: Mapping[str, Any]
    ) -> Controller:
        """A node's controller on a bus, watched and set right. ``settings``: as for any."""
        self.controllers[name] = made = _Watched(vehicle, name, bus, self, settings)
        return made


class _Asked(list[Filter]):
    """Filters that are always asked, even if there are none."""

    def __bool__(self) -> bool:
        return True


class _Watched(Controller):
    __slots__ = ("_bus", "_came", "_filters", "_in_chip", "_judge", "_lost", "_setting", "_taken")

    def __init__(
        self,
        vehicle: Vehicle,
        name: str,
        bus: str,
        watching: Watching,
        settings: Mapping[str, Any],
    ) -> None:
        self._bus = bus
        self._setting = watching.repairs.get(name)
        self._came = watching.came.setdefault(name, [])
        self._taken = watching.taken.setdefault(name, [])
        self._lost = watching.lost.setdefault(name, [])
        self._judge = FlawFinder(vehicle, bus)
        self._in_chip: dict[int, Taken] = {}
        changed = dict(settings)
        repair = None if self._setting is None else self._setting.repair
        if repair is Repair.BROUGHT_BACK:
            changed["auto_recovery"] = True
        if repair is Repair.ROOMY:
            changed["receive_depth"] = 1 << 30
        super().__init__(name, **changed)
        self.chip = self

    @property
    def filters(self) -> list[Filter]:  # the base class has a slot here
        return self._filters

    @filters.setter
    def filters(self, filters: Iterable[Filter]) -> None:
        self._filters = _Asked(filters)

    def power_off(self) -> None:
        self._judge.forget()
        super().power_off()

    def accepts(self, frame: Frame) -> bool:
        now_ns = self._now_ns()
        passed = not len(self._filters) or super().accepts(frame)
        flaw = self._judge.flaw(now_ns, frame)
        self._came.append(Came(now_ns, frame, not passed, flaw, self._bus))
        if self._setting is None:
            return passed
        passed = passed or self._setting.concerns(Repair.UNFILTERED, frame)
        return passed and not self._setting.concerns(flaw, frame)

    def receive(self) -> tuple[int, Frame] | None:
        found = super().receive()
        if found is not None:
            self._taken.append(Taken(self._now_ns(), *found))
        return found

    @property
    def lets_in(self) -> tuple[int, bool] | None:
        """The identifier that a chip's filters have to pass."""
        setting = self._setting
        return setting.frame if setting and setting.repair is Repair.UNFILTERED else None

    @property
    def roomy(self) -> bool:
        """Whether a chip takes a frame only when it has room for it."""
        return self._setting is not None and self._setting.repair is Repair.ROOMY

    def told(self, fate: int, place: int) -> None:
        """What a chip inside the program did with the frame that it took last."""
        if fate == _READ:
            read = self._in_chip.pop(place, None)
            if read is not None:
                self._taken.append(read._replace(at_ns=self._now_ns()))
            return
        if not self._taken:
            return
        taken = self._taken.pop()
        if fate == _HELD:
            self._in_chip[place] = taken
        elif fate == _LOST:
            self._lost.append(taken)
        else:
            came = self._came
            last = next(n for n in reversed(range(len(came))) if came[n].frame is taken.frame)
            came[last] = came[last]._replace(filtered=True)

    def _now_ns(self) -> int:
        return 0 if self.segment is None else self.segment.bus.queue.now_ns


_LOST, _HELD, _READ = 2, 3, 4
"""Fates of a frame in a chip, see :class:`linkloss.bus.controller.ChipWatch`."""


class FlawFinder:
    """Why a node has to refuse a frame, from the frames that came to it in order."""

    def __init__(self, vehicle: Vehicle, bus: str) -> None:
        self._messages = vehicle.messages_on(bus)
        self._steps = {name: _most(vehicle, info) for name, info in vehicle.messages.items()}
        self._last: dict[str, tuple[int, int]] = {}

    def forget(self) -> None:
        """The node starts anew: any counter is good."""
        self._last.clear()

    def flaw(self, at_ns: int, frame: Frame) -> Repair | None:
        """The guard that keeps a frame away; None for a good one."""
        info = self._messages.get((frame.identifier, frame.extended))
        if info is None or frame.remote:
            return Repair.NO_STRANGERS
        if len(frame.data) != info.length or (frame.dlc > 8 and not frame.fd):
            return Repair.NO_WRONG_LENGTH
        if info.checksum is not None and not info.checksum(frame.data):
            return Repair.NO_WRONG_CHECKSUM
        return None if info.counter is None else self._counted(at_ns, info, frame)

    def _counted(self, at_ns: int, info: MessageInfo, frame: Frame) -> Repair | None:
        assert info.counter is not None
        count = info.counter.raw(frame.data)
        most, stale_ns = self._steps[info.name]
        before = self._last.get(info.name)
        step = 1
        if before is not None and at_ns - before[0] < stale_ns:
            step = (count - before[1]) % (1 << info.counter.length_bits)
        if step == 0:
            return Repair.NO_REPEATS
        if step > most:
            return Repair.NO_JUMPS
        self._last[info.name] = (at_ns, count)
        return None


def _most(vehicle: Vehicle, info: MessageInfo) -> tuple[int, int]:
    """The largest good step of a message's counter, and the age in ns from which any is good: the
    most generous of what the loads that follow it declare.
    """
    period_ns = info.period_ns or 100_000_000
    steps, stale = [1], [2 * period_ns]
    for load in vehicle.loads.values():
        if load.request is None or load.stale_after is None:
            continue
        if info.name in {name.partition(".")[0] for name in load.request.names}:
            steps.append(load.max_step or max(1, load.stale_after // period_ns))
            stale.append(load.stale_after)
    return max(steps), max(stale)
