"""What feeds the car: battery, alternator and node supplies, and the profiles that replace them.

A supply profile is the voltage of the car's positive as a function of time.

The named profiles follow ISO 16750-2:2023, 12 V systems. Their numbers were looked up in a
transcription of the standard by a test project (second hand; they match what the trade remembers of
the editions since 2003). The letters for the times differ between editions: go by the numbers.

A user's own profile, measured or invented, is a CSV file of time and volts.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from itertools import pairwise
from math import ceil, cos, exp, inf, log, pi, sin
from pathlib import Path
from typing import Literal

from linkloss.power.consumers import Line, Lined
from linkloss.problem import BadInput, unknown


@dataclass(slots=True)
class Battery(Lined):
    """An open-circuit voltage in V behind an internal resistance in ohm. It also accepts charge."""

    volts: float = 12.6
    ohm: float = 0.008
    connected: bool = True

    def line(self, volts: float) -> Line:
        """What it draws from the car's positive (negative: it gives), around a voltage there."""
        if not self.connected:
            return Line(0.0, 0.0)
        return Line(1 / self.ohm, -self.volts / self.ohm)


@dataclass(slots=True)
class Alternator(Lined):
    """It regulates to ``volts`` behind ``ohm`` and delivers at most ``amps``; its diodes block
    reverse current.
    """

    volts: float = 14.2
    amps: float = 70.0
    ohm: float = 0.02
    running: bool = False

    def line(self, volts: float) -> Line:
        """What it draws from the car's positive (negative: it gives), around a voltage there."""
        if not self.running or volts >= self.volts:
            return Line(0.0, 0.0)
        if (self.volts - volts) / self.ohm > self.amps:
            return Line(0.0, -self.amps)
        return Line(1 / self.ohm, -self.volts / self.ohm)

    def knees(self) -> tuple[float, ...]:
        """Where full load ends, and where the diodes block."""
        return (self.volts - self.amps * self.ohm, self.volts) if self.running else ()


@dataclass(slots=True)
class NodeSupply:
    """The processor's own supply behind a diode: when it resets, and when it may start again.

    A voltage below ``brown_out`` resets it, once the capacitor behind the diode (``hold_up`` F,
    discharged with ``amps`` A) has run down to it; it may start again from ``brown_out`` +
    ``hysteresis`` on. All voltages are those at the node's terminals: the threshold includes the
    diode's drop.

    With ``least`` there is no brown-out detector: below ``brown_out`` the processor runs on but
    behaves unpredictably (``wild``), down to ``least``, where it stops. From there on it starts
    again like any other.
    """

    brown_out: float = 0.0
    hysteresis: float = 0.0
    hold_up: float = 0.0
    amps: float = 0.08
    least: float | None = None
    held: float = 0.0
    powered: bool = False
    wild: bool = False

    def look(self, volts: float) -> bool:
        """The terminals have this voltage now. Return whether ``powered`` has changed."""
        self.held = max(self.held, volts) if self.hold_up > 0 else volts
        was = self.powered
        if self.powered:
            self.powered = self.held >= self.stops
        else:
            self.powered = volts >= self.stops + self.hysteresis
        self.wild = self.powered and self.held < self.brown_out
        return self.powered != was

    @property
    def stops(self) -> float:
        """The voltage below which the processor stops, in V."""
        return self.brown_out if self.least is None else self.least

    def advance(self, volts: float, dt_s: float) -> None:
        """The capacitor discharges towards the voltage at the terminals."""
        if self.hold_up > 0:
            self.held = max(volts, self.held - self.amps * dt_s / self.hold_up)

    def next_s(self, volts: float) -> float:
        """Time in s until the capacitor has run down to the threshold; inf if it does not."""
        next_v = self.stops if self.wild else self.brown_out
        if not self.powered or self.hold_up == 0 or volts >= next_v or self.amps == 0:
            return inf
        return max(0.0, self.held - next_v) * self.hold_up / self.amps + 1e-9

    def thresholds(self) -> tuple[float, ...]:
        """Terminal voltages at which something may change."""
        if self.powered:
            return (self.stops,) if self.least is None else (self.stops, self.brown_out)
        return (self.stops + self.hysteresis,)


