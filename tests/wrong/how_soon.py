"""After how many cases of the quick check a wrong node is found: the wrong nodes of this folder and
of ``tests/firmware``, each run until its first broken rule.

    python tests/wrong/how_soon.py            # in the order in which a check runs the cases
    python tests/wrong/how_soon.py plan       # in the order of the plan, for comparison
    python tests/wrong/how_soon.py turns 4    # every fourth wrong node only

It prints a line for each node (cases run, seconds of processor time, the case that shows it), then
the median, the mean and the worst number of cases. All nodes take half an hour on one core.
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

HERE = Path(__file__).parent
TESTS = HERE.parent
sys.path[:0] = [str(TESTS / name) for name in ("", "wrong", "wrong/nodes", "firmware", "session")]

from c_cars import c_car  # noqa: E402
from demo_cases import wren_planned  # noqa: E402
from wrong_cars import car  # noqa: E402
from wrong_variants import WRONG, Variant  # noqa: E402

from linkloss.campaign.isolation import isolated  # noqa: E402
from linkloss.campaign.turns import turns  # noqa: E402
from linkloss.scenario import Scenario  # noqa: E402
from linkloss.session import ready  # noqa: E402
from linkloss.vehicle.loading import Vehicle  # noqa: E402


def wrong_cars(folder: Path) -> Iterator[tuple[str, Callable[[], Vehicle]]]:
    """The demo car with each wrong node in it, by the name of the node."""
    for wrong in import_module("test_wrong_nodes").WRONG:
        programs = {wrong.node: wrong.program, **wrong.beside}
        yield wrong.name, partial(car, programs, wrong.hardware)
    for program, node, *_ in import_module("test_wrong_later").CAUGHT:
        yield program.__name__, partial(car, {node: program})
    for variant in WRONG:
        yield f"{variant.name} (C)", partial(_in_c, folder, variant)


def _in_c(folder: Path, variant: Variant) -> Vehicle:
    source: Path = import_module("test_wrong_firmware").changed(folder, variant)
    return c_car(folder, source, variant.more, variant.tables)


def cases_until_broken(vehicle: Vehicle, cases: Sequence[Scenario]) -> tuple[int, str]:
    """How many cases run until one breaks a rule, and its name; "" if none does."""
    ready(vehicle)
    for number, case in enumerate(cases, 1):
        (result,) = isolated([replace(case, vehicle=vehicle)], branch=False, limit_s=60)
        if any(verdict.broken for verdict in result.verdicts):
            return number, result.name
    return len(cases), ""


def main(order: str = "turns", every: int = 1) -> None:
    """Run and print."""
    planned = wren_planned("quick").cases
    places = turns(planned) if order == "turns" else range(len(planned))
    cases = [planned[place] for place in places]
    numbers = []
    with tempfile.TemporaryDirectory() as folder:
        for name, make in list(wrong_cars(Path(folder)))[::every]:
            begun = sum(times()[:4])
            number, shown = cases_until_broken(make(), cases)
            took_s = sum(times()[:4]) - begun
            numbers.append(number)
            print(f"{number:4} {took_s:6.1f} s  {name:28} {shown or '(by no case)'}", flush=True)
    print(f"{len(numbers)} wrong nodes, {len(cases)} cases: median {median(numbers):g}, ", end="")
    print(f"mean {mean(numbers):.1f}, worst {max(numbers)}")


if __name__ == "__main__":
    given = dict(zip(("order", "every"), sys.argv[1:], strict=False))
    main(given.get("order", "turns"), int(given.get("every", 1)))
