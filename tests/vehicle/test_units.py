"""Quantities with their units: what is read, what is refused, what is written back."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from linkloss.units import (
    FROM_FILE,
    BitRate,
    Current,
    Duration,
    parse_bit_rate,
    parse_current,
    parse_duration,
    parse_quantity,
    plain,
    show_duration,
    write_duration,
)

DURATION = "expected a duration with its unit (ns, us, ms, s, min, h, d), like '250 ms'"
LONGEST = 2**63 - 1


@given(st.integers(0, LONGEST))
def test_a_duration_that_is_written_reads_back_the_same(ns):
    assert parse_duration(write_duration(ns)) == ns


@given(st.integers(0, 9 * 10**9), st.sampled_from(["ns", "us", "ms"]))
def test_a_duration_is_exact_in_every_unit(count, unit):
    size = {"ns": 1, "us": 1_000, "ms": 1_000_000}[unit]
    assert parse_duration(f"{count} {unit}") == count * size


@given(st.integers(0, 999_999_999))
def test_fractions_of_a_second_are_exact_to_the_nanosecond(ns):
    assert parse_duration(f"{Decimal(ns) / 10**9:f} s") == ns


@given(st.integers(0, LONGEST // 2))
def test_a_shown_duration_is_right_to_four_digits(ns):
    assert abs(parse_duration(show_duration(ns)) - ns) <= ns / 2000


@given(st.integers(10_000, 1_000_000))
def test_bit_rates_round_trip(rate):
    assert parse_bit_rate(f"{rate} bit/s") == rate
    assert parse_bit_rate(f"{Decimal(rate) / 1000:f} kbit/s") == rate


@given(st.integers(0, 100_000))
def test_currents_round_trip(milliamperes):
    assert parse_current(f"{milliamperes} mA") == pytest.approx(milliamperes / 1000)


def read(text: str) -> tuple[int, str]:
    """A duration in ns, or -1 and what is said of it."""
    try:
        return parse_duration(text), ""
    except ValueError as error:
        return -1, str(error)


@given(st.text(max_size=12))
def test_whatever_is_written_is_read_or_refused_in_words(text):
    ns, said = read(text)
    assert 0 <= ns <= LONGEST or f"'{text}'" in said or "is no unit" in said


@given(st.integers(-(10**40), 10**40), st.integers(-60, 10**22))
def test_no_exponent_is_too_much_to_be_refused(number, exponent):
    ns, said = read(f"{number}e{exponent} s")
    assert ns >= 0 or "is too large for a duration" in said or "is negative" in said


@pytest.mark.parametrize(
    "text, ns",
    [
        ("250 ms", 250_000_000),
        ("250ms", 250_000_000),
        ("  1.5   s ", 1_500_000_000),
        (".5 s", 500_000_000),
        ("5. us", 5_000),
        ("1e3 us", 1_000_000),
        ("+2 min", 120_000_000_000),
        ("0 s", 0),
        ("0.4 ns", 0),
    ],
)
def test_durations_as_people_write_them(text, ns):
    assert parse_duration(text) == ns


@pytest.mark.parametrize(
    "text, message",
    [
        ("250", f"'250' has no unit; {DURATION}"),
        ("250 Hz", f"'Hz' is no unit of duration; {DURATION}"),
        ("250 MS", f"'MS' is no unit of duration; {DURATION}"),
        ("ms", f"cannot read 'ms'; {DURATION}"),
        ("", f"cannot read ''; {DURATION}"),
        ("1,5 s", f"',5 s' is no unit of duration; {DURATION}"),
        ("nan s", f"cannot read 'nan s'; {DURATION}"),
        (1.5, f"got 1.5; {DURATION}"),
        (True, f"got True; {DURATION}"),
        (None, f"got None; {DURATION}"),
        ("-1 ms", "'-1 ms' is negative; a duration is zero or more"),
        ("1e99 s", "'1e99 s' is too large for a duration"),
        ("1e99999999999999999999 s", "'1e99999999999999999999 s' is too large for a duration"),
        ("9223372036.854775808 s", "'9223372036.854775808 s' is too large for a duration"),
    ],
)
def test_what_is_no_duration_is_refused_in_words(text, message):
    with pytest.raises(ValueError) as caught:
        parse_duration(text)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    "text", ["9.999 kbit/s", "1.1 Mbit/s", "2 Mbit/s", "0 bit/s", "-250 kbit/s"]
)
def test_bit_rates_beyond_classical_can_are_refused(text):
    with pytest.raises(ValueError) as caught:
        parse_bit_rate(text)
    assert str(caught.value) == (
        f"'{text}' is out of range; classical CAN runs at 10 kbit/s to 1 Mbit/s"
    )


@pytest.mark.parametrize(
    "kind, text, value",
    [
        ("voltage", "12.6 V", Decimal("12.6")),
        ("voltage", "900 mV", Decimal("0.9")),
        ("current", "-1 A", Decimal(-1)),
        ("bit rate", "0.25 Mbit/s", Decimal(250_000)),
        ("power", "55 W", Decimal(55)),
        ("resistance", "8 mohm", Decimal("0.008")),
        ("length", "40 cm", Decimal("0.4")),
        ("temperature", "-40 degC", Decimal(-40)),
        ("charge", "500 mAh", Decimal("0.5")),
        ("capacitance", "470 uF", Decimal("0.00047")),
    ],
)
def test_other_quantities(kind, text, value):
    assert parse_quantity(text, kind) == value


@pytest.mark.parametrize("kind", ["voltage", "current", "bit rate", "duration", "charge"])
def test_the_units_of_a_kind_and_an_example_are_told(kind):
    with pytest.raises(ValueError, match=rf"'x' is no unit of {kind}; expected a {kind} with its"):
        parse_quantity("1 x", kind)


class _Form(BaseModel):
    time: Duration = 1
    rate: BitRate = 10_000
    fuse: Current = 1.0


@pytest.mark.parametrize(
    "key, kind", [("time", "duration"), ("rate", "bit rate"), ("fuse", "current")]
)
@pytest.mark.parametrize("number", [250, 250.0, 10_000])
def test_a_number_without_a_unit_is_a_mistake_in_a_file(key, kind, number):
    with pytest.raises(ValidationError, match=f"got {number}; expected a {kind} with its unit"):
        _Form.model_validate({key: number}, context=FROM_FILE)


def test_a_number_without_a_unit_is_right_in_python():
    form = _Form(time=5, rate=125_000, fuse=2.5)
    assert (form.time, form.rate, form.fuse) == (5, 125_000, 2.5)


@pytest.mark.parametrize(
    "ns, text",
    [
        (0, "0 ns"),
        (999, "999 ns"),
        (1_000, "1 us"),
        (12_500, "12.5 us"),
        (312_000_000, "312 ms"),
        (-4_700_000_000, "-4.7 s"),
        (1_500_000_000, "1.5 s"),
        (5_000_000_000_000, "5000 s"),
    ],
)
def test_durations_are_shown_as_a_person_writes_them(ns, text):
    assert show_duration(ns) == text


@pytest.mark.parametrize(
    "value, text", [(85.0, "85"), (0.5, "0.5"), (-3.0, "-3"), ("dipped", "dipped"), (7, "7")]
)
def test_values_are_shown_plainly(value, text):
    assert plain(value) == text
