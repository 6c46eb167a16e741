"""What the fuses of the brown-out detector make of a node's supply, against the data sheets of the
ATmega328P (DS40002061) and the ATmega2560 (DS40002211): "BODLEVEL fuse coding", "Speed grades",
"Brown-out detector", "Power-on reset"; figures from memory.
"""

from __future__ import annotations

import pytest

from linkloss.cli.from_nodes import car_from_nodes
from linkloss.firmware.avr import CHIPS
from linkloss.problem import BadInput
from linkloss.vehicle.loading import load_vehicle

MHZ = 1_000_000


@pytest.mark.parametrize(
    ("chip", "mhz", "volts"),
    [
        ("atmega328p", 20, 4.5), ("atmega328p", 16, 3.78), ("atmega328p", 10, 2.7),
        ("atmega328p", 8, 2.4), ("atmega328p", 4, 1.8), ("atmega328p", 1, 1.8),
        ("atmega2560", 16, 4.5), ("atmega2560", 8, 2.7), ("atmega2560", 12, 3.6),
    ],
)  # fmt: skip
def test_a_faster_clock_needs_more_voltage(chip, mhz, volts):
    """Speed grades: between two points the limit is a straight line."""
    assert CHIPS[chip].least_volts(mhz * MHZ) == pytest.approx(volts)


@pytest.mark.parametrize(
    ("level", "mhz", "resets", "wild"),
    [
        (4.3, 16, 4.3, 4.3), (4.3, 20, 4.3, 4.3), (2.7, 16, 2.7, 3.78), (2.7, 8, 2.7, 2.7),
        (1.8, 8, 1.8, 2.4), (1.8, 4, 1.8, 1.8), (0.0, 16, 1.3, 3.78), (0.0, 1, 1.3, 1.8),
    ],
)  # fmt: skip
def test_below_what_it_needs_and_above_its_level_it_may_do_anything(level, mhz, resets, wild):
    """Each level is tested to hold for the speed of its voltage."""
    found = CHIPS["atmega328p"].detector(level, mhz * MHZ)
    assert found == (pytest.approx(resets), pytest.approx(wild))


def car(folder, fuses, supply="", changes=()):
    for name, content in car_from_nodes("dash,rear=image").files.items():
        text = content.decode()
        if name == "vehicle.toml":
            text = text.replace('board = "uno"\n', f'board = "uno"\nfuses = {{ {fuses} }}\n')
            head, _, tail = text.rpartition('brown_out = "5.6 V"\n')
            text = head + supply + tail
        for old, new in changes:
            text = text.replace(old, new)
        (folder / name).write_text(text, encoding="utf-8")
    return load_vehicle(folder / "vehicle.toml").nodes["rear"].supply


def test_the_voltages_at_the_terminals_are_higher_by_what_the_regulator_takes(tmp_path):
    own = car(tmp_path, 'brown_out = "4.3 V"')
    assert (own.brown_out, own.brown_out_detector, own.hysteresis) == (5.6, True, 0.05)
    own = car(tmp_path, 'brown_out = "2.7 V"', 'regulator_drop = "0.5 V"\n')
    assert (own.brown_out, own.least, own.brown_out_detector) == (4.28, 3.2, False)
    own = car(tmp_path, 'brown_out = "off"', 'hysteresis = "0.2 V"\n')
    assert (own.brown_out, own.least, own.hysteresis) == (5.08, 2.6, 0.2)
    slow = (('target = "avr" ', 'target = "avr"\nclock = "8 MHz" '),)
    own = car(tmp_path, 'brown_out = "2.7 V"', changes=slow)
    assert (own.brown_out, own.least, own.brown_out_detector) == (4.0, None, True)


@pytest.mark.parametrize(
    ("fuses", "supply", "told"),
    [
        (
            'brown_out = "4.3 V"',
            'brown_out = "6 V"\n',
            "expected no 'brown_out' in its table 'supply'",
        ),
        ('brown_out = "off"', 'least = "4 V"\n', "expected no 'least' in its table 'supply'"),
        ('brown_out = "4.2 V"', "", "4.3 V"),
    ],
)
def test_what_does_not_fit_is_told(tmp_path, fuses, supply, told):
    with pytest.raises(BadInput, match=told):
        car(tmp_path, fuses, supply)
