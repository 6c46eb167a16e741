"""A message plan on the screen, as JSON and as a picture."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from linkloss.report.screen import make_console
from linkloss.report.timing_report import (
    BOUND_COLUMNS,
    LEGEND,
    response_plot,
    show_timing,
    timing_json,
    timing_page,
)
from linkloss.shipped import demo_vehicle
from linkloss.sizing.analysis import analyse, propose, what_if
from linkloss.sizing.message_plan import Sending
from linkloss.sizing.observed import TimingReport, plain_run, timing
from linkloss.vehicle.loading import load_vehicle

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def wren() -> TimingReport:
    vehicle = load_vehicle(demo_vehicle())
    return timing(vehicle, scenarios=[plain_run(vehicle, "cranking")])


def changed(report: TimingReport, **changes) -> TimingReport:
    """The same report for a plan that differs."""
    plan = replace(report.plan, **changes)
    analysis = analyse(plan)
    return replace(
        report, plan=plan, analysis=analysis, others=what_if(plan), observed={}, runs=(),
        proposal=propose(plan) if analysis.late else None,
    )  # fmt: skip


def shown(report: TimingReport, width: int = 80, *, verbose: bool = False) -> str:
    stream = io.StringIO()
    show_timing(make_console(stream, width), report, verbose=verbose)
    return stream.getvalue()


def words(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("width", [80, 160])
def test_no_line_is_wider_than_the_screen(wren, width):
    assert max(map(len, shown(wren, width).splitlines())) <= width


def test_every_message_stands_with_its_worst_case_slack_and_losses(wren):
    row = next(line for line in shown(wren).splitlines() if line.startswith("LampRequest "))
    cells = "LampRequest 0A0 10 ms 1.48 ms 3.52 ms 193.8 ms 3"
    assert words(row).startswith(cells)
    verdict = "10 of 10 messages have a bound, none of them is late. Least time left: 3.52 ms,"
    assert words(shown(wren)).startswith(f"Wren: message plan {verdict} LampRequest.")
    page = timing_page(wren)
    assert page.verdict == f"{verdict} LampRequest."
    assert LEGEND in page.parts[0].paragraphs


def test_without_a_bound_the_reason_is_told_once_for_all_that_share_it(wren):
    short = changed(wren, nodes=wren.plan.nodes | {"dash": Sending(3, "priority")})
    text = words(shown(short))
    assert short.exit_code == 3
    assert "StartRequest, LampRequest, BodyRequest, DashNotices: dash has 3 mailboxes" in text
    assert "but 4 frames may wait in it" in text
    assert text.count("it waits behind StartRequest") == 1
    assert "0 of 10 messages have a bound. First without one: StartRequest: dash has" in text
    assert "late" not in text.partition("have a bound.")[2].partition("bursts")[0]


def test_what_is_late_is_named_with_the_figure(wren):
    messages = tuple(
        replace(m, deadline_ns=1_000_000) if m.name == "BodyRequest" else m
        for m in wren.plan.messages
    )
    late = changed(wren, messages=messages)
    text = words(shown(late))
    assert late.exit_code == 1
    first = "1 of 10 messages too slow in the worst case. First: BodyRequest may miss its deadline"
    assert text.startswith(f"Wren: message plan {first} by 1.12 ms in the worst case.")
    assert "Another order of priority" in text
    assert "none of them is late" not in text
    first = late.proposal.names.index("BodyRequest")
    assert first < 3
    assert f"BodyRequest: {late.proposal.identifiers[first]:#x}" in text


def test_when_no_order_helps_that_is_said(wren):
    messages = tuple(replace(m, deadline_ns=300_000) for m in wren.plan.messages)
    text = words(shown(changed(wren, messages=messages)))
    assert "no order meets all deadlines at this bit rate" in text


def test_a_wait_that_the_judge_does_not_reckon_with_breaks_the_plan(wren):
    believed = changed(wren, worst_wait_ns=1_000_000)
    assert believed.exit_code == 1
    text = words(shown(believed))
    assert "LampRequest may take 1.48 ms over the bus; the vehicle file says 'worst_wait' 1 ms" in (
        text
    )
    assert "GaugeStatus may take" not in text  # nobody waits for it


def test_messages_that_nobody_in_the_vehicle_sends_are_named_as_not_reckoned_with(wren):
    text = words(shown(changed(wren, unsent=("Foreign",))))
    assert "Not reckoned with, because no node of this vehicle sends them: Foreign" in text


def test_more_detail_has_a_table_for_every_bit_rate(wren):
    text = shown(wren, verbose=True)
    assert all(f"At {name}" in text for name in ("10 kbit/s", "250 kbit/s", "1 Mbit/s"))


def test_json_holds_every_message_at_every_bit_rate(wren):
    found = json.loads(timing_json(wren))
    assert found["format"] == "linkloss timing"
    assert found["exit_code"] == 0
    assert found["bound_columns"] == list(BOUND_COLUMNS)
    assert [entry["bit_rate"] for entry in found["bit_rates"]] == [a.bit_rate for a in wren.others]
    own = next(e for e in found["bit_rates"] if e["bit_rate"] == 250_000)
    rows = [dict(zip(BOUND_COLUMNS, row, strict=True)) for row in own["bounds"]]
    assert rows[0]["message"] == "StartRequest"
    assert rows[0]["worst_ns"] == 720_000
    assert rows[0]["losses_borne"] == 2
    assert rows[0]["no_bound_because"] is None
    slow = next(e for e in found["bit_rates"] if e["bit_rate"] == 10_000)
    assert all(row[1] is None and row[-1] for row in slow["bounds"])
    seen = {entry["message"]: entry for entry in found["observed"]}
    assert len(seen["LampRequest"]["times_ns"]) > 50
    assert timing_json(wren) == timing_json(wren)


def test_the_picture_has_a_lane_with_a_bound_and_bars_for_every_message(wren):
    root = ET.fromstring(response_plot(wren))
    texts = [element.text for element in root.iter(f"{SVG}text")]
    for bound in wren.analysis.bounds:
        assert bound.message.name in texts
    bounds = [e for e in root.iter(f"{SVG}line") if e.get("class") == "bound"]
    assert len(bounds) == len(wren.analysis.bounds) + 1  # and one in the legend
    bars = [e for e in root.iter(f"{SVG}rect") if e.get("class") == "seen"]
    frames = sum(int(e[0].text.split()[0]) for e in bars if len(e))
    assert frames == sum(len(seen.kept_ns) for seen in wren.observed.values())


def test_in_the_picture_no_bar_stands_to_the_right_of_its_bound(wren):
    root = ET.fromstring(response_plot(wren))
    lines = [e for e in root.iter(f"{SVG}line") if e.get("class") == "bound" and len(e)]
    limits = {float(e.get("y2")): float(e.get("x1")) for e in lines}
    for bar in root.iter(f"{SVG}rect"):
        if bar.get("class") == "seen" and len(bar):
            floor = float(bar.get("y")) + float(bar.get("height"))
            near = min(limits, key=lambda y: abs(y - floor))
            assert abs(near - floor) < 0.2
            assert float(bar.get("x")) < limits[near]


def test_the_picture_needs_nothing_from_elsewhere_and_stays_the_same(wren):
    text = response_plot(wren)
    assert text == response_plot(wren)
    assert text.count("http") == 1  # the name of the format alone


def test_a_message_without_a_bound_says_so_in_the_picture(wren):
    short = changed(wren, nodes=wren.plan.nodes | {"dash": Sending(3, "priority")})
    root = ET.fromstring(response_plot(short))
    labels = [e for e in root.iter(f"{SVG}text") if (e.text or "").startswith("no bound")]
    assert len(labels) == 10
    assert "3 mailboxes" in labels[0][0].text


def test_the_reader_knows_which_bit_rate_is_the_vehicles_own(wren):
    row = next(line for line in shown(wren).splitlines() if line.startswith("*  250 kbit/s"))
    assert "3.52 ms" in row
    assert Path(wren.vehicle.path).name == "vehicle.toml"