MS = 1_000_000
S = 1_000_000_000
FINEST_V = 0.1
"""The largest voltage step on a ramp."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One piece of a profile: from ``start`` to ``end`` V in ``lasts_ns``, along a line, with a
    sine of ``swing`` V and ``hertz`` Hz around it, or decaying towards ``end`` with a time constant
    of 1 / ``rate`` s.
    """

    lasts_ns: int
    start: float
    end: float
    shape: Literal["line", "sine", "decay"] = "line"
    swing: float = 0.0
    hertz: float = 0.0
    rate: float = 0.0

    def volts(self, t_ns: int) -> float:
        """Volts so long after its beginning."""
        if self.shape == "decay":
            return self.end + (self.start - self.end) * exp(-self.rate * t_ns / 1e9)
        on_line = self.start + (self.end - self.start) * (t_ns / self.lasts_ns)
        if self.shape == "sine":
            return on_line + self.swing * sin(2 * pi * self.hertz * t_ns / 1e9)
        return on_line

    def step_ns(self) -> int:
        """How far apart its points may be, in ns."""
        if self.shape == "sine":
            return round(1e9 / self.hertz / 40)
        if self.shape == "decay":
            return round(1e9 / self.rate / 8)
        return self.lasts_ns // max(1, ceil(abs(self.end - self.start) / FINEST_V - 1e-9))

    def slope(self, t_ns: int) -> float:
        """V/s so long after its beginning."""
        along = (self.end - self.start) * 1e9 / self.lasts_ns
        if self.shape == "decay":
            return self.rate * (self.end - self.volts(t_ns))
        if self.shape == "sine":
            turns = 2 * pi * self.hertz
            return along + self.swing * turns * cos(turns * t_ns / 1e9)
        return along


