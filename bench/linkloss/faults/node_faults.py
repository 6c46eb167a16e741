"""Faults of a node: reset, slow to boot, hung, mute, bus-off, at a wrong bit rate."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from pydantic import Field

from linkloss.clock import Event, Priority
from linkloss.faults.base import SIDE, Fault, Host, NodeFault, Rig, Undo, nothing, on_bus, place
from linkloss.units import BitRate, Duration, show_duration, write_bit_rate
from linkloss.vehicle.loading import Vehicle


class Reset(NodeFault):
    """The node's program is cut off and starts again after its boot time.

    With a ``period`` this repeats until the fault clears or there have been ``times`` resets; the
    first one comes at once. A period shorter than the boot time keeps the node down.
    """

    kind = "reset"

    period: Duration | None = Field(default=None, gt=0, description="time between resets")
    times: int | None = Field(default=None, ge=1, description="how many in all; default: no end")

    @property
    def lasting(self) -> bool:  # type: ignore[override]
        """Whether the reset repeats."""
        return self.period is not None

    def problem(self, vehicle: Vehicle) -> str:
        if self.times is not None and self.period is None:
            return "'times' needs a 'period' from one reset to the next"
        return super().problem(vehicle)

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        series = _Series(rig, rig.hosts[self.node], self.period, self.times)
        series.reset()
        return series.stop

    def describe(self) -> str:
        if self.period is None:
            return f"{self.node} was reset"
        often = "again and again" if self.times is None else f"{self.times} times"
        return f"{self.node} was reset {often}, every {show_duration(self.period)}"


class _Series:
    """Resets one after another."""

    def __init__(self, rig: Rig, host: Host, period_ns: int | None, times: int | None) -> None:
        self._queue = rig.queue
        self._host = host
        self._period_ns = period_ns
        self._left = times
        self._next: Event | None = None

    def reset(self) -> None:
        self._next = None
        self._host.reset("fault")
        if self._left is not None:
            self._left -= 1
        if self._period_ns is not None and self._left != 0:
            self._next = self._queue.after(self._period_ns, self.reset, priority=Priority.STIMULUS)

    def stop(self) -> None:
        if self._next is not None:
            self._queue.cancel(self._next)
            self._next = None


class Hang(NodeFault):
    """The program stands still; outputs stay as it left them, the controller acknowledges.

    Whatever runs from a hardware timer's interrupt goes on. A watchdog that the program started
    resets the node, and then it runs again although the fault has not cleared. When the fault
    clears, a program that still hangs goes on, late for everything that it missed. A node that is
    booting has no program to hang: nothing happens.
    """

    kind = "hang"
    words = "the program of {node} hung"

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        host = rig.hosts[self.node]
        host.hang()
        return host.resume


class SideFault(NodeFault):
    """A fault of one controller of a node."""

    bus: str | None = Field(default=None, description=SIDE)

    def describe(self) -> str:
        return f"{super().describe()}{on_bus(self.bus)}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node in vehicle.nodes:
            buses = vehicle.file.buses_of(node)
            for bus in buses if len(buses) > 1 else (None,):
                yield cls(node=node, bus=bus)


class Mute(SideFault):
    """What the node sends never reaches the bus, and its program takes it for sent.

    The node still receives and acknowledges. When the fault clears, frames that wait in its
    mailboxes are sent; those swallowed before are lost.
    """

    kind = "mute"
    words = "{node} fell mute"

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        controller = rig.hosts[self.node].on(self.bus)
        controller.muted = True

        def undo() -> None:
            controller.muted = False

        return undo


class BusOff(SideFault):
    """The controller goes bus-off at once; what waited in its mailboxes is lost.

    Recovery is up to the node: its program asks for it, or its controller recovers by itself. The
    controller of a booting node has no power and is not affected.
    """

    kind = "bus_off"
    words = "{node} went bus-off"
    lasting = False

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        rig.hosts[self.node].on(self.bus).force_bus_off()
        return nothing


class HeldBusOff(SideFault):
    """The controller is bus-off and stays so during the fault, whatever its program does.

    Think of a receive pin that hangs low: the controller never sees the recessive bits that it has
    to count, and REC shows the errors that it has received before. This exposes a program that
    mistakes counters at zero for recovery, or gives up after some tries. When the fault clears, a
    recovery that was asked for begins to count; otherwise it has to be asked for. A reset of the
    node does not help before.
    """

    kind = "held_bus_off"
    words = "{node} was held in bus-off (REC {rec})"

    rec: int = Field(default=57, ge=1, le=127, description="what REC shows; default: 57")

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        controller = rig.hosts[self.node].on(self.bus)
        controller.hold_bus_off(self.rec)
        return controller.release_bus_off


class WrongBitRate(SideFault):
    """A node's controller runs at a wrong bit rate, as with the wrong crystal.

    It reads the bus at the nominal sample points (bus/bit_by_bit.py). Resynchronisation is not
    modelled; it would not help for longer than a few bits.
    """

    kind = "wrong_bit_rate"
    wiring = True
    everywhere = True

    bit_rate: BitRate = Field(description="the bit rate that it runs at")

    def problem(self, vehicle: Vehicle) -> str:
        missing = super().problem(vehicle)
        if not missing and self.bit_rate == _rate(vehicle, self.node, self.bus):
            return f"{write_bit_rate(self.bit_rate)} is the bit rate of the bus itself"
        return missing

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        controller = rig.hosts[self.node].on(self.bus)
        bus = place(rig, self.node, self.bus)
        with bus.rewiring(self.node):
            before, controller.bit_rate = controller.bit_rate, self.bit_rate

        def undo() -> None:
            with bus.rewiring():
                controller.bit_rate = before

        return undo

    def describe(self) -> str:
        return f"{self.node} ran at {write_bit_rate(self.bit_rate)}{on_bus(self.bus)}"

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for node, bus in vehicle.sides:  # half of it: a crystal of 8 MHz instead of 16
            rate = _rate(vehicle, node, bus)
            other = rate // 2 if rate // 2 >= 10_000 else rate * 2
            yield cls(node=node, bit_rate=other, bus=bus)


def _rate(vehicle: Vehicle, node: str, bus: str | None) -> int:
    """The bit rate of a bus; None: that of a node on one."""
    return vehicle.file.bus[vehicle.file.bus_of(node) if bus is None else bus].bit_rate


class SlowBoot(NodeFault):
    """The node is reset, and every boot takes the declared longest time until the fault clears.

    A boot that has begun when the fault clears stays slow.
    """

    kind = "slow_boot"
    words = "{node} was reset and booted slowly"
    needs = "no node boots in less ('boots_in') than its longest 'boot'"

    def apply(self, rig: Rig, random: Random) -> Undo:  # nothing is left to chance
        host = rig.hosts[self.node]
        host.slow = True
        host.reset("fault")

        def undo() -> None:
            host.slow = False

        return undo

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name, node in vehicle.nodes.items():
            if node.usual_boot_ns < node.slowest_boot_ns:  # otherwise it would be a plain reset
                yield cls(node=name)
