"""Every wrong node of the tests, and a narrow check of its car that catches it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import test_wrong_controllers as controllers
import test_wrong_later as late
import test_wrong_nodes as nodes
import test_wrong_sleepers as sleepers
import test_wrong_supplies as supplies
import test_wrong_tries as tries
import triers
import wrong_commands as commands
import wrong_flash as flash
import wrong_later as later
import wrong_senders as senders
from base_power import HomeRear
from c_cars import REAR_C, c_car
from demo_cases import narrow, reported, wren
from script_cars import REAR_SCRIPT, REAR_SKETCH, script_car, sketch_car
from starving_cars import wren_with
from variants import Variant
from wrong_cars import Wrong, car
from wrong_scripts import WRONG as SCRIPTS
from wrong_sketches import WRONG as SKETCHES
from wrong_variants import WRONG as IN_C

from linkloss.campaign.cases import CaseMaker, electrical_instances
from linkloss.campaign.check import check
from linkloss.campaign.result import CheckReport
from linkloss.campaign.run import run_case
from linkloss.scenario import Scenario, TimedFault
from linkloss.vehicle.load import FlashRule
from linkloss.vehicle.loading import Vehicle
from linkloss_nodes import MS

LABELS = Path(__file__).parent / "labels.toml"


class Label(NamedTuple):
    """What is wrong with a node. Any of the mechanisms will do, and any of the nodes."""

    mechanisms: tuple[str, ...]
    nodes: tuple[str, ...]


def any_finding(report: CheckReport) -> bool:
    """Whether anything broke."""
    return bool(report.findings)


class WrongCar(NamedTuple):
    """A car with a wrong node. ``check`` gets an empty folder for what it writes; ``shows`` says
    whether its report tells of the mistake.
    """

    group: str
    name: str
    check: Callable[[Path], CheckReport]
    shows: Callable[[CheckReport], bool] = any_finding


def several(value: str | Sequence[str]) -> tuple[str, ...]:
    """One or more of them."""
    return (value,) if isinstance(value, str) else tuple(value)


def labels(path: Path = LABELS) -> dict[tuple[str, str], Label]:
    """(group, name) -> label. Raises ValueError for a mechanism that is none."""
    file = tomllib.loads(path.read_text(encoding="utf-8"))
    known = tomllib.loads(LABELS.read_text(encoding="utf-8"))["mechanisms"]
    file.pop("mechanisms", None)
    found = {
        (group, name): Label(several(entry["mechanism"]), several(entry["node"]))
        for group, entries in file.items()
        for name, entry in entries.items()
    }
    for place, label in found.items():
        if strange := set(label.mechanisms).difference(known):
            raise ValueError(f"{path}: {place}: no mechanism: {', '.join(sorted(strange))}")
    return found


def every() -> list[WrongCar]:
    """All of them. A node that is tried in two ways stands there twice."""
    return [
        *(of_demo_car("python", wrong) for wrong in nodes.WRONG),
        *(WrongCar("python", name, check) for name, check in _more_of_the_demo_car()),
        *(WrongCar("python", row[0].__name__, _late(*row[:3])) for row in late.CAUGHT),
        *(WrongCar("python", name, checked_in_one_case(case)) for name, case in _drives()),
        *(WrongCar("python", row[0].__name__, _asleep(*row[:2])) for row in sleepers.WRONG),
        *(of_rear_in_c("c", variant) for variant in IN_C),
        *(of_rear_sketch("sketch", variant) for variant in SKETCHES),
        *(of_rear_script("script", variant) for variant in SCRIPTS),
    ]


def of_demo_car(group: str, wrong: Wrong) -> WrongCar:
    """The demo car with a wrong node in Python."""
    return WrongCar(group, wrong.name, lambda folder: wrong.check(), wrong.shows)


def of_rear_in_c(group: str, variant: Variant) -> WrongCar:
    """The demo car with a wrong variant of the rear node in C."""

    def check_in(folder: Path) -> CheckReport:
        source = variant.written(REAR_C, folder)
        return variant.check(c_car(folder, source, variant.more, variant.tables))

    return WrongCar(group, variant.name, check_in, variant.shows)


def of_rear_sketch(group: str, variant: Variant) -> WrongCar:
    """The demo car with a wrong variant of the rear node's sketch."""

    def check_in(folder: Path) -> CheckReport:
        source = variant.written(REAR_SKETCH, folder)
        return variant.check(sketch_car(folder, source, variant.tables))

    return WrongCar(group, variant.name, check_in, variant.shows)


