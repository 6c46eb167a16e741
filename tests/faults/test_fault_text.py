"""Faults as words: what a report prints is what the command line takes."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkloss.faults.base import Fault
from linkloss.faults.catalogue import FaultError, catalogue, make_fault, read_fault
from linkloss.problem import BadInput
from linkloss.scenario import TimedFault, timed_fault
from linkloss.vehicle.loading import Vehicle, load_vehicle

S = 1_000_000_000
WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"

INSTANTS = st.integers(0, 10_000 * S)
DURATIONS = st.integers(1_000, 100 * S)
PARAMETERS = {
    "bit_rate": st.integers(20_000, 400_000),
    "by": DURATIONS,
    "count": st.integers(1, 1_000),
    "identifier": st.integers(0, 0x0F),
    "offset": st.floats(-40, 40, allow_subnormal=False),
    "period": DURATIONS,
    "rec": st.integers(1, 127),
    "settles_in": DURATIONS,
    "share": st.floats(1e-9, 0.999),
    "time_out": DURATIONS,
}
"""Parameters that take any value within limits."""


@cache
def wren() -> Vehicle:
    return load_vehicle(WREN)


@cache
def instances() -> list[Fault]:
    """Every fault that a check tries, electrical ones and those of the wiring included."""
    forms = catalogue().values()
    found = [fault for form in forms for fault in form.every(wren())]
    return [*found, *(fault for form in forms for fault in form.of_wiring(wren()))]


@st.composite
def faults(draw) -> Fault:
    """A fault that a check tries, with some parameters drawn anew."""
    fault = draw(st.sampled_from(instances()))
    free = sorted(PARAMETERS.keys() & type(fault).model_fields.keys())
    chosen = draw(st.lists(st.sampled_from(free), unique=True)) if free else []
    changed = fault.model_copy(update={name: draw(PARAMETERS[name]) for name in chosen})
    return fault if changed.problem(wren()) else changed


@given(faults(), INSTANTS, DURATIONS)
def test_every_fault_reads_back_from_its_label(fault, at_ns, for_ns):
    timed = TimedFault.lasting(fault, at_ns, for_ns)
    assert timed_fault(timed.label, wren()) == timed
    assert read_fault(fault.label(), wren()).label() == fault.label()
    assert make_fault(fault.kind, fault.written(), wren()) == fault


def test_the_drawn_parameters_are_those_of_faults():
    known = {name for form in catalogue().values() for name in form.model_fields}
    assert PARAMETERS.keys() <= known


def test_a_parameter_may_have_its_name_and_spaces_around_it():
    plain = read_fault("drop(LampRequest,rear,count=2)", wren())
    named = "drop( receiver = rear , message = LampRequest, count = 2 )"
    assert read_fault(named, wren()) == plain
    assert read_fault("flood(gauge,identifier=0x0F)", wren()).identifier == 15


@pytest.mark.parametrize("text", ["cut gauge", "(rear)", "hang(rear", ""])
def test_what_is_no_label_is_refused(text):
    with pytest.raises(FaultError, match=r"expected 'KIND\(PARAMETERS\)'"):
        read_fault(text, wren())


def test_a_fault_without_a_duration_stays():
    found = timed_fault("cut(rear, gauge) @ 300 s", wren())
    assert (found.at_ns, found.until_ns) == (300 * S, None)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("cut gauge rear", "expected 'KIND(PARAMETERS)@START+DURATION'"),
        ("cit(gauge,rear)@1s", "unknown fault 'cit'"),
        ("cut(dash,rear)@1s", "'dash' and 'rear' are not neighbours"),
        ("reset(raer)@1s", "unknown node 'raer'"),
        ("reset(rear)@1s+2s", "'reset' is over at once; expected no duration"),
        ("cut(gauge,rear)@1s+0s", "a fault lasts more than nothing"),
        ("cut(gauge,rear)@now", "now"),
        (
            "drop(LampRequest)@1s",
            "'drop' needs the parameter 'receiver': front, engine, gauge, rear",
        ),
        ("unplug@1s+1s", "'unplug' needs the parameter 'node': front, engine, dash, gauge, rear"),
        ("unplug()@1s+1s", "'unplug' needs the parameter 'node': front, engine, dash, gauge, rear"),
        (
            "cut(gauge)@1s",
            "parameter 'between': (front,engine), (engine,dash), (dash,gauge), (gauge,rear)",
        ),
        ("noise@1s", "'noise' needs the parameter 'share': bit error rate"),
        (
            "stranger(LampRequest)@1s",
            "engine, dash, gauge, rear; 'form': neighbour, twin, length, remote, dlc",
        ),
        ("battery_off@1s", "got 'battery_off'; expected 'battery_off()'"),
        ("drop(LampRequest,rear,front,gauge)@1s", "too many parameters"),
        ("hang(rear,time=1)@1s", "unknown parameter of 'hang' 'time'"),
    ],
)
def test_a_mistake_is_told_with_what_was_expected(text, problem):
    with pytest.raises(BadInput) as caught:
        timed_fault(text, wren())
    assert problem in str(caught.value)
    assert str(caught.value).startswith(f"linkloss: --fault '{text}': ")
