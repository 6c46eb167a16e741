"""Covering arrays: few rows in which every value of one parameter meets every value of another.

Most failures need no more than two things to come together, and trying all combinations of many
parameters is out of reach. An array is grown parameter by parameter: each row first gets the value
that makes the most new pairs, then rows are repeated for the pairs that are still missing (the
strategy known as in-parameter-order, Lei and Tai 1998; from memory).

    situation  fault      gap          situation  fault      gap
    night      unplug                  night      unplug     short
    night      reset          -->      night      reset      long
    rain       unplug                  rain       unplug     long
    rain       reset                   rain       reset      short
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from itertools import product
from random import Random
from typing import Any

Row = tuple[Any, ...]
_Missing = dict[tuple[int, Hashable], dict[int, None]]


def pairwise(factors: Sequence[Sequence[Hashable]], random: Random) -> list[Row]:
    """Rows with one value of each factor, so that every two values of different factors meet.

    Values of a factor are distinct. The first two factors are combined in full: put the longest
    ones there. Empty when a factor has no value.
    """
    rows: list[Row] = list(product(*factors[:2]))
    for values in factors[2:]:
        rows = extended(rows, values, random)
    return rows


def extended(rows: Sequence[Row], values: Sequence[Hashable], random: Random) -> list[Row]:
    """The rows with one more parameter, so that every value in them meets every new value.

    Rows are repeated where that takes more of them; no combination appears in the old parameters
    that was not there before, so a combination that makes no sense stays out. Empty without
    values.
    """
    if not values:
        return []
    missing: _Missing = {
        (column, value): dict.fromkeys(range(len(values)))
        for row in rows
        for column, value in enumerate(row)
    }
    used = [0] * len(values)
    found = [(*row, values[_best_value(row, missing, used, random)]) for row in rows]
    examples: dict[tuple[int, Hashable], list[Row]] = {}
    for row in rows:
        for place in enumerate(row):
            examples.setdefault(place, []).append(row)
    for place, lacking in missing.items():
        for index in list(lacking):
            if index not in lacking:
                continue  # another repeated row has brought it
            row = _best_row(examples[place], index, missing, random)
            _meet(row, index, missing)
            found.append((*row, values[index]))
    return found


def _best_value(row: Row, missing: _Missing, used: list[int], random: Random) -> int:
    """The new value that makes the most pairs with a row; of equals the one least used so far."""

    def weight(index: int) -> tuple[int, int]:
        return sum(index in missing[place] for place in enumerate(row)), -used[index]

    best = max(map(weight, range(len(used))))
    index = random.choice([index for index in range(len(used)) if weight(index) == best])
    used[index] += 1
    _meet(row, index, missing)
    return index


def _best_row(rows: Sequence[Row], index: int, missing: _Missing, random: Random) -> Row:
    """The row to repeat with a value that it has not met."""

    def weight(row: Row) -> int:
        return sum(index in missing[place] for place in enumerate(row))

    best = max(map(weight, rows))
    return random.choice([row for row in rows if weight(row) == best])


def _meet(row: Row, index: int, missing: _Missing) -> None:
    for place in enumerate(row):
        missing[place].pop(index, None)
