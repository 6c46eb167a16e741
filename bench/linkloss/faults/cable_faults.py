"""Faults of the cable: cut, unplugged, swapped, shorted, wrongly terminated, stuck, noisy, and a
node whose ground differs from that of the others.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from random import Random
from typing import ClassVar, Literal, get_args

from pydantic import Field

from linkloss.bus.cable import Cable, Conductor, Contact
from linkloss.bus.cable import Short as CableShort
from linkloss.bus.medium import Bus
from linkloss.bus.record import Noise as BitErrors
from linkloss.clock import Event
from linkloss.clock.queue import Priority
from linkloss.faults.base import (
    SIDE,
    Fault,
    Group,
    Rig,
    Undo,
    bus_problem,
    hooked,
    node_problem,
    on_bus,
    place,
    side_problem,
)
from linkloss.units import Duration, Voltage, show_duration, write_voltage
from linkloss.vehicle.loading import Vehicle

_CONDUCTORS: tuple[Conductor, ...] = ("CAN_H", "CAN_L")


class Cut(Fault):
    """The trunk is cut; each side keeps its own traffic.

    With one conductor cut the sides still share the other one. By the levels, each terminator then
    pulls its own side to that conductor, and neither side sees a dominant bit of the other. What a
    real node picks up by crosstalk is not modelled (bus/cable.py).
    """

    kind = "cut"
    group = "cable"

    between: tuple[str, str]
    conductor: Conductor = Field(default="both", description="default: both")

    def problem(self, vehicle: Vehicle) -> str:
        missing = node_problem(vehicle, *self.between)
        if missing:
            return missing
        if tuple(sorted(self.between)) not in {tuple(sorted(pair)) for pair in vehicle.stretches}:
            left, right = self.between
            cable = ", ".join(vehicle.bus_of(left).cable)
            return f"'{left}' and '{right}' are not neighbours; the cable runs {cable}"
        return ""

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        left, right = self.between
        bus = rig.bus_named(rig.vehicle.between(left, right))
        bus.cut(left, right, self.conductor)
        return lambda: bus.mend(left, right, self.conductor)

    def describe(self) -> str:
        what = "the cable" if self.conductor == "both" else self.conductor
        return f"{what} between {self.between[0]} and {self.between[1]} was cut"

    def reaches(self, vehicle: Vehicle, message: str, sender: str, receiver: str) -> bool:
        bus = vehicle.between(*self.between)
        if vehicle.messages[message].bus != bus:
            return False
        cable = vehicle.file.bus[bus].cable
        if sender not in cable or receiver not in cable:
            return False
        left = max(map(cable.index, self.between))
        return (cable.index(sender) < left) != (cable.index(receiver) < left)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for left, right in vehicle.stretches:
            yield cls(between=(left, right))

    @classmethod
    def of_wiring(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for left, right in vehicle.stretches:
            for conductor in _CONDUCTORS:
                yield cls(between=(left, right), conductor=conductor)


class Unplug(Fault):
    """The plug of one node's CAN stub is pulled; the node keeps its supply, inputs and loads.

    With one conductor open, the node's other pin still follows the bus and the open one stays at
    its bias: by the levels the node sees others send, and they do not see it. What the open pin
    picks up from outside is not modelled (bus/cable.py).
    """

    kind = "unplug"
    group = "cable"

    node: str
    conductor: Conductor = Field(default="both", description="default: both")
    bus: str | None = Field(default=None, description=SIDE)

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        bus = place(rig, self.node, self.bus)
        bus.unplug(self.node, self.conductor)
        return lambda: bus.plug(self.node, self.conductor)

    def describe(self) -> str:
        if self.conductor == "both":
            return f"the CAN plug of {self.node}{on_bus(self.bus)} was pulled"
        return f"{self.conductor} of {self.node} came off{on_bus(self.bus)}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node, bus in vehicle.sides:
            yield cls(node=node, bus=bus)

    @classmethod
    def of_wiring(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node, bus in vehicle.sides:
            for conductor in _CONDUCTORS:
                yield cls(node=node, conductor=conductor, bus=bus)


class CableFault(Fault):
    """A fault of the wiring that leaves the cable in one piece; all nodes may see it."""

    group: ClassVar[Group] = "cable"
    wiring = True
    everywhere = True

    def change(self, cable: Cable, *, there: bool) -> None:
        """Change the cable: the fault comes (``there``) or goes."""
        raise NotImplementedError

    def buses(self, rig: Rig) -> Sequence[Bus]:
        """The buses that it acts on."""
        struck = self.strikes(rig.vehicle)
        pairs = zip(rig.vehicle.file.bus, rig.buses, strict=True)
        return [bus for name, bus in pairs if name in struck]

    def apply(self, rig: Rig, random: Random) -> Undo:
        buses = self.buses(rig)
        for bus in buses:
            with bus.rewiring(*self.nodes()) as cable:
                self.change(cable, there=True)

        def undo() -> None:
            for bus in buses:
                with bus.rewiring() as cable:
                    self.change(cable, there=False)

        return undo


class Swapped(CableFault):
    """One node's conductors are exchanged: what it sends is not a dominant level to others, and
    what they send is not one to it. Where both send at once, their levels cancel each other.
    """

    kind = "swapped"
    words = "CAN_H and CAN_L of {node} were exchanged"

    node: str
    bus: str | None = Field(default=None, description=SIDE)

    def describe(self) -> str:
        return f"{super().describe()}{on_bus(self.bus)}"

    def change(self, cable: Cable, *, there: bool) -> None:
        (cable.swapped.append if there else cable.swapped.remove)(self.node)

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node, bus in vehicle.sides:
            yield cls(node=node, bus=bus)


class Short(CableFault):
    """A short without resistance on the trunk beside a node. It acts on its own piece of the cable.

    What it does follows from the levels (bus/cable.py): CAN_H to CAN_L, CAN_H to ground and CAN_L
    to supply stop all traffic; CAN_L to ground and CAN_H to supply only shift the levels.
    """

    kind = "short"

    beside: str = Field(description="the node beside the short")
    contact: Contact = Field(description="the two that touch")
    bus: str | None = Field(default=None, description=SIDE)

    def problem(self, vehicle: Vehicle) -> str:
        return node_problem(vehicle, self.beside) or side_problem(vehicle, self)

    def change(self, cable: Cable, *, there: bool) -> None:
        (cable.shorts.append if there else cable.shorts.remove)(
            CableShort(self.beside, self.contact)
        )

    def describe(self) -> str:
        first, second = self.contact.split("-")
        return f"{first} touched {second} beside {self.beside}{on_bus(self.bus)}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name, bus in vehicle.file.bus.items():
            node = bus.cable[len(bus.cable) // 2]
            for contact in get_args(Contact):  # one place: the levels do not depend on it
                yield cls(beside=node, contact=contact, bus=vehicle.side(node, name))


class Unterminated(CableFault):
    """A terminator is missing, or both are, or there is a third one.

    A third one, or the loss of one on a cable as short as a car's, leaves every bit readable. With
    none the bus stays dominant for too long after each dominant bit (bus/cable.py says what is not
    modelled). Pieces that a cut leaves without a terminator are not treated in this way.
    """

    kind = "unterminated"

    terminators: Literal[0, 1, 3] = Field(description="how many there are instead of two")
    bus: str | None = Field(default=None, description="the bus; default: all of the vehicle")

    def problem(self, vehicle: Vehicle) -> str:
        return bus_problem(vehicle, self.bus)

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        before = []
        for bus in self.buses(rig):
            with bus.rewiring() as cable:
                before.append((bus, cable.line.terminators))
                cable.line.terminators = self.terminators

        def undo() -> None:
            for bus, terminators in before:
                with bus.rewiring() as cable:
                    cable.line.terminators = terminators

        return undo

    def describe(self) -> str:
        of_bus = "" if self.bus is None else f" of bus {self.bus}"
        return {
            0: f"both terminators{of_bus} came off",
            1: f"a terminator{of_bus} came off",
            3: f"a third terminator was on the cable{of_bus}",
        }[self.terminators]

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for bus in _each_bus(vehicle):
            for terminators in (0, 1, 3):
                yield cls(terminators=terminators, bus=bus)


def _each_bus(vehicle: Vehicle) -> Sequence[str | None]:
    """What the parameter ``bus`` is in turn: nothing where there is one bus."""
    return tuple(vehicle.file.bus) if len(vehicle.buses) > 1 else (None,)


MS = 1_000_000


class StuckDominant(CableFault):
    """The line from a node's controller to its transceiver is stuck dominant.

    Without a dominant time-out in the transceiver no node can send until the fault clears. With
    one, the transceiver releases the bus after that time and sends nothing more until the fault
    clears; the node still hears the bus.
    """

    kind = "stuck_dominant"
    group = "node"

    node: str
    time_out: Duration | None = Field(
        default=None, gt=0, description="dominant time-out of the transceiver; default: none"
    )
    bus: str | None = Field(default=None, description=SIDE)

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        return _Stuck(rig, self.node, self.bus, self.time_out).end

    def describe(self) -> str:
        text = f"the transceiver of {self.node}{on_bus(self.bus)} was stuck dominant"
        return text if self.time_out is None else f"{text} for {show_duration(self.time_out)}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name, bus in vehicle.file.bus.items():  # one place: all nodes see it alike
            yield cls(node=bus.cable[0], bus=vehicle.side(bus.cable[0], name))
        for node, side in vehicle.sides:
            yield cls(node=node, time_out=2 * MS, bus=side)


class _Stuck:
    """The transceiver: it drives the bus; after its time-out, if it has one, it sends nothing."""

    def __init__(self, rig: Rig, node: str, bus: str | None, time_out_ns: int | None) -> None:
        self._bus = place(rig, node, bus)
        self._queue = rig.queue
        self._node = node
        self._release: Event | None = None
        with self._bus.rewiring(node) as cable:
            cable.stuck.append(node)
        if time_out_ns is not None:
            self._release = rig.queue.after(time_out_ns, self._let_go, priority=Priority.STIMULUS)
        self._dead = False

    def _let_go(self) -> None:
        self._release, self._dead = None, True
        with self._bus.rewiring() as cable:
            cable.stuck.remove(self._node)
            cable.dead.append(self._node)

    def end(self) -> None:
        if self._release is not None:
            self._queue.cancel(self._release)
        with self._bus.rewiring() as cable:
            (cable.dead if self._dead else cable.stuck).remove(self._node)


class Noise(CableFault):
    """Each bit between a start of frame and the end of its intermission is seen inverted with one
    probability, independently of all others; by all nodes alike, or by one.
    """

    kind = "noise"

    share: float = Field(gt=0, lt=1, description="bit error rate")
    node: str | None = Field(default=None, description="the only node that sees it; default: all")
    bus: str | None = Field(default=None, description="the bus; default: the node's, or all")

    def problem(self, vehicle: Vehicle) -> str:
        missing = node_problem(vehicle, *self.nodes()) or bus_problem(vehicle, self.bus)
        if missing or self.bus is None or self.node is None:
            return missing
        own = vehicle.file.buses_of(self.node)
        return "" if self.bus in own else f"node '{self.node}' is on bus '{own[0]}'"

    def apply(self, rig: Rig, random: Random) -> Undo:
        noises = [bus.noises for bus in self.buses(rig)]
        return hooked(BitErrors(self.share, random, self.node), *noises)

    def describe(self) -> str:
        of_bus = "" if self.bus is None else f" of bus {self.bus}"
        where = f"the cable{of_bus}" if self.node is None else f"{self.node}{on_bus(self.bus)}"
        return f"noise at {where} made {self.share:.3g} of the bits wrong"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for bus in _each_bus(vehicle):
            for share in (1e-4, 1e-3):
                yield cls(share=share, bus=bus)
        for node, side in vehicle.sides:
            yield cls(share=1e-3, node=node, bus=side)


SMALL_V, LARGE_V = 2.0, 12.0
"""An offset in volts that transceivers tolerate, and one that they do not: a ground lead that came
off (from memory of ISO 11898-2, edition of 2016)."""


class GroundOffset(CableFault):
    """A node's ground lies above that of the car by the offset, as with a bad ground lead.

    Levels are differences, so it matters only once a receiver's common-mode range is exceeded.
    That errors become more frequent even before is not modelled (bus/cable.py).
    """

    kind = "ground_offset"
    everywhere = False

    node: str
    offset: Voltage = Field(description="voltage of its ground above the car's; may be negative")

    def change(self, cable: Cable, *, there: bool) -> None:
        volts = cable.grounds.pop(self.node, 0.0) + (self.offset if there else -self.offset)
        if volts:
            cable.grounds[self.node] = volts

    def describe(self) -> str:
        return f"the ground of {self.node} was {write_voltage(self.offset)} off"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node in vehicle.along:
            yield cls(node=node, offset=LARGE_V)
        for bus in vehicle.buses:
            yield cls(node=bus.cable[0], offset=SMALL_V)
