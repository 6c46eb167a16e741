"""What a check was asked to run: enough to make its cases again, in any process, in this order."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from hashlib import sha256
from pathlib import Path

from linkloss.campaign.depth import Depth, Planned, planned
from linkloss.campaign.naming import case_named
from linkloss.campaign.staged import stage
from linkloss.firmware.build import BuildOptions
from linkloss.model.loading import Vehicle, load_vehicle
from linkloss.model.problem import BadInput, nearest, unknown
from linkloss.model.programs import forget_programs, program_file, program_folders
from linkloss.scenario import Scenario


@dataclass(frozen=True, slots=True)
class Order:
    """A vehicle's file, a seed, and which of its cases are wanted; None stands for all.

    ``names`` are just these cases, whatever the depth. ``content`` is that of the vehicle where
    the order was given, see :func:`content`. ``drive`` is a log whose windows are the situations;
    the frames of the nodes ``logged`` (None: those that drive no load) come out of it.
    """

    path: Path
    seed: int = 0
    depth: Depth = "full"
    only: tuple[str, ...] | None = None
    situations: tuple[str, ...] | None = None
    names: tuple[str, ...] | None = None
    content: str = ""
    drive: Path | None = None
    logged: tuple[str, ...] | None = None
    build: BuildOptions | None = None

    def cases(self, vehicle: Vehicle) -> list[Scenario]:
        """The cases, in their order. Raises BadInput for names that do not exist."""
        if self.names is not None:
            return [self._one(vehicle, name) for name in self.names]
        cases = self.planned(vehicle).cases
        return [scenario for scenario in self._of_kinds(cases) if self._situated(scenario)]

    def planned(self, vehicle: Vehicle) -> Planned:
        """All cases of the depth, and what they were chosen from. Raises BadInput for a drive
        that cannot be read, or cannot be tried at this depth.
        """
        if self.drive is None:
            return planned(vehicle, self.depth, self.seed)
        if self.depth not in _ON_A_DRIVE:
            text = f"a drive is tried with one fault at a time; expected {' or '.join(_ON_A_DRIVE)}"
            raise BadInput.one("linkloss", f"--depth {self.depth}", text)
        staged = stage(vehicle, self.drive, self.logged)
        cases, space = planned(staged.vehicle, self.depth, self.seed, logged=True)
        dressed = list(staged.dressed(cases))
        said = (*space.left_out, *staged.sentences())
        return Planned(dressed, replace(space, chosen=len(dressed), left_out=said))

    def not_judged(self, vehicle: Vehicle) -> tuple[str, ...]:
        """The nodes that have no program in the cases."""
        return () if self.drive is None else stage(vehicle, self.drive, self.logged).drive.nodes

    def named(self, vehicle: Vehicle, name: str) -> Scenario | None:
        """The case with a name, or None when it is no name of a case here."""
        if self.drive is None:
            return case_named(vehicle, name, self.seed)
        staged = stage(vehicle, self.drive, self.logged)
        case = case_named(staged.vehicle, name, self.seed)
        return None if case is None else next(staged.dressed([case]), None)

    def _one(self, vehicle: Vehicle, name: str) -> Scenario:
        case = self.named(vehicle, name)
        if case is not None:
            return case
        known = [case.name for case in replace(self, depth="full").planned(vehicle).cases]
        near = nearest(name, known)
        text = f"unknown case '{name}'; expected a name as a check reports it{near}"
        raise BadInput.one(self.path, "--case", text)

    def _of_kinds(self, cases: list[Scenario]) -> list[Scenario]:
        if self.only is None:
            return cases
        kinds = {scenario.kinds for scenario in cases}
        for name in self.only:
            if name not in kinds:
                raise BadInput.one(self.path, "--only", unknown("fault", name, kinds))
        return [scenario for scenario in cases if scenario.kinds in self.only]

    def _situated(self, scenario: Scenario) -> bool:
        return scenario.situation in situations_named(scenario.vehicle, self.situations)


_ON_A_DRIVE = ("quick", "full")


def situations_named(vehicle: Vehicle, names: tuple[str, ...] | None) -> tuple[str, ...]:
    """The situations that were asked for; None: all. Raises BadInput for one that is none."""
    for name in names or ():
        if name not in vehicle.situations:
            text = unknown("situation", name, vehicle.situations)
            raise BadInput.one(vehicle.path, "--situation", text)
    return tuple(vehicle.situations) if names is None else names


def content(vehicle: Vehicle) -> str:
    """A digest of all that decides what a vehicle does: its files, and all sources in the folders
    of its programs, for these may import each other.
    """
    files = {vehicle.path.resolve(), (vehicle.path.parent / vehicle.file.dbc).resolve()}
    for folder in program_folders(vehicle.programs.values()):
        files.update(path for path in folder.glob("*.py") if path.is_file())
    for program in vehicle.programs.values():
        files.update(path for path in [program_file(program)] if path is not None)
    digest = sha256()
    for path in sorted(files):
        digest.update(path.read_bytes())
    return digest.hexdigest()


@lru_cache(maxsize=2)
def cases_of(order: Order) -> list[Scenario]:
    """The cases of an order, made once in each process from the vehicle's file.

    Raises RuntimeError where this process finds other files than the one that gave the order.
    """
    return order.cases(_vehicle(order.path, order.content, order.build))


@lru_cache(maxsize=2)
def _vehicle(path: Path, expected: str, build: BuildOptions | None) -> Vehicle:
    """The vehicle as its files are now: a worker may have lived longer than an earlier state."""
    forget_programs(load_vehicle(path).programs.values())
    vehicle = load_vehicle(path, build)
    if expected and content(vehicle) != expected:
        raise RuntimeError(f"the files of {path} are not those that the check was begun with")
    return vehicle
