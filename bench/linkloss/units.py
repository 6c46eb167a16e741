"""Quantities with their units, and the plain numbers that the bench works with.

Users write ``"250 ms"``. Durations become whole nanoseconds, bit rates whole bits per
second, everything else a float in the base unit of its kind. A number without a unit is a
mistake: 250 of what?
"""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any

from pydantic import BeforeValidator, ValidationInfo, WithJsonSchema

_NUMBER = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*?)?\s*")

_UNITS: dict[str, dict[str, Decimal]] = {
    "duration": {
        "ns": Decimal(1),
        "us": Decimal(1_000),
        "ms": Decimal(1_000_000),
        "s": Decimal(1_000_000_000),
        "min": Decimal(60_000_000_000),
        "h": Decimal(3_600_000_000_000),
        "d": Decimal(86_400_000_000_000),
    },
    "bit rate": {
        "bit/s": Decimal(1),
        "kbit/s": Decimal(1_000),
        "Mbit/s": Decimal(1_000_000),
    },
    "current": {"mA": Decimal("0.001"), "A": Decimal(1)},
    "voltage": {"mV": Decimal("0.001"), "V": Decimal(1)},
    "power": {"mW": Decimal("0.001"), "W": Decimal(1), "kW": Decimal(1000)},
    "resistance": {"mohm": Decimal("0.001"), "ohm": Decimal(1)},
    "length": {"mm": Decimal("0.001"), "cm": Decimal("0.01"), "m": Decimal(1)},
    "temperature": {"degC": Decimal(1)},
    "charge": {"mAh": Decimal("0.001"), "Ah": Decimal(1)},
    "share": {"%": Decimal("0.01")},
    "capacitance": {"uF": Decimal("0.000001"), "mF": Decimal("0.001"), "F": Decimal(1)},
    "drift": {"ppm": Decimal(1)},
    "frequency": {"Hz": Decimal(1), "kHz": Decimal(1000)},
    "clock": {"Hz": Decimal(1), "kHz": Decimal(1000), "MHz": Decimal(1_000_000)},
}
_WILDEST_PPM = 100_000
"""A bare RC oscillator is off by up to 10 % (from memory)."""
_LARGEST = Decimal(2**63 - 1)
"""In the base unit of its kind; for durations 292 years."""

FROM_FILE = {"from": "file"}
"""The context of validating what a user wrote: a bare number is a mistake there."""

_EXAMPLE = {
    "duration": "250 ms",
    "bit rate": "250 kbit/s",
    "current": "7.5 A",
    "voltage": "12.6 V",
    "power": "21 W",
    "resistance": "8 mohm",
    "length": "2.5 m",
    "temperature": "60 degC",
    "charge": "60 Ah",
    "share": "25 %",
    "capacitance": "470 uF",
    "drift": "100 ppm",
    "frequency": "200 Hz",
    "clock": "16 MHz",
}


_ASCII = {
    "\u00b5": "u",  # micro sign
    "\u03bc": "u",  # Greek small letter mu
    "\u03a9": "ohm",  # Greek capital letter omega
    "\u2126": "ohm",  # ohm sign
    "\u00b0C": "degC",
    "\u2103": "degC",  # degree Celsius
    "\u00b2": "2",
}
"""How people write units -> how they stand in the tables here."""


def ascii_unit(unit: str) -> str:
    """A unit as people write it, such as \u00b5s, \u03a9 or \u00b0C, in plain letters."""
    for written, plain_letters in _ASCII.items():
        unit = unit.replace(written, plain_letters)
    return unit


def shown_unit(text: str) -> str:
    """A text of ours with its units as people write them: ``mm2`` as mm\u00b2, ``degC`` as
    \u00b0C.
    """
    return re.sub(r"(?<![A-Za-z])mm2\b", "mm\u00b2", re.sub(r"\bdegC\b", "\u00b0C", text))


def parse_quantity(text: object, kind: str) -> Decimal:
    """Read ``"<number> <unit>"`` of a kind (duration, bit rate, current, voltage, ...).

    Returns the value in the base unit of the kind (ns, bit/s, A, V, W, ohm, m, degC, Ah, F). Raises
    ValueError with a text for the user: the units that fit and an example.
    """
    units = _UNITS[kind]
    expected = _expected(kind)
    if not isinstance(text, str):
        raise ValueError(f"got {text!r}; {expected}")
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ValueError(f"cannot read '{text}'; {expected}")
    number, unit = match.groups()
    if unit is None:
        raise ValueError(f"'{text}' has no unit; {expected}")
    if (named := ascii_unit(unit)) not in units:
        raise ValueError(f"'{unit}' is no unit of {kind}; {expected}")
    try:
        value = Decimal(number)
    except InvalidOperation:  # an exponent beyond all bounds
        value = Decimal("Infinity")
    if value.adjusted() > _LARGEST.adjusted() or abs(value) * units[named] > _LARGEST:
        raise ValueError(f"'{text}' is too large for a {kind}")
    return value * units[named]


