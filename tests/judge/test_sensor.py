"""*sensor*: a signal that shows a sensor shows it as it is.

Engine.Value (rear, every 50 ms) shows the level, 0 to 90 l; what the level was in a cycle and the
latency (50 + 70 ms) and 'settles' counts. The signal's step is 1 l, so it may be off by 2 l.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
from judge_lab import MESSAGES, NS, Tape, broken, car, kept, ns, untested
from sender_lab import every, hand, verdict, verdicts

from linkloss.judge.judging import unjudged
from linkloss.judge.sensor_rules import pin_step, shown_signals
from linkloss.vehicle.messages import SignalInfo
from linkloss.vehicle.tables import InputTable

VALUE = SignalInfo("Value", lambda data: data[0], 1.0, 0.0, 8, {})
NAME = "Engine.Value"


def tape(*shown, end_ms=2000, signal=VALUE, rear=None, level=(), **table) -> Tape:
    """The tiny car with a level sensor at the rear node. Level as (ms, l), then what is shown of
    it as (ms, raw value).
    """
    vehicle = car(nodes={"rear": rear or {}})
    sensor = {"wired_to": ["rear"], "range": [0, 90], "unit": "l", "logged": NAME, **table}
    inputs = {**vehicle.inputs, "level": InputTable.model_validate(sensor)}
    signals = {signal.name: signal}
    vehicle = replace(
        vehicle,
        file=vehicle.file.model_copy(update={"inputs": inputs}),
        messages={**MESSAGES, "Engine": replace(MESSAGES["Engine"], signals=signals)},
    )
    made = Tape(vehicle, end_ms).input("level", (0, 0.0), *level)
    return hand(made, "Engine", *((at_ms, [raw]) for at_ms, raw in shown))


def sensor(made: Tape):
    return verdict(made, NAME, "sensor")


def steady(raw, from_ms=60, to_ms=2000):
    return ((at_ms, raw) for at_ms in every(from_ms, to_ms))


LEVEL = ((0, 10.0), (1000, 80.0))


def test_a_signal_that_shows_both_ends_of_its_sensor_rightly_is_kept():
    kept(sensor(tape(*steady(10, 60, 1000), *steady(80, 1010), level=LEVEL)), None)


def test_one_that_shows_the_same_third_all_the_time_is_not_exercised():
    untested(sensor(tape(*steady(10), level=((0, 10.0),))))
    untested(
        sensor(tape(*steady(10, 60, 1000), *steady(59, 1010), level=((0, 10.0), (1000, 59.0))))
    )


def test_the_outer_thirds_are_those_that_the_signal_can_show():
    """Of 0 to 90 l the DBC lets it show 0 to 30 l: 21 l lies in the upper third of that."""
    short = replace(VALUE, minimum=0.0, maximum=30.0)
    level = ((0, 9.0), (1000, 21.0))
    kept(sensor(tape(*steady(9, 60, 1000), *steady(21, 1010), level=level, signal=short)))


@pytest.mark.parametrize(("raw", "right"), [(12, True), (8, True), (13, False), (7, False)])
def test_without_a_declared_tolerance_it_may_be_off_by_two_steps(raw, right):
    found = sensor(tape(*steady(raw), level=((0, 10.0),)))
    if right:
        untested(found)
    else:
        broken(found, at_ms=260)


def test_a_declared_tolerance_counts_instead():
    assert not sensor(tape(*steady(15), level=((0, 10.0),), tolerance=5)).broken
    assert sensor(tape(*steady(16), level=((0, 10.0),), tolerance=5)).broken


@pytest.mark.parametrize(("until_ms", "right"), [(1120, True), (1120 + NS, False)])
def test_it_may_lag_by_a_cycle_and_the_latency(until_ms, right):
    """The level moves at 1000 ms, and counts until 1120 ms."""
    shown = (*steady(10, 60, 1100), (until_ms, 10), *steady(80, 1160))
    found = sensor(tape(*shown, level=LEVEL))
    assert found.broken is not right
    if not right:
        broken(found, at_ms=until_ms)


def test_a_sensor_that_settles_slowly_says_so():
    shown = (*steady(10, 60, 1400), *steady(80, 1410))
    assert sensor(tape(*shown, level=LEVEL)).broken
    kept(sensor(tape(*shown, level=LEVEL, settles="400 ms")))


def test_between_two_values_it_may_show_what_lies_between():
    assert not sensor(
        tape(*steady(10, 60, 1000), (1010, 45), *steady(80, 1060), level=LEVEL)
    ).broken
    assert sensor(tape(*steady(10, 60, 1000), (1010, 83), *steady(80, 1060), level=LEVEL)).broken


def test_a_program_that_hung_may_show_what_it_read_before():
    made = tape(*steady(10, 60, 900), (1310, 10), *steady(80, 1360), level=LEVEL)
    assert sensor(made).broken
    made.node("rear", (950, "hung", "fault"), (1300, "running", "fault"))
    kept(sensor(made))


def test_what_the_node_reads_counts_and_not_what_is_true():
    made = tape(*steady(10, 60, 1000), *steady(80, 1010), level=((0, 10.0),))
    assert sensor(made).broken
    kept(sensor(made.input("level", (1000, 80.0), node="rear")))


def test_a_value_beyond_what_the_signal_holds_is_shown_as_its_limit():
    """The level is above what eight bits of 0.2 l hold: 51 l."""
    small = replace(VALUE, scale=0.2)
    assert not sensor(tape(*steady(255), level=((0, 80.0),), signal=small)).broken
    assert sensor(tape(*steady(144), level=((0, 80.0),), signal=small)).broken


def test_a_multiplexed_signal_counts_where_it_is_shown():
    some = replace(VALUE, shown=lambda data: data[0] % 2 == 0)
    shown = [(at_ms, raw) for at_ms, raw in zip(every(60, 2000), (10, 77) * 30, strict=False)]
    assert not sensor(tape(*shown, level=((0, 10.0),), signal=some)).broken
    assert sensor(tape(*shown, level=((0, 10.0),))).broken


def test_the_step_of_the_converter_counts_where_it_is_the_coarser_one():
    """Three bits over 0 to 90 l: steps of 12.9 l."""
    table = InputTable.model_validate({"wired_to": ["rear"], "range": [0, 90]})
    node = SimpleNamespace(pins={"level": ()}, target=SimpleNamespace(analog_bits=3))
    assert pin_step("level", table, node) == pytest.approx(90 / 7)
    assert pin_step("other", table, node) == 0


def test_the_finding_says_what_was_shown_and_what_it_was():
    text = sensor(tape(*steady(42), level=((0, 10.0),))).text
    assert text == "showed 42 l while input level was 10 l; wrong for 1.74 s"


def test_what_came_before_is_not_judged():
    made = tape(*steady(42, 60, 1000), *steady(10, 1010), level=((0, 10.0),))
    made.judged()
    assert not verdicts(made.vehicle, made.recording, ns(1005))[(NAME, "sensor")].broken


def test_a_signal_whose_sender_does_not_have_the_sensor_is_not_judged():
    vehicle = tape(wired_to=["dash"]).vehicle
    assert not [*shown_signals(vehicle)]
    assert [u.what for u in unjudged(vehicle) if "." in u.what] == [NAME, "Request.Lamp"]
