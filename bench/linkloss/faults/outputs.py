"""What the faults of the group "output" have in common: the load that they hit."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import ClassVar

from linkloss.faults.base import Fault, Undo
from linkloss.faults.rig import Rig
from linkloss.model.load import LoadTable
from linkloss.model.loading import Vehicle
from linkloss.model.problem import unknown
from linkloss.power.network import Network


class LoadFault(Fault):
    """A fault behind an output: it takes part in a run of a vehicle with electrical data only."""

    group = "output"
    electrical = True
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

    def nodes(self) -> tuple[str, ...]:
        return ()

    def loads(self, vehicle: Vehicle) -> tuple[str, ...]:  # noqa: ARG002 - one fuse has several
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


def has_fuse(vehicle: Vehicle, load: str) -> bool:
    """Whether a load hangs on a fuse of its own or on that of another."""
    return _fuse_of(vehicle.loads[load])


def on_one_fuse(vehicle: Vehicle, load: str) -> tuple[str, ...]:
    """All loads that hang on the same fuse as a load, the load itself first."""
    keeper = _keeper(vehicle, load)
    others = [name for name in vehicle.loads if name != load and _keeper(vehicle, name) == keeper]
    return (load, *others)


def _keeper(vehicle: Vehicle, load: str) -> str:
    table = vehicle.loads[load].electrical
    return load if table is None or table.fuse_with is None else table.fuse_with


def changed(
    rig: Rig, there: Callable[[Network], object], gone: Callable[[Network], object]
) -> Undo:
    """Change the circuit, and return what changes it back."""
    power = rig.power
    assert power is not None, "the vehicle has no supply; problem() says so"
    power.change(lambda: there(power.network))
    return lambda: power.change(lambda: gone(power.network))
