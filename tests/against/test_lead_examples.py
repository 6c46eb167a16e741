"""Leads against worked examples: what others say a lead loses and which one they would take.

Ours are the largest resistances that a standard for vehicle cable allows (ISO 6722-1, from memory);
examples that reckon with bare copper come out up to a tenth lower.
"""

from __future__ import annotations

import pytest

from linkloss.power.consumers import IES_LIGHT
from linkloss.power.leads import (
    LEAD_OHM_PER_M,
    METRIC_SIZES,
    Lead,
    amperes,
    awg_mm2,
    ohm_per_m,
    parse_size,
)
from linkloss.vehicle.electrical import drop_volts

FOOT = 0.3048
COPPER_20 = 0.017241
"""Resistivity of annealed copper in ohm mm2/m: 100 % IACS (IEC 60028), looked up."""


def smallest(amps: float, metres: float, volts: float) -> float:
    """The smallest size that loses no more than so many volts."""
    return next(size for size in METRIC_SIZES if Lead(size, metres).ohm * amps <= volts)


def test_a_mast_lamp_of_25_w_at_18_m_wants_2_5_mm2():
    """A boat shop's example, looked up: two cores, 5 % of 12 V; its own formula gives 2.25 mm2."""
    assert smallest(25 / 12, 2 * 18, 0.6) == 2.5


def test_a_bilge_pump_of_10_a_wants_16_awg():
    """A marine supplier's example, looked up: 11 ft out, 10 ft back, 10 % of 12 V; with the table
    of solid wires 0.84 V, and 1.34 V on 18 AWG.
    """
    length = 21 * FOOT
    sixteen, eighteen = (Lead(parse_size(f"{n} AWG"), length).ohm * 10 for n in (16, 18))
    assert 0.84 < sixteen < 0.84 * 1.1
    assert 1.34 < eighteen < 1.34 * 1.1
    assert sixteen < 1.2 < eighteen


def test_ten_amperes_through_5_m_of_1_5_mm2():
    """An engine maker's formula, looked up: I x 0.0175 x L / A = 0.58 V."""
    assert 0.58 < Lead(1.5, 5).ohm * 10 < 0.58 * 1.1
    bare = COPPER_20 * 5 / 1.5 * 10
    assert bare == pytest.approx(0.58, rel=0.02)


@pytest.mark.parametrize(
    ("amps", "metres", "mm2", "degc", "volts"),
    [  # arithmetic on the table of ISO 6722-1 (from memory)
        (9.17, 4, 1.5, 20, 0.466),  # two dipped beams, back through the body
        (9.17, 8, 1.5, 20, 0.93),  # the same with a lead back
        (20, 3, 2.5, 20, 0.456),  # a fan
        (20, 3, 2.5, 85, 0.572),
        (7, 10, 1.5, 20, 0.889),  # a fuel pump, 5 m out and back
        (7, 10, 1.5, 60, 1.03),
    ],
)
def test_worked_drops(amps, metres, mm2, degc, volts):
    assert Lead(mm2, metres, degc).ohm * amps == pytest.approx(volts, rel=0.005)


@pytest.mark.parametrize(("lost", "light"), [(0.466, 0.88), (0.93, 0.78)])
def test_what_a_dipped_beam_loses_of_its_light(lost, light):  # IES exponent, from memory
    assert (1 - lost / 13.2) ** IES_LIGHT == pytest.approx(light, abs=0.01)


@pytest.mark.parametrize(
    ("mm2", "class_5"),
    [(0.5, 39.0), (0.75, 26.0), (1, 19.5), (1.5, 13.3), (2.5, 7.98), (4, 4.95), (6, 3.30),
     (10, 1.91), (16, 1.21), (25, 0.780), (35, 0.554), (50, 0.386)],
)  # fmt: skip
def test_the_table_lies_between_bare_copper_and_iec_60228(mm2, class_5):
    """IEC 60228 class 5, plain, at 20 degC in mohm/m: looked up."""
    assert COPPER_20 / mm2 < ohm_per_m(mm2) < class_5 / 1000


@pytest.mark.parametrize(
    ("gauge", "ohm_per_1000_ft"), [(20, 10.15), (18, 6.385), (16, 4.016), (14, 2.525), (10, 0.999)]
)
def test_gauges_have_the_resistance_of_their_copper(gauge, ohm_per_1000_ft):
    """Solid wires (from memory); the table of metric leads allows up to 12 % more."""
    bare = ohm_per_1000_ft / (1000 * FOOT)
    assert COPPER_20 / awg_mm2(gauge) == pytest.approx(bare, rel=0.01)
    assert bare < ohm_per_m(awg_mm2(gauge)) < 1.12 * bare


@pytest.mark.parametrize(("degc", "factor"), [(-40, 0.764), (50, 1.118), (85, 1.255), (105, 1.334)])
def test_copper_resists_more_when_it_is_warm(degc, factor):  # alpha 0.00393/K, from memory
    assert ohm_per_m(2.5, degc) / ohm_per_m(2.5) == pytest.approx(factor, abs=0.001)


@pytest.mark.parametrize(
    ("mm2", "amps"),
    [(0.5, 11), (0.75, 14), (1, 16.5), (1.5, 21), (2, 25), (2.5, 29), (4, 39), (6, 50), (10, 70)],
)
def test_what_thin_wall_cable_carries(mm2, amps):
    """A cable maker's list for free air at 30 degC, looked up."""
    assert amperes(mm2) == pytest.approx(amps)


def test_a_lead_carries_less_where_it_is_hot_or_in_company():
    assert amperes(2.5, 105) == 0
    assert amperes(2.5, 60) == pytest.approx(29 * (45 / 75) ** 0.5)
    assert amperes(2.5, bundled=5) == pytest.approx(29 * 0.7)


def test_every_size_of_the_table_is_its_own_interpolation():
    for mm2, ohm in LEAD_OHM_PER_M:
        assert ohm_per_m(mm2) == pytest.approx(ohm)
    between = [ohm_per_m(mm2 / 10) for mm2 in range(2, 500)]
    assert between == sorted(between, reverse=True)


THREE_PERCENT = (5, 10, 15, 20, 25, 30, 40, 50, 60, 70, 80, 90, 100)
"""Length there and back in ft."""
GAUGES = {
    10: (18, 14, 12, 12, 10, 10, 8, 8, 6, 6, 6, 4, 4),
    15: (16, 12, 10, 10, 8, 8, 6, 6, 4, 4, 4, 2, 2),
    20: (14, 10, 10, 8, 6, 6, 6, 4, 4, 2, 2, 2, 2),
}
"""A marine supplier's table of AWG by A, looked up: 3 % of 12 V, for what must work."""


@pytest.mark.parametrize("amps", GAUGES)
def test_what_a_table_for_3_percent_takes_loses_3_percent_and_the_next_thinner_more(amps):
    """The table has even gauges alone and rounds up at times; ours have up to a tenth more ohm."""
    for feet, gauge in zip(THREE_PERCENT, GAUGES[amps], strict=True):
        allowed = drop_volts("3 %", 12)
        taken, thinner = (
            Lead(awg_mm2(each), feet * FOOT).ohm * amps for each in (gauge, gauge + 2)
        )
        assert taken < 1.12 * allowed, (feet, gauge)
        assert thinner > 0.9 * allowed, (feet, gauge)