def of_rear_script(group: str, variant: Variant) -> WrongCar:
    """The demo car with a wrong variant of the rear node's script."""

    def check_in(folder: Path) -> CheckReport:
        return variant.check(script_car(folder, variant.written(REAR_SCRIPT, folder)))

    return WrongCar(group, variant.name, check_in, variant.shows)


def checked_in_one_case(case: Callable[[], Scenario]) -> Callable[[Path], CheckReport]:
    """What a check with one case says."""

    def check_in(folder: Path) -> CheckReport:
        scenario = case()
        return reported(scenario.vehicle, [run_case(scenario)])

    return check_in


def _late(
    program: Callable[[Any], Any], node: str, among: Mapping[str, Any]
) -> Callable[[Path], CheckReport]:
    """Up to the first case that breaks anything, of those that are there for the purpose."""

    def check_in(folder: Path) -> CheckReport:
        vehicle, results = car({node: program}), []
        for case in map(late.begun, late.chosen(**among)):
            results.append(run_case(replace(case, vehicle=vehicle)))
            if any(verdict.broken for verdict in results[-1].verdicts):
                break
        return reported(vehicle, results)

    return check_in


def _asleep(program: Callable[[Any], Any], situation: str) -> Callable[[Path], CheckReport]:
    """The car that sleeps, with this node in its rear."""
    return lambda folder: sleepers.checked(program, situations=[situation])


def _more_of_the_demo_car() -> Iterator[tuple[str, Callable[[Path], CheckReport]]]:
    """What has a car of its own, checked in one situation."""
    rear, dash = HomeRear, wren().programs["dash"]
    lamp = controllers.without("LampRequest")
    flashes = nodes.with_load(
        car({"front": commands.SkipsOneFlash}), "indicator_front_left", flash=FlashRule()
    )
    hardware = [
        ("(filter too narrow)", car({"rear": rear}, {"filters": lamp}), "parked"),
        ("(listen only)", car({"dash": dash}, {"listen_only": True}), "parked"),
        ("PumpTurnedRound", car({"engine": senders.PumpTurnedRound}), "idle"),
        ("SkipsOneFlash", flashes, "turning"),
    ]
    for name, vehicle, situation in hardware:
        yield name, partial(_narrow, vehicle, situation)
    vehicle = car({"front": flash.TwoPhases})
    together = replace(vehicle, file=nodes.hazards_over_indicator(vehicle))
    yield "TwoPhases", lambda folder: check(together, case="both/none", jobs=1)
    vehicle = car({"rear": commands.PumpRunsOn})
    stalls = vehicle.file.model_copy(update={"situations": {"stalls": nodes.STALLS}})
    stalling = replace(vehicle, file=stalls)
    yield "PumpRunsOn", lambda folder: check(stalling, case="stalls/none", jobs=1)


def _narrow(vehicle: Vehicle, situation: str, folder: Path) -> CheckReport:
    return narrow(vehicle, ["none"], [situation])


def _drives() -> Iterator[tuple[str, Callable[[], Scenario]]]:
    """What shows in one drive of a car of its own."""
    for program in (*(row[0] for row in tries.WRONG), triers.GivesUpByCurrent):
        yield program.__name__, partial(_shorted, program)
    yield "MissesOneCount", _frozen_at_seven
    small_fuse = wren_with(supplies.FEED, supplies.START)
    yield "(small fuse)", partial(without_fault, small_fuse, "overheating")
    yield "(weak battery)", partial(without_fault, wren_with(supplies.WEAK_BATTERY), "cranking")
    yield "(no hysteresis)", partial(without_fault, supplies.without_hysteresis(), "parked")
    yield "(no brown-out detector)", _run_wild


def _shorted(program: Callable[[Any], Any]) -> Scenario:
    case: Scenario = tries.shorted(tries.socket_car(program))
    return case


def without_fault(vehicle: Vehicle, situation: str) -> Scenario:
    return CaseMaker(vehicle).case(situation, ())


def _frozen_at_seven() -> Scenario:
    case: Scenario = late.frozen_at(later.MissesOneCount.MISSED)
    return replace(case, vehicle=car({"rear": later.MissesOneCount}))


def _run_wild() -> Scenario:
    vehicle = supplies.rear_fed_by(least=4.2, brown_out_detector=False)
    sag = next(fault for fault in electrical_instances(vehicle) if getattr(fault, "sags_to", None))
    return CaseMaker(vehicle).case("braking", (TimedFault(sag, 300 * MS, 1800 * MS),))