def _expected(kind: str) -> str:
    return f"expected a {kind} with its unit ({', '.join(_UNITS[kind])}), like '{_EXAMPLE[kind]}'"


def _no_bare_number(kind: str) -> BeforeValidator:
    """Numbers without a unit are accepted in models that Python code builds, not in what users
    write.
    """

    def refuse(value: object, info: ValidationInfo) -> object:
        if (info.context or {}).get("from") == "file" and isinstance(value, int | float):
            raise ValueError(f"got {value!r}; {_expected(kind)}")
        return value

    return BeforeValidator(refuse)


def parse_duration(text: object) -> int:
    """A duration in whole nanoseconds; never negative. Raises ValueError."""
    if isinstance(text, int) and not isinstance(text, bool):
        return text  # already parsed: a model that is built in Python
    value = parse_quantity(text, "duration")
    if value < 0:
        raise ValueError(f"'{text}' is negative; a duration is zero or more")
    return int(value.to_integral_value())


def ns_in(unit: str | None) -> int | None:
    """A unit of time in ns; None for anything else."""
    size = _UNITS["duration"].get(unit or "")
    return None if size is None else int(size)


def parse_bit_rate(text: object) -> int:
    """A bit rate in whole bits per second, 10 kbit/s to 1 Mbit/s. Raises ValueError."""
    if isinstance(text, int) and not isinstance(text, bool):
        return text
    value = int(parse_quantity(text, "bit rate").to_integral_value())
    if not 10_000 <= value <= 1_000_000:
        raise ValueError(f"'{text}' is out of range; classical CAN runs at 10 kbit/s to 1 Mbit/s")
    return value


def parse_data_bit_rate(text: object) -> int:
    """A data bit rate of CAN FD in whole bits per second, up to 8 Mbit/s. Raises ValueError."""
    if isinstance(text, int) and not isinstance(text, bool):
        return text
    value = int(parse_quantity(text, "bit rate").to_integral_value())
    if not 10_000 <= value <= 8_000_000:  # the largest of ISO 11898-2:2016, from memory
        raise ValueError(f"'{text}' is out of range; CAN FD runs its data at up to 8 Mbit/s")
    return value


def parse_current(text: object) -> float:
    """A current in amperes. Raises ValueError."""
    return float(text) if isinstance(text, float) else float(parse_quantity(text, "current"))


def parse_voltage(text: object) -> float:
    """A voltage in volts. Raises ValueError."""
    return float(text) if isinstance(text, float) else float(parse_quantity(text, "voltage"))


def parse_drift(text: object) -> float:
    """How much too fast a clock runs, in parts per million; negative: too slow. Raises
    ValueError.
    """
    value = text if isinstance(text, float) else float(parse_quantity(text, "drift"))
    if abs(value) > _WILDEST_PPM:
        raise ValueError(f"'{text}' is out of range; a clock is wrong by up to {_WILDEST_PPM} ppm")
    return value


def parse_length(text: object) -> float:
    """A length in metres; never negative. Raises ValueError."""
    value = text if isinstance(text, float) else float(parse_quantity(text, "length"))
    if value < 0:
        raise ValueError(f"'{text}' is negative; a length is zero or more")
    return value


QUANTITY = "x-quantity"
"""In the schema of a model: the kind of a quantity, for who writes its default with a unit."""


def write_quantity(value: float, kind: str) -> str:
    """A quantity in the base unit of its kind as a text that reads back the same."""
    if kind == "duration":
        return write_duration(int(value))
    if kind == "bit rate":
        return write_bit_rate(int(value))
    if kind == "clock" and value % 1_000_000 == 0:
        return f"{plain(value / 1_000_000)} MHz"
    base = next(unit for unit, size in _UNITS[kind].items() if size == 1)
    return f"{plain(value)} {base}"


def _schema(kind: str) -> WithJsonSchema:
    return WithJsonSchema(
        {
            "type": "string",
            "description": f"a {kind} with its unit",
            "examples": [_EXAMPLE[kind]],
            QUANTITY: kind,
        },
    )


