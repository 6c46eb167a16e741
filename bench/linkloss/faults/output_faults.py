"""Faults behind an output: a blown fuse, a broken lead, a short, a welded relay.

:class:`LoadFault` is what they have in common: the load that they hit.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import ClassVar

from linkloss.faults.base import CircuitFault, Fault
from linkloss.power.network import Network
from linkloss.problem import unknown
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle


class LoadFault(CircuitFault):
    """A fault behind an output."""

    group = "output"
    with_fuse: ClassVar[bool] = False
    """Whether the load must have a fuse."""

    load: str

    def problem(self, vehicle: Vehicle) -> str:
        if self.load not in vehicle.loads:
            return unknown("load", self.load, vehicle.loads)
        table = vehicle.loads[self.load]
        if table.electrical is None:
            return f"load '{self.load}' has no table 'electrical': nothing says what it draws"
        if self.with_fuse and not _fuse_of(table):
            return f"load '{self.load}' has no fuse"
        return ""

    def loads(self, vehicle: Vehicle) -> tuple[str, ...]:  # several if they share a fuse
        return (self.load,)

    @classmethod
    def fits(cls, table: LoadTable) -> bool:
        """Whether a load can have this fault."""
        return table.electrical is not None and (not cls.with_fuse or _fuse_of(table))

    @classmethod
    def every(cls, vehicle: Vehicle) -> Iterator[Fault]:
        for name, table in vehicle.loads.items():
            if cls.fits(table) and table.electrical and table.electrical.lead:
                yield cls(load=name)


def _fuse_of(table: LoadTable) -> bool:
    return table.fuse is not None or bool(table.electrical and table.electrical.fuse_with)


def on_one_fuse(vehicle: Vehicle, load: str) -> tuple[str, ...]:
    """All loads on the same fuse as a load, the load itself first."""
    keeper = _keeper(vehicle, load)
    others = [name for name in vehicle.loads if name != load and _keeper(vehicle, name) == keeper]
    return (load, *others)


def _keeper(vehicle: Vehicle, load: str) -> str:
    table = vehicle.loads[load].electrical
    return load if table is None or table.fuse_with is None else table.fuse_with


class FuseBlown(LoadFault):
    """The fuse of a load is open, whatever blew it; all loads on it are dead. When the fault
    clears, there is a new one.
    """

    kind = "fuse_blown"
    words = "the fuse of {load} blew"
    with_fuse = True

    def change(self, network: Network, by: int) -> None:
        network.set_fuse(self.load, opened=by > 0)

    def loads(self, vehicle: Vehicle) -> tuple[str, ...]:
        return on_one_fuse(vehicle, self.load)


class LoadOpen(LoadFault):
    """No current can flow through the load: its lead has come off, or its filament is broken."""

    kind = "load_open"
    words = "the lead to {load} broke"

    def change(self, network: Network, by: int) -> None:
        network.open_load(self.load, by)


class LoadShort(LoadFault):
    """The terminals of a load touch, so the feed is shorted to ground after its lead.

    Whatever protects the lead acts: a fuse blows, a switch trips. When the fault clears, the short
    is repaired and a blown fuse replaced.
    """

    kind = "load_short"
    words = "{load} was shorted"

    def change(self, network: Network, by: int) -> None:
        network.short_load(self.load, by)
        if by < 0 and network.channels[self.load].fuse is not None:
            network.set_fuse(self.load, opened=False)

    def loads(self, vehicle: Vehicle) -> tuple[str, ...]:
        return on_one_fuse(vehicle, self.load)


class RelayWelded(LoadFault):
    """The contact of a load's relay stays closed until the fault clears, whatever its coil does."""

    kind = "relay_welded"
    words = "the relay of {load} welded"

    def problem(self, vehicle: Vehicle) -> str:
        missing = super().problem(vehicle)
        if not missing and not self.fits(vehicle.loads[self.load]):
            return f"load '{self.load}' is not switched by a relay"
        return missing

    def change(self, network: Network, by: int) -> None:
        network.weld(self.load, welded=by > 0)

    @classmethod
    def fits(cls, table: LoadTable) -> bool:
        return table.electrical is not None and table.electrical.relay is not None
