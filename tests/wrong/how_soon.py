"""After how many cases of the quick check a wrong node is found: the wrong nodes of this folder and
of the firmware's tests, each run until its first broken rule.

    python tests/wrong/how_soon.py            # in the order in which a check runs the cases
    python tests/wrong/how_soon.py plan       # in the order of the plan, for comparison
    python tests/wrong/how_soon.py turns 4    # every fourth wrong node only

It prints a line for each node (cases run, seconds of processor time, the case that shows it), then
the median, the mean and the worst of both: a long case takes as much as a hundred others. All nodes
take half an hour on one core. What the homemade nodes leave out on purpose counts only where it is
the mistake.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from importlib import import_module
from os import times
from pathlib import Path
from statistics import mean, median
from typing import NamedTuple

sys.path.append(str(Path(__file__).parents[1] / "causes"))
import rooms  # noqa: F401 - makes the others importable
from c_cars import REAR_C, c_car
from demo_cases import wren_planned
from script_cars import REAR_SCRIPT, REAR_SKETCH, script_car, sketch_car
from variants import Variant
from wrong_cars import car
from wrong_scripts import WRONG as SCRIPTS
from wrong_sketches import WRONG as SKETCHES
from wrong_variants import WRONG as IN_C

from linkloss.campaign.isolation import isolated
from linkloss.campaign.turns import turns
from linkloss.scenario import Scenario
from linkloss.session import ready
from linkloss.vehicle.loading import Vehicle

LEFT_OUT = {"notice", "quiet recovery"}
"""Rules that the homemade nodes break: they tell of no failed load, and return at once."""


class WrongCar(NamedTuple):
    """The demo car with a wrong node, and the rule that is expected to break."""

    name: str
    rule: str
    make: Callable[[], Vehicle]


def wrong_cars(folder: Path) -> Iterator[WrongCar]:
    """All of them; ``folder`` is for sources."""
    for wrong in import_module("test_wrong_nodes").WRONG:
        programs = {wrong.node: wrong.program, **wrong.beside}
        yield WrongCar(wrong.name, wrong.rule, partial(car, programs, wrong.hardware))
    for program, node, _, _, rule, _ in import_module("test_wrong_later").CAUGHT:
        yield WrongCar(program.__name__, rule, partial(car, {node: program}))
    for kind, variants in (("C", IN_C), ("sketch", SKETCHES), ("script", SCRIPTS)):
        for variant in variants:
            made = partial(_variant, kind, variant, folder)
            yield WrongCar(f"{variant.name} ({kind})", variant.rule, made)


def _variant(kind: str, variant: Variant, folder: Path) -> Vehicle:
    if kind == "C":
        return c_car(folder, variant.written(REAR_C, folder), variant.more, variant.tables)
    if kind == "sketch":
        return sketch_car(folder, variant.written(REAR_SKETCH, folder), variant.tables)
    return script_car(folder, variant.written(REAR_SCRIPT, folder))


def cases_until_broken(wrong: WrongCar, cases: Sequence[Scenario]) -> tuple[int, str]:
    """How many cases run until one breaks a rule, and its name; "" if none does."""
    vehicle = wrong.make()
    ready(vehicle)
    left_out = LEFT_OUT - {wrong.rule}
    for number, case in enumerate(cases, 1):
        (result,) = isolated([replace(case, vehicle=vehicle)], branch=False, limit_s=60)
        if any(entry.broken and entry.rule not in left_out for entry in result.verdicts):
            return number, result.name
    return len(cases), ""


def main(order: str = "turns", every: int = 1) -> None:
    """Run and print."""
    planned = wren_planned("quick").cases
    places = turns(planned) if order == "turns" else range(len(planned))
    cases = [planned[place] for place in places]
    numbers: list[int] = []
    seconds: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        for wrong in list(wrong_cars(Path(folder)))[::every]:
            begun = sum(times()[:4])
            number, shown = cases_until_broken(wrong, cases)
            took_s = sum(times()[:4]) - begun
            numbers.append(number)
            seconds.append(took_s)
            print(
                f"{number:4} {took_s:6.1f} s  {wrong.name:28} {shown or '(by no case)'}", flush=True
            )
    print(f"{len(numbers)} wrong nodes, {len(cases)} cases: median {median(numbers):g}, ", end="")
    print(f"mean {mean(numbers):.1f}, worst {max(numbers)}; processor time: median ", end="")
    print(f"{median(seconds):.1f} s, mean {mean(seconds):.1f} s, worst {max(seconds):.1f} s")


if __name__ == "__main__":
    given = dict(zip(("order", "every"), sys.argv[1:], strict=False))
    main(given.get("order", "turns"), int(given.get("every", 1)))
