"""What a load did over a run, in few words: flashing is one entry, not one for each edge."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from linkloss.recording import Series

LONGEST_CYCLE_NS = 2_000_000_000
"""Lighting-ups further apart than this are not flashing but switching (30 per minute)."""
FEWEST_FLASHES = 3
"""Lighting-ups that make a spell of flashing."""


class Entry(NamedTuple):
    """From an instant on, a load does this."""

    at_ns: int
    text: str


def spells(output: Series[float], end_ns: int) -> list[Entry]:
    """What an output did, from power-up to the end. Being off from the beginning is no entry."""
    edges = [(at_ns, level) for at_ns, level in output.changes() if at_ns <= end_ns]
    if edges and edges[0][1] <= 0:
        edges = edges[1:]
    found: list[Entry] = []
    index = 0
    while index < len(edges):
        taken = _flashing(edges, index)
        if taken:
            found += _flash_entries(edges[index : index + taken], end_ns)
            index += taken
        else:
            found.append(Entry(edges[index][0], _state(edges[index][1])))
            index += 1
    return found


def _flashing(edges: Sequence[tuple[int, float]], start: int) -> int:
    """How many edges from ``start`` on belong to one spell of flashing; 0 when there is none."""
    rises = 0
    index = start
    while index < len(edges) and edges[index][1] > 0:
        if index > start and edges[index][0] - edges[index - 2][0] > LONGEST_CYCLE_NS:
            break
        rises += 1
        if index + 1 >= len(edges) or edges[index + 1][1] > 0:
            index += 1
            break
        index += 2
    return index - start if rises >= FEWEST_FLASHES else 0


def _flash_entries(edges: Sequence[tuple[int, float]], end_ns: int) -> Iterator[Entry]:
    rises = [at_ns for at_ns, level in edges if level > 0]
    cycle_ns = (rises[-1] - rises[0]) // (len(rises) - 1)
    yield Entry(rises[0], f"flashing, {round(60e9 / cycle_ns)} per minute")
    last_ns, level = edges[-1]
    if end_ns - last_ns > cycle_ns:
        yield Entry(last_ns, _state(level))


def _state(level: float) -> str:
    if level <= 0:
        return "off"
    return "on" if level >= 1 else f"on at {level:.0%}"
