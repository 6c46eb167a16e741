"""Kirchhoff's laws: small circuits whose answer stands on paper, and sums that must be zero."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.power.circuit import BODY, Circuit, Element
from linkloss.power.consumers import Electronics, Heater, Led
from linkloss.power.supply import Alternator, Battery


def battery(volts: float = 12.0, ohm: float = 0.1, point: int = 0) -> Element:
    return Element(point, BODY, 0.0, Battery(volts, ohm), volts=volts)


def test_a_divider():
    circuit = Circuit(1)
    load = Element(0, BODY, 0.4, Heater(12, 24))  # 0.5 ohm
    circuit.solve([battery(), load])
    assert circuit.volts[0] == pytest.approx(10.8)
    assert load.amps == pytest.approx(12)
    assert load.volts == pytest.approx(10.8)


def test_a_return_through_another_lead():
    """The ground of point 1 is lost: its current goes by a link of 0.5 ohm to point 2."""
    circuit = Circuit(3)
    circuit.lead(1, 2, 1 / 0.5)
    circuit.lead(2, BODY, 1 / 0.1)
    load = Element(0, 1, 0.0, Heater(12, 20))  # 0.6 ohm
    circuit.solve([battery(12, 0.1), load])
    assert load.amps == pytest.approx(12 / 1.3)
    assert circuit.volts[1] == pytest.approx(12 / 1.3 * 0.6)


def test_without_any_return_nothing_flows():
    circuit = Circuit(2)
    load = Element(0, 1, 0.0, Heater(12, 20))
    circuit.solve([battery(), load])
    assert load.amps == pytest.approx(0, abs=1e-6)
    assert circuit.volts[1] == pytest.approx(circuit.volts[0])


def test_the_limit_of_a_switch_holds_whatever_hangs_on_it():
    circuit = Circuit(1)
    load = Element(0, BODY, 0.01, Heater(12, 1200), limit=40.0)
    circuit.solve([battery(), load])
    assert load.amps == pytest.approx(40)
    assert circuit.volts[0] == pytest.approx(8.0)


def test_half_the_time_is_half_the_current():
    circuit = Circuit(1)
    load = Element(0, BODY, 0.0, Heater(12, 12), duty=0.5)
    circuit.solve([battery(12, 1e-6), load])
    assert load.amps == pytest.approx(6, rel=1e-5)


@pytest.mark.parametrize(
    ("volts", "knee", "amps"), [(12.0, 6.0, 0.3), (5.0, 6.0, 0.0), (9.0, 6.0, 0.15)]
)
def test_a_knee_is_found(volts, knee, amps):
    circuit = Circuit(1)
    led = Element(0, BODY, 0.0, Led(12, 0.3, knee))
    circuit.solve([battery(volts, 1e-6), led])
    assert led.amps == pytest.approx(amps, abs=1e-6)


@pytest.mark.parametrize("load_amps", [0, 10, 60, 91, 100, 150])
def test_an_alternator_gives_what_it_can(load_amps):
    """14.2 V behind 0.02 ohm, 92 A at most, beside 12.6 V behind 0.1 ohm: before the limit
    (14.2 - V) / 0.02 + (12.6 - V) / 0.1 = load; at the limit V = 12.6 - 0.1 (load - 92).
    """
    circuit = Circuit(1)
    alternator = Element(0, BODY, 0.0, Alternator(14.2, 92, 0.02, running=True), volts=14.2)
    cell = battery(12.6, 0.1)
    circuit.solve([cell, alternator, Element(0, BODY, 0.0, Electronics(load_amps))])
    free = (14.2 / 0.02 + 12.6 / 0.1 - load_amps) / 60
    volts = free if (14.2 - free) / 0.02 <= 92 else 12.6 - 0.1 * (load_amps - 92)
    assert circuit.volts[0] == pytest.approx(volts)
    assert -cell.amps - alternator.amps == pytest.approx(load_amps, abs=1e-6)


BENT = st.one_of(
    st.builds(Electronics, st.floats(0.1, 100)),
    st.builds(Led, st.just(12.0), st.floats(0.01, 20), st.floats(1, 11)),
    st.builds(
        Alternator, st.floats(12, 15), st.floats(5, 150), st.floats(0.005, 0.1), st.booleans()
    ),
    st.builds(Heater, st.just(12.0), st.floats(0.1, 400)),
)


@given(
    st.lists(st.tuples(BENT, st.floats(0, 0.5), st.floats(1, 60), st.booleans()), max_size=6),
    st.floats(3, 30),
    st.floats(0.001, 0.2),
)
def test_whatever_bends_comes_to_rest_on_its_own_line(parts, volts, ohm):
    circuit = Circuit(2)
    circuit.lead(0, 1, 1 / 0.02)
    elements = [battery(volts, ohm)]
    for load, lead_ohm, limit, limited in parts:
        is_load = not isinstance(load, Alternator)
        most = limit if limited and is_load else float("inf")
        elements.append(Element(int(is_load), BODY, lead_ohm if is_load else 0.0, load, most))
    circuit.solve(elements)
    assert sum(element.amps for element in elements) == pytest.approx(0, abs=1e-3)
    for element in elements:
        g, i0 = element.line_at(element.volts)
        assert g * element.volts + i0 == pytest.approx(element.amps, abs=1e-3)


def test_the_diodes_of_an_alternator_let_nothing_back():
    alternator = Alternator(14.2, 90, 0.02, running=True)
    assert alternator.line(15.0) == (0.0, 0.0)
    assert Alternator(14.2, 90, 0.02).line(10.0) == (0.0, 0.0)


@given(
    st.lists(st.tuples(st.floats(0.5, 40), st.floats(0, 0.5)), min_size=1, max_size=6),
    st.floats(9, 16),
)
def test_currents_sum_up_and_a_slope_is_what_a_small_change_makes(loads, volts):
    def solved(at: float) -> tuple[Circuit, list[Element]]:
        circuit = Circuit(3)
        circuit.lead(0, 1, 1 / 0.02)
        circuit.lead(2, BODY, 1 / 0.01)
        elements = [Element(1, 2, ohm, Heater(12, amps)) for amps, ohm in loads]
        source = battery(at, 0.01)
        circuit.solve([source, *elements], (0, 1 / 0.01))
        return circuit, [source, *elements]

    circuit, (source, *elements) = solved(volts)
    assert -source.amps == pytest.approx(sum(element.amps for element in elements), rel=1e-6)
    assert circuit.volts[2] == pytest.approx(0.01 * -source.amps, rel=1e-6)
    higher, _ = solved(volts + 0.5)
    for point in range(3):
        change = (higher.volts[point] - circuit.volts[point]) / 0.5
        assert circuit.slopes[point] == pytest.approx(change, rel=1e-6)
