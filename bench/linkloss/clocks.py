"""The clocks of the nodes in a scenario, as text: what each shows at its start, how wrong it runs.

in a scenario file    clocks = { rear = "49.7 d" }      drifts = { rear = "-100 ppm" }
in a case's name      clocks(rear=4294080s)             drifts(rear=-100ppm)
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import TypeVar

from linkloss.model.units import parse_drift, parse_duration, write_drift, write_duration

Clocks = Mapping[str, int]
"""By node: what its own clock shows at its start, in ns. A node that is not named begins at 0."""
Drifts = Mapping[str, float]
"""By node: how much too fast its clock runs, in parts per million; below 0 too slow."""

Quantity = TypeVar("Quantity", int, float)
_PART = re.compile(r"(?P<what>clocks|drifts)\((?P<given>[^()]+)\)")


def clocks_written(clocks: Clocks) -> dict[str, str]:
    """As a scenario file has them."""
    return {node: write_duration(start_ns) for node, start_ns in clocks.items()}


def drifts_written(drifts: Drifts) -> dict[str, str]:
    """As a scenario file has them."""
    return {node: write_drift(ppm) for node, ppm in drifts.items()}


def clock_parts(clocks: Clocks, drifts: Drifts) -> tuple[str, ...]:
    """The parts of a case's name that tell of them; none where all clocks begin at 0 and are
    right. :func:`read_clock_part` reads one back.
    """
    told = {"clocks": clocks_written(clocks), "drifts": drifts_written(drifts)}
    return tuple(f"{what}({_joined(given)})" for what, given in told.items() if given)


def read_clock_part(part: str) -> tuple[Clocks, Drifts] | None:
    """What a part of a case's name says of clocks; None for one that tells of something else.

    Raises ValueError for a quantity that is none.
    """
    found = _PART.fullmatch(part)
    if found is None:
        return None
    if found["what"] == "clocks":
        return _read(found["given"], parse_duration), {}
    return {}, _read(found["given"], parse_drift)


def _joined(given: Mapping[str, str]) -> str:
    return ",".join(f"{node}={text.replace(' ', '')}" for node, text in given.items())


def _read(given: str, parse: Callable[[str], Quantity]) -> dict[str, Quantity]:
    """``rear=65s,dash=1s`` by node."""
    parts = [text.partition("=") for text in given.split(",")]
    return {node: parse(text) for node, _, text in parts}
