"""What is tried of each labelled wrong node: it is caught, and the same cases find nothing in its
right twin.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from c_cars import c_car
from demo_cases import narrow
from script_cars import script_car, sketch_car
from variants import Variant, rows
from wrong_cars import Wrong, car
from wrong_list import WrongCar

from linkloss.problem import EXIT_BROKEN
from linkloss.session import ready
from linkloss.vehicle.loading import Vehicle

TWINS: Mapping[str, Callable[[Path, Any], Vehicle]] = {
    "c": lambda folder, one: c_car(folder, tables=one.tables),
    "sketch": lambda folder, one: sketch_car(folder, tables=one.tables),
    "script": lambda folder, one: script_car(folder),
    "python": lambda folder, one: car({one.node: one.program.__base__}),
}
"""The car of a wrong node with the right node in it, by what the wrong one is written in."""


def by_name(cars: Iterable[WrongCar]) -> dict[str, WrongCar]:
    """Each by its group and name, as in ``c/no_time_out``."""
    return {f"{each.group}/{each.name}": each for each in cars}


def params(names: Collection[str], quick: Collection[str] = ()) -> list[Any]:
    """The parameters of a test that tries each of them, the quick ones each time."""
    return [
        pytest.param(name, marks=() if name in quick else pytest.mark.slow)
        for name in sorted(names)
    ]


def assert_caught(wrong: WrongCar, folder: Path) -> None:
    """The check finds it, by what is said to give it away."""
    report = wrong.check(folder)
    assert report.exit_code == EXIT_BROKEN
    assert wrong.shows(report), sorted(rows(report))


def assert_right_twins(kind: str, wrongs: Sequence[Variant | Wrong], folder: Path) -> None:
    """The cases that catch the wrong ones find nothing in the right ones."""
    for one in wrongs:
        vehicle = TWINS[kind](folder, one)
        ready(vehicle)
        report = narrow(vehicle, [one.kind], [one.situation], one.at, every=3)
        assert not rows(report), one.name
