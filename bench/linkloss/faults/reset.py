"""A node's processor resets, once or again and again."""

from __future__ import annotations

from random import Random

from pydantic import Field

from linkloss.clock import Event, Priority
from linkloss.faults.base import NodeFault, Undo
from linkloss.faults.rig import Host, Rig
from linkloss.model.loading import Vehicle
from linkloss.model.units import Duration, show_duration


class Reset(NodeFault):
    """The node's program is cut off and starts anew after its boot time.

    With a ``period`` it happens again and again, until the fault clears or ``times`` resets have
    been; the first one comes at once. A period shorter than the boot time keeps the node down.
    """

    kind = "reset"

    period: Duration | None = Field(default=None, gt=0, description="again after so long")
    times: int | None = Field(default=None, ge=1, description="how many in all; default: no end")

    @property
    def lasting(self) -> bool:  # type: ignore[override]
        """Whether more than one reset was asked for."""
        return self.period is not None

    def problem(self, vehicle: Vehicle) -> str:
        if self.times is not None and self.period is None:
            return "'times' needs a 'period' from one reset to the next"
        return super().problem(vehicle)

    def apply(self, rig: Rig, random: Random) -> Undo:  # noqa: ARG002 - nothing is left to chance
        series = _Series(rig, rig.hosts[self.node], self.period, self.times)
        series.reset()
        return series.stop

    def describe(self) -> str:
        if self.period is None:
            return f"{self.node} was reset"
        often = "again and again" if self.times is None else f"{self.times} times"
        return f"{self.node} was reset {often}, every {show_duration(self.period)}"


class _Series:
    """Resets one after the other."""

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