@dataclass(frozen=True, slots=True)
class Profile:
    """Pieces one after the other; the end of the last one stays. ``ohm`` is the source's
    resistance.
    """

    name: str
    about: str
    pieces: tuple[Piece, ...]
    ohm: float = 0.01
    most: float = 1000.0
    """A clamp limits the voltage to this, in V."""

    @property
    def lasts_ns(self) -> int:
        """Length of all pieces, in ns."""
        return sum(piece.lasts_ns for piece in self.pieces)

    def _at(self, t_ns: int) -> tuple[Piece | None, int]:
        begin_ns = 0
        for piece in self.pieces:
            if t_ns < begin_ns + piece.lasts_ns:
                return piece, begin_ns
            begin_ns += piece.lasts_ns
        return None, begin_ns

    def volts(self, t_ns: int) -> float:
        """Volts so long after its beginning."""
        piece, begin_ns = self._at(t_ns)
        if piece is None:
            last = self.pieces[-1]
            return min(self.most, last.volts(last.lasts_ns))
        return min(self.most, piece.volts(t_ns - begin_ns))

    def slope(self, t_ns: int) -> float:
        """Slope in V/s just after that instant; 0 after the last piece."""
        piece, begin_ns = self._at(t_ns)
        return 0.0 if piece is None else piece.slope(t_ns - begin_ns)

    def next_ns(self, t_ns: int) -> int | None:
        """The next instant at which its voltage must be read again; None if it stays."""
        piece, begin_ns = self._at(t_ns)
        if piece is None:
            return None
        step_ns = max(1, piece.step_ns())
        due_ns = begin_ns + ((t_ns - begin_ns) // step_ns + 1) * step_ns
        return min(due_ns, begin_ns + piece.lasts_ns)


STARTING_V = {1: (8.0, 9.5), 2: (4.5, 6.5), 3: (3.0, 5.0), 4: (6.0, 6.5)}
"""Level -> (first dip, lowest voltage of the plateau) in V."""
STARTING_NS = {
    1: (1 * S, 40 * MS),
    2: (10 * S, 100 * MS),
    3: (1 * S, 100 * MS),
    4: (10 * S, 100 * MS),
}
"""Level -> (length of the plateau, length of the last rise) in ns."""
RIPPLE_V, RIPPLE_HZ = 2.0, 2.0
"""Peak to peak; its trough is the plateau of the table."""


def starting(level: int, *, ripple: bool = True) -> Profile:
    """The starting profile of a level, 1 to 4: from 12 V down in 5 ms, 15 ms dip, 50 ms up,
    plateau, back.
    """
    dip, plateau = STARTING_V[level]
    lasts_ns, rise_ns = STARTING_NS[level]
    middle = plateau + RIPPLE_V / 2 if ripple else plateau
    swing = RIPPLE_V / 2 if ripple else 0.0
    numeral = {1: "I", 2: "II", 3: "III", 4: "IV"}[level]
    return Profile(
        f"starting_{level}",
        f"starting profile, level {numeral}: down to {dip:g} V, then {plateau:g} V",
        (
            Piece(5 * MS, 12.0, dip),
            Piece(15 * MS, dip, dip),
            Piece(50 * MS, dip, middle),
            Piece(lasts_ns, middle, middle, "sine" if ripple else "line", swing, RIPPLE_HZ),
            Piece(rise_ns, middle, 12.0),
        ),
    )


def _pulse(rest: float, level: float, lasts_ns: int, edge_ns: int = 10 * MS) -> tuple[Piece, ...]:
    """From rest to a level, and back after ``lasts_ns``, both along straight edges."""
    return (
        Piece(edge_ns, rest, level),
        Piece(lasts_ns, level, level),
        Piece(edge_ns, level, rest),
    )


def momentary_drop(lowest: float = 8.0) -> Profile:
    """A fuse blows in another circuit: from the lowest operating voltage to 4.5 V for 100 ms."""
    about = "momentary drop: a fuse blows in another circuit; 4.5 V for 100 ms"
    return Profile("momentary_drop", about, _pulse(lowest, 4.5, 100 * MS))


def sag(volts: float) -> Profile:
    """An overloaded battery: from 12 V down within a second, and it stays there."""
    return Profile("sag", f"sag to {volts:g} V", (Piece(1 * S, 12.0, volts),))


def reset_staircase(lowest: float = 8.0) -> Profile:
    """Ever deeper dips of 5 s, each 5 % of the lowest operating voltage deeper, with 10 s between
    them.
    """
    pieces: list[Piece] = []
    for step in range(1, 21):
        pieces += _pulse(lowest, lowest * (1 - 0.05 * step), 5 * S)
        pieces.append(Piece(10 * S, lowest, lowest))
    return Profile("reset_staircase", "reset behaviour: ever deeper dips of 5 s", tuple(pieces))


def load_dump(
    peak: float = 101.0, lasts_ns: int = 400 * MS, ohm: float = 2.0, clamp: float | None = None
) -> Profile:
    """The battery is disconnected from a charging alternator: 10 ms up from 14 V, then an
    exponential decay.

    ``lasts_ns`` is the length of the pulse between the points at a tenth of its height; the
    alternator's own diodes limit the voltage to ``clamp`` V (form B), None: no limit.
    """
    form = "A, not clamped" if clamp is None else f"B, clamped to {clamp:g} V"
    rate = log(10) * 1e9 / lasts_ns
    return Profile(
        "load_dump" if clamp is None else "load_dump_clamped",
        f"load dump, form {form}",
        (
            Piece(10 * MS, 14.0, peak),
            Piece(3 * lasts_ns, peak, 14.0, "decay", rate=rate),
            Piece(MS, 14.0 + (peak - 14.0) * 1e-3, 14.0),
        ),
        ohm,
        1000.0 if clamp is None else clamp,
    )


def jump_start() -> Profile:
    """Help from a 24 V system: from 10.8 V to 26 V for 60 s (24 V in editions to 2012)."""
    return Profile("jump_start", "jump start: 26 V for 60 s", _pulse(10.8, 26.0, 60 * S))


def over_voltage() -> Profile:
    """Transient over-voltage: from 16 V to 18 V for 400 ms, edges of 1 ms."""
    about = "alternator surge: 18 V for 400 ms"
    return Profile("over_voltage", about, _pulse(16.0, 18.0, 400 * MS, MS))


def slow_ramp() -> Profile:
    """A battery runs flat and is charged again: 14 V to 0 and back at 0.5 V/min."""
    ramp_ns = 28 * 60 * S
    return Profile(
        "slow_ramp",
        "slow ramp: 14 V to nothing and back at 0.5 V per minute",
        (Piece(ramp_ns, 14.0, 0.0), Piece(ramp_ns, 0.0, 14.0)),
    )


PROFILES: dict[str, Callable[[], Profile]] = {
    "starting_1": lambda: starting(1),
    "starting_2": lambda: starting(2),
    "starting_3": lambda: starting(3),
    "starting_4": lambda: starting(4),
    "momentary_drop": momentary_drop,
    "reset_staircase": reset_staircase,
    "load_dump": load_dump,
    "load_dump_clamped": lambda: load_dump(clamp=35.0),
    "jump_start": jump_start,
    "over_voltage": over_voltage,
    "slow_ramp": slow_ramp,
}


def from_points(name: str, points: Iterable[tuple[int, float]]) -> Profile:
    """A profile of straight lines from point to point, given as (ns from the first, V)."""
    known = list(points)
    pieces = [Piece(t1 - t0, v0, v1) for (t0, v0), (t1, v1) in pairwise(known)]
    return Profile(name, f"{name}: {len(known)} points", tuple(pieces))


HEADER = ["time_s", "volts"]
HIGHEST_V = 200


def named_profile(text: str, folder: Path, *, file: str = "linkloss", where: str = "") -> Profile:
    """A profile by its name, or from a CSV file relative to a folder.

    ``file`` and ``where`` say in which file and at which key the text is, for the error.

    :raises BadInput: if there is no such profile, or its file is wrong (:func:`read_profile`).
    """
    if text in PROFILES:
        return PROFILES[text]()
    if text.endswith(".csv"):
        return read_profile(folder / text)
    told = unknown("supply profile", text, PROFILES)
    raise BadInput.one(file, where, f"{told}; or the name of a .csv file")


def read_profile(path: Path) -> Profile:
    """A profile from a CSV file: the heading ``time_s,volts``, then one line for each point.

    The profile begins at the first time.

    :raises BadInput: for a missing file, another heading, a cell that is not a number, times that
    do not rise, voltages outside -200 to 200 V, or fewer than two points.
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