Duration = Annotated[
    int, BeforeValidator(parse_duration), _no_bare_number("duration"), _schema("duration")
]
BitRate = Annotated[
    int, BeforeValidator(parse_bit_rate), _no_bare_number("bit rate"), _schema("bit rate")
]
DataBitRate = Annotated[
    int, BeforeValidator(parse_data_bit_rate), _no_bare_number("bit rate"), _schema("bit rate")
]
Current = Annotated[
    float, BeforeValidator(parse_current), _no_bare_number("current"), _schema("current")
]

Voltage = Annotated[
    float, BeforeValidator(parse_voltage), _no_bare_number("voltage"), _schema("voltage")
]
Drift = Annotated[float, BeforeValidator(parse_drift), _no_bare_number("drift"), _schema("drift")]
Length = Annotated[
    float, BeforeValidator(parse_length), _no_bare_number("length"), _schema("length")
]


def _read(kind: str) -> BeforeValidator:
    """Read text with a unit of that kind; a number is in the base unit already."""

    def read(value: object) -> float:
        return value if isinstance(value, float) else float(parse_quantity(value, kind))

    return BeforeValidator(read)


Power = Annotated[float, _read("power"), _no_bare_number("power"), _schema("power")]
Resistance = Annotated[
    float, _read("resistance"), _no_bare_number("resistance"), _schema("resistance")
]
Temperature = Annotated[
    float, _read("temperature"), _no_bare_number("temperature"), _schema("temperature")
]
Charge = Annotated[float, _read("charge"), _no_bare_number("charge"), _schema("charge")]
Capacitance = Annotated[
    float, _read("capacitance"), _no_bare_number("capacitance"), _schema("capacitance")
]
Frequency = Annotated[float, _read("frequency"), _no_bare_number("frequency"), _schema("frequency")]


def parse_clock(text: object) -> int:
    """The rate of an oscillator in whole hertz, 100 kHz to 100 MHz. Raises ValueError."""
    if isinstance(text, int) and not isinstance(text, bool):
        return text
    value = int(parse_quantity(text, "clock").to_integral_value())
    if not 100_000 <= value <= 100_000_000:
        raise ValueError(f"'{text}' is out of range; an oscillator runs at 100 kHz to 100 MHz")
    return value


Clock = Annotated[int, BeforeValidator(parse_clock), _no_bare_number("clock"), _schema("clock")]


def parse_share(value: object) -> float:
    """A share, ``"25 %"`` or a number from 0 to 1, as a number from 0 to 1. Raises ValueError."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    share = float(value) if number else float(parse_quantity(value, "share"))  # type: ignore[arg-type]
    if not 0 <= share <= 1:
        raise ValueError(f"got {value!r}; expected a share from 0 % to 100 %, like '25 %'")
    return share


Share = Annotated[
    float,
    BeforeValidator(parse_share),
    WithJsonSchema(
        {
            "type": ["string", "number"],
            "description": "a share, as a number or in percent",
            "examples": ["25 %", 0.25],
        },
    ),
]


def show_duration(ns: int) -> str:
    """A duration as a person writes it: ``1.5 s``, ``312 ms``, ``40 us``, ``1 ns``."""
    size = abs(ns)
    if size >= 1_000_000_000:
        return f"{_short(ns, 1_000_000_000)} s"
    if size >= 1_000_000:
        return f"{_short(ns, 1_000_000)} ms"
    if size >= 1_000:
        return f"{_short(ns, 1_000)} us"
    return f"{ns} ns"


def write_duration(ns: int) -> str:
    """A duration exactly, in the largest unit that needs no fraction: it reads back the same."""
    for unit in ("s", "ms", "us"):
        size = int(_UNITS["duration"][unit])
        if ns % size == 0:
            return f"{ns // size} {unit}"
    return f"{ns} ns"


def write_bit_rate(bit_rate: int) -> str:
    """A bit rate exactly, in the largest unit that needs no fraction."""
    for unit in ("Mbit/s", "kbit/s"):
        size = int(_UNITS["bit rate"][unit])
        if bit_rate % size == 0:
            return f"{bit_rate // size} {unit}"
    return f"{bit_rate} bit/s"


def write_voltage(volts: float) -> str:
    """A voltage so that it reads back the same: ``12.6 V``."""
    return f"{plain(volts)} V"


def write_drift(ppm: float) -> str:
    """The drift of a clock so that it reads back the same: ``-100 ppm``."""
    return f"{plain(ppm)} ppm"


def write_length(metres: float) -> str:
    """A length so that it reads back the same: ``7.5 m``."""
    return f"{plain(metres)} m"


def _short(ns: int, unit: int) -> str:
    return f"{Decimal(ns) / unit:.4g}" if abs(ns) < 1000 * unit else str(round(ns / unit))


def plain(value: Any) -> str:
    """An input's value as a person writes it: positions as they are, numbers without ``.0``."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)
