"""A supply profile that a user measured or made up: a CSV file of time and volts."""

from __future__ import annotations

import csv
from decimal import Decimal, InvalidOperation
from pathlib import Path

from linkloss.model.problem import BadInput, unknown
from linkloss.power.profiles import PROFILES, Profile, from_points

HEADER = ["time_s", "volts"]
HIGHEST_V = 200


def named_profile(text: str, folder: Path, *, file: str = "linkloss", where: str = "") -> Profile:
    """A profile by its name, or from a CSV file relative to a folder. Raises BadInput.

    ``file`` and ``where`` say in which file and at which key the text stands.
    """
    if text in PROFILES:
        return PROFILES[text]()
    if text.endswith(".csv"):
        return read_profile(folder / text)
    told = unknown("supply profile", text, PROFILES)
    raise BadInput.one(file, where, f"{told}; or the name of a .csv file")


def read_profile(path: Path) -> Profile:
    """A profile from a CSV file: a heading ``time_s,volts``, then seconds and volts line by line.

    The first time is its beginning. Raises BadInput: no such file, another heading, what is no
    number, times that do not rise, voltages beyond -200 to 200 V, fewer than two points.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = [(number, row) for number, row in enumerate(csv.reader(stream), 1) if row]
    except FileNotFoundError:
        text = "there is no such file; expected a supply profile"
        raise BadInput.one(path, "", text) from None
    except UnicodeDecodeError:
        text = "this is no text in UTF-8; expected a supply profile"
        raise BadInput.one(path, "", text) from None
    except (OSError, csv.Error) as error:
        raise BadInput.one(path, "", f"cannot be read: {error}") from None
    if not rows or [cell.strip() for cell in rows[0][1]] != HEADER:
        got = ",".join(rows[0][1]) if rows else "nothing"
        text = f"got '{got}'; expected the heading '{','.join(HEADER)}'"
        raise BadInput.one(path, "", text, 1)
    points: list[tuple[int, float]] = []
    before: Decimal | None = None
    for number, row in rows[1:]:
        seconds, volts = _point(path, number, row)
        at_ns = int((seconds * 10**9).to_integral_value())
        if points and at_ns <= points[-1][0]:
            text = f"got {seconds} after {before}; each time comes after the last"
            raise BadInput.one(path, "time_s", text, number)
        points.append((at_ns, float(volts)))
        before = seconds
    if len(points) < 2:
        raise BadInput.one(path, "", "expected two points or more: time in s, voltage in V")
    return from_points(path.name, [(at_ns - points[0][0], volts) for at_ns, volts in points])


def _point(path: Path, number: int, row: list[str]) -> tuple[Decimal, Decimal]:
    if len(row) != len(HEADER):
        text = f"got {len(row)} columns; expected a time in s and a voltage in V"
        raise BadInput.one(path, "", text, number)
    seconds, volts = (
        _number(path, number, key, cell, most)
        for key, cell, most in zip(HEADER, row, (10**9, HIGHEST_V), strict=True)
    )
    return seconds, volts


def _number(path: Path, line: int, key: str, cell: str, most: int) -> Decimal:
    try:
        value = Decimal(cell.strip())
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite():
        raise BadInput.one(path, key, f"got '{cell.strip()}'; expected a number", line)
    if abs(value) > most:
        raise BadInput.one(path, key, f"got {value}; expected from -{most} to {most}", line)
    return value
