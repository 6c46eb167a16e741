"""A message plan for people and programs: on the screen, as a page, as a picture and as JSON.

The screen and the page show worst cases and slack, reasons, other bit rates and other orders. The
JSON holds every message at every bit rate, in whole nanoseconds.

The picture shows the response times seen in runs with their bounds, as one SVG file that needs
nothing else. It has one lane for each message, the highest priority on top. Time runs to the right
on a logarithmic scale, because a bound and a deadline may be decades apart. The picture is the same
every time.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any, NamedTuple

from rich.console import Console
from rich.table import Table
from rich.text import Text

from linkloss.bus.message import hex_identifier
from linkloss.campaign.result import CAUTION
from linkloss.document import lines_of
from linkloss.report.html import Drawing, Page, Part, drawing, plain_page
from linkloss.report.screen import (
    OUTCOMES,
    STYLES,
    bullet,
    caution,
    heading,
    paragraph,
    plain_table,
)
from linkloss.report.words import count
from linkloss.sizing.analysis import Analysis, Bound
from linkloss.sizing.message_plan import errors_words
from linkloss.sizing.observed import Observed, TimingReport
from linkloss.sizing.route_times import RouteTime
from linkloss.units import show_duration

LEGEND = (
    "gap: shortest time from one sending to the next; worst: from when it is due until its frame"
    " has left the bus, intermission included; left: from then until its deadline;"
    " fresh: what is left of the shortest stale time among its receivers when nothing is lost;"
    " may lose: messages in a row that this receiver bears losing"
)
ROUTES_LEGEND = (
    "worst: from when 'from' is due at its sender until 'to' is at its receivers; the jitter that"
    " 'to' inherits is part of its own worst case"
)
RATES_LEGEND = "* the vehicle's own; load: typical; bursts: at shortest gaps"


def show_timing(console: Console, report: TimingReport, *, verbose: bool = False) -> None:
    """Show a message plan. ``verbose`` adds a table of every message for every bit rate."""
    plan, analysis = report.plan, report.analysis
    paragraph(console, timing_title(report), style="bold")
    paragraph(console, timing_verdict(report), style=STYLES[OUTCOMES[report.exit_code]])
    errors = errors_words(plan.errors)
    paragraph(
        console, f"{report.vehicle.path}, {rate(plan.bit_rate)}, {errors} to be borne by the plan"
    )
    _load(console, analysis)
    _bounds(console, analysis, report.observed)
    paragraph(console, LEGEND)
    _reasons(console, analysis)
    _routes(console, report)
    _observed(console, report)
    heading(console, f"Bit rates ({RATES_LEGEND})")
    console.print(rates_table(report.others, plan.bit_rate))
    if verbose:
        for other in report.others:
            heading(console, f"At {rate(other.bit_rate)}")
            console.print(bounds_table(other, {}))
    _proposal(console, report)
    told = _late(report)
    if told:
        heading(console, "Late")
    for text in told:
        bullet(console, text, style=STYLES["broken"])
    if plan.unsent:
        console.print()
        text = "Not reckoned with, because no node of this vehicle sends them: "
        paragraph(console, text + _list(plan.unsent))
    caution(console)


def timing_title(report: TimingReport) -> str:
    """What the report is about."""
    of_bus = f" of bus {report.bus}" if report.bus else ""
    return f"{report.vehicle.title}: message plan{of_bus}"


def timing_verdict(report: TimingReport) -> str:
    """What a reader must know first: what is late at worst, or has no bound, or how much time is
    left.
    """
    bounds, unbounded = report.analysis.bounds, report.analysis.unbounded
    bounded = f"{len(bounds) - len(unbounded)} of {count(len(bounds), 'message')} have a bound"
    told = _late(report)
    if told:
        slow = (*report.exceeded, *report.analysis.late, *report.overlong)
        number = len({bound.message.name for bound in slow})
        without = f"; {len(unbounded)} without a bound" if unbounded else ""
        many = f"{number} of {count(len(bounds), 'message')}"
        return f"{many} too slow in the worst case{without}. First: {told[0]}."
    if unbounded:
        first = f"First without one: {unbounded[0].message.name}: {unbounded[0].why}."
        known = len(unbounded) < len(bounds)
        return f"{bounded}{', none of them is late' if known else ''}. {first}"
    if not bounds:
        return "There is no message whose time could be worked out."
    timed = [bound for bound in bounds if bound.slack_ns is not None]
    least = min(timed, key=lambda bound: bound.slack_ns or 0, default=None)
    left = f" Least time left: {_slack(least.slack_ns)}, {least.message.name}." if least else ""
    return f"{bounded}, none of them is late.{left}"


def _late(report: TimingReport) -> list[str]:
    """What is late, the most late first."""
    told = []
    for bound in report.exceeded:
        seen = show_duration(report.observed[bound.message.name].longest_ns or 0)
        told.append(f"{bound.message.name} took {seen} in a run, longer than its bound")
    late = sorted(report.analysis.late, key=lambda bound: bound.slack_ns or 0)
    told += [f"{bound.message.name} {lateness(bound)}" for bound in late]
    limit = show_duration(report.plan.worst_wait_ns or 0)
    for bound in report.overlong:
        wait = show_duration(bound.wait_ns or 0)
        told.append(
            f"{bound.message.name} may take {wait} over the bus; the vehicle file says"
            f" 'worst_wait' {limit}, and the judge believes it"
        )
    return told


def rate(bit_rate: int) -> str:
    """A bit rate in readable form."""
    if bit_rate % 1_000_000 == 0:
        return f"{bit_rate // 1_000_000} Mbit/s"
    return f"{bit_rate / 1000:g} kbit/s"


def _load(console: Console, analysis: Analysis) -> None:
    load = analysis.load
    text = f"bus load: {load.typical:.1%} with typical, {load.worst:.1%} with the most stuff bits"
    if load.bursts > load.worst:
        text += f", {load.bursts:.1%} while every message comes at its shortest gap"
    if load.left_out:
        why = "because they are not classical frames or have no known period"
        text += f"; not counted, {why}: {_list(load.left_out)}"
    paragraph(console, text)


def _list(names: Iterable[str]) -> str:
    return ", ".join(names)


def _bounds(console: Console, analysis: Analysis, observed: Mapping[str, Observed]) -> None:
    heading(console, "Messages, highest priority first")
    console.print(bounds_table(analysis, observed))


def bounds_table(analysis: Analysis, observed: Mapping[str, Observed]) -> Table:
    """Every message with its bound, and the longest time seen in runs."""
    heads = ["message", "id", "gap", "worst", "left", "fresh", "may lose"]
    rows = [[*_cells(bound)] for bound in analysis.bounds]
    if observed:
        heads = [*heads, "longest seen"]
        for bound, row in zip(analysis.bounds, rows, strict=True):
            row.append(_span(observed[bound.message.name].longest_ns))
    return plain_table(heads, rows)


def _span(ns: int | None) -> str:
    return "-" if ns is None else show_duration(ns)


def _cells(bound: Bound) -> Iterator[str | Text]:
    message, found = bound.message, bound.patience
    yield message.name
    yield hex_identifier(message.identifier, message.extended)
    yield _span(message.shortest_ns)
    if bound.worst_ns is None:
        yield Text("no bound", style=STYLES["not exercised"])
        yield from "---"
        return
    yield show_duration(bound.worst_ns)
    yield _slack(bound.slack_ns)
    yield _slack(None if found is None else found.slack_ns)
    yield "-" if found is None else "not one" if found.losses is None else str(found.losses)


def _slack(slack_ns: int | None) -> Text:
    if slack_ns is None:
        return Text("-")
    return Text(show_duration(slack_ns), style=STYLES["broken"] if slack_ns < 0 else "")


def _reasons(console: Console, analysis: Analysis) -> None:
    reasons: dict[str, list[str]] = {}
    for bound in analysis.unbounded:
        reasons.setdefault(bound.why, []).append(bound.message.name)
    if not reasons:
        return
    heading(console, "No bound")
    for why, names in reasons.items():
        bullet(console, f"{_list(names)}: {why}", style=STYLES["not exercised"])


def _routes(console: Console, report: TimingReport) -> None:
    if report.routes:
        heading(console, "Routes")
        console.print(routes_table(report))
        paragraph(console, ROUTES_LEGEND)


def routes_table(report: TimingReport) -> Table:
    """The routes that end on this bus, each with how long it takes at worst."""
    rows: list[tuple[str | Text, ...]] = [
        (
            route.name,
            route.source,
            route.gateway,
            route.target,
            show_duration(route.latency_ns),
            _route_time(route),
        )
        for route in report.routes
    ]
    return plain_table(["route", "from", "gateway", "to", "latency", "worst"], rows)


def _route_time(route: RouteTime) -> Text:
    if route.worst_ns is None:
        return Text(f"no bound: {route.why}", style=STYLES["not exercised"])
    return Text(show_duration(route.worst_ns))


def _observed(console: Console, report: TimingReport) -> None:
    if not report.observed:
        return
    heading(console, "Seen in runs")
    kept = sum(len(found.kept_ns) for found in report.observed.values())
    runs = f"{len(report.runs)} run{'s' if len(report.runs) > 1 else ''}: {_list(report.runs)}"
    paragraph(console, f"{kept} frames sent as planned in {runs}")
    other = sum(len(found.other_ns) for found in report.observed.values())
    if other:
        paragraph(console, f"{other} more where a run left the plan; no bound speaks of them:")
    departures = dict.fromkeys(
        departure.text
        for found in report.observed.values()
        for departure in sorted(found.departures, key=lambda d: d.at_ns)
    )
    for text in departures:
        bullet(console, text)
    untraced = sum(found.untraced for found in report.observed.values())
    if untraced:
        paragraph(console, f"{untraced} more could not be traced back to their programs")


def rates_table(others: Iterable[Analysis], own: int) -> Table:
    names = (
        "",
        "bit rate",
        "load",
        "bursts",
        "late",
        "no bound",
        "least left",
        "least fresh",
        "may lose",
    )
    rows: list[tuple[str | Text, ...]] = []
    for analysis in others:
        slack = min((b.slack_ns for b in analysis.bounds if b.slack_ns is not None), default=None)
        patient = [b.patience for b in analysis.bounds if b.patience is not None]
        fresh = min((p.slack_ns for p in patient), default=None)
        losses = min((-1 if p.losses is None else p.losses for p in patient), default=None)
        row = (
            "*" if analysis.bit_rate == own else "",
            rate(analysis.bit_rate),
            f"{analysis.load.typical:.1%}",
            f"{analysis.load.bursts:.1%}",
            _count(len(analysis.late), "broken"),
            _count(len(analysis.unbounded), "not exercised"),
            _slack(slack),
            _slack(fresh),
            "-" if losses is None else "not one" if losses < 0 else str(losses),
        )
        rows.append(row)
    return plain_table(names, rows)


def _count(number: int, style: str) -> Text:
    return Text(str(number), style=STYLES[style] if number else "")


def _proposal(console: Console, report: TimingReport) -> None:
    found = report.proposal
    if found is None:
        return
    heading(console, "Another order of priority")
    if found.stuck:
        text = "no order meets all deadlines at this bit rate; no place is left for one of: "
        paragraph(console, text + _list(found.stuck))
        return
    paragraph(console, "all deadlines are met in this order, the highest priority first:")
    if found.identifiers:
        for name, identifier in zip(found.names, found.identifiers, strict=True):
            bullet(console, f"{name}: {identifier:#x}")
    else:
        paragraph(console, _list(found.names), indent=2)


def lateness(bound: Bound) -> str:
    """In what way a message may be late."""
    if bound.slack_ns is not None and bound.slack_ns < 0:
        return f"may miss its deadline by {show_duration(-bound.slack_ns)} in the worst case"
    assert bound.patience is not None
    return f"may go stale at {bound.patience.who} although none is lost"


TIMING_VERSION = 1
BOUND_COLUMNS = (
    "message",
    "worst_ns",
    "busy_ns",
    "instances",
    "slack_ns",
    "receiver",
    "fresh_slack_ns",
    "losses_borne",
    "no_bound_because",
)
"""``losses_borne`` is -1 if the receiver may call the message stale with nothing lost."""


def timing_json(report: TimingReport) -> str:
    """The report as JSON, the same every time."""
    plan, proposal = report.plan, report.proposal
    document = {
        "format": "linkloss timing",
        "version": TIMING_VERSION,
        "vehicle": report.vehicle.title,
        "vehicle_file": str(report.vehicle.path),
        "exit_code": report.exit_code,
        "caution": CAUTION,
        "bit_rate": plan.bit_rate,
        "worst_wait_ns": plan.worst_wait_ns,
        "errors": {"burst": plan.errors.burst, "interval_ns": plan.errors.interval_ns},
        "messages": [_message(bound) for bound in report.analysis.bounds],
        "unsent": list(plan.unsent),
        "bound_columns": list(BOUND_COLUMNS),
        "bit_rates": [_analysis(other) for other in report.others],
        "overlong": [bound.message.name for bound in report.overlong],
        "proposal": None
        if proposal is None
        else {
            "order": list(proposal.names),
            "identifiers": list(proposal.identifiers),
            "stuck": list(proposal.stuck),
        },
        "runs": list(report.runs),
        "exceeded": [bound.message.name for bound in report.exceeded],
        "observed": [_observed_json(found) for found in report.observed.values()],
        **({"bus": report.bus} if report.bus else {}),
        **({"routes": [asdict(route) for route in report.routes]} if report.routes else {}),
    }
    return "".join(lines_of(document))


def _message(bound: Bound) -> dict[str, Any]:
    message = bound.message
    return {
        "name": message.name,
        "identifier": message.identifier,
        "extended": message.extended,
        "bytes": message.length,
        "senders": list(message.senders),
        "period_ns": message.period_ns,
        "shortest_ns": message.shortest_ns,
        "jitter_ns": message.jitter_ns,
        "deadline_ns": message.deadline_ns,
    }


def _analysis(analysis: Analysis) -> dict[str, Any]:
    load = analysis.load
    return {
        "bit_rate": analysis.bit_rate,
        "load_typical": round(load.typical, 6),
        "load_worst_stuffing": round(load.worst, 6),
        "load_shortest_gaps": round(load.bursts, 6),
        "late": [bound.message.name for bound in analysis.late],
        "bounds": [_bound(bound) for bound in analysis.bounds],
    }


def _bound(bound: Bound) -> list[Any]:
    response, found = bound.response, bound.patience
    worst = [None] * 3 if response is None else _worst(bound)
    fresh: list[Any] = [None] * 3
    if found is not None:
        fresh = [found.who, found.slack_ns, -1 if found.losses is None else found.losses]
    return [bound.message.name, *worst, bound.slack_ns, *fresh, bound.why or None]


def _worst(bound: Bound) -> list[int]:
    assert bound.response is not None
    return [bound.response.worst_ns, bound.response.busy_ns, bound.response.instances]


def _observed_json(found: Observed) -> dict[str, Any]:
    return {
        "message": found.message.name,
        "times_ns": found.kept_ns,
        "times_off_plan_ns": found.other_ns,
        "untraced": found.untraced,
        "departures": [[d.at_ns, d.text] for d in found.departures],
    }


WIDTH, LEFT, RIGHT, TOP, LANE = 960, 170, 190, 74, 36
BINS_PER_DECADE = 32
_BAR = 26


class _Scale:
    """A logarithmic scale from nanoseconds to pixels, cut to what is drawn."""

    def __init__(self, values_ns: Sequence[int]) -> None:
        self.low = math.log10(min(values_ns) / 1.25)
        self.high = math.log10(max(values_ns) * 1.25)

    def x(self, ns: float) -> float:
        share = (math.log10(ns) - self.low) / (self.high - self.low)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    def ticks(self) -> list[int]:
        """1, 2 and 5 of every decade, or only 1 if those would be too many."""
        steps = (1, 2, 5) if self.high - self.low < 3 else (1,)
        decades = range(math.floor(self.low), math.ceil(self.high) + 1)
        found = [step * 10**decade for decade in decades if decade >= 0 for step in steps]
        return [ns for ns in found if self.low <= math.log10(ns) <= self.high]


class _Bar(NamedTuple):
    left: float
    width: float
    height: float
    title: str


def response_plot(report: TimingReport) -> str:
    """The picture as SVG text: lanes of bars, a line for each bound, a dashed one for a deadline.

    A report without a run gives lanes with only bounds.
    """
    bounds = [(bound, report.observed.get(bound.message.name)) for bound in report.analysis.bounds]
    values = [ns for bound, _ in bounds for ns in (bound.worst_ns, bound.message.deadline_ns)]
    values += [ns for _, seen in bounds if seen for ns in (*seen.kept_ns, *seen.other_ns)]
    frames = sum(len(seen.kept_ns) + len(seen.other_ns) for _, seen in bounds if seen)
    return drawing(
        "response.svg",
        bounds=bounds,
        scale=_Scale([ns for ns in values if ns] or [1_000_000]),
        bars=_bars,
        title=f"{report.vehicle.title}: response times at {report.plan.bit_rate / 1000:g} kbit/s",
        runs=f"{frames} frames in {len(report.runs)} simulated runs",
        width=WIDTH,
        left=LEFT,
        margin=RIGHT,
        top=TOP,
        lane=LANE,
        bar_height=_BAR,
    )


def _bars(scale: _Scale, times_ns: Sequence[int]) -> Iterator[_Bar]:
    """A histogram with bins of equal width on the scale; the fullest bin has the full height."""
    bins = Counter(math.floor(math.log10(ns) * BINS_PER_DECADE) for ns in times_ns)
    for place in sorted(bins):
        from_ns, to_ns = (10 ** (edge / BINS_PER_DECADE) for edge in (place, place + 1))
        left = max(scale.x(from_ns), LEFT)
        width = max(1.0, min(scale.x(to_ns), WIDTH - RIGHT) - left - 1)
        height = max(2.0, _BAR * bins[place] / max(bins.values()))
        span = f"{show_duration(round(from_ns))} to {show_duration(round(to_ns))}"
        yield _Bar(left, width, height, f"{bins[place]} frames, {span}")


_ABOUT = "For each message the response times that runs showed, beside the worst case worked out"


def timing_page(report: TimingReport) -> Page:
    """The page of a report on a message plan."""
    outcome = OUTCOMES[report.exit_code]
    return plain_page(
        timing_title(report),
        timing_verdict(report),
        state="untested" if outcome == "not exercised" else outcome,
        parts=tuple(_parts(report)),
        facts={"Bit rate": rate(report.plan.bit_rate), "Runs": ", ".join(report.runs) or "none"},
        vehicle=report.vehicle,
    )


def _parts(report: TimingReport) -> Iterator[Part]:
    yield _part(
        "Messages, highest priority first", bounds_table(report.analysis, report.observed), LEGEND
    )
    told = _late(report)
    if told:
        yield Part("Late", paragraphs=tuple(told))
    reasons = [(bound.message.name, bound.why) for bound in report.analysis.unbounded]
    if reasons:
        yield Part("No bound", columns=("message", "because"), rows=tuple(reasons))
    if report.routes:
        yield _part("Routes", routes_table(report), ROUTES_LEGEND)
    yield _part("Bit rates", rates_table(report.others, report.plan.bit_rate), RATES_LEGEND)
    if report.observed:
        yield Part("Response times", drawing=Drawing(response_plot(report), _ABOUT))


def _part(title: str, table: Table, legend: str) -> Part:
    """A table of the screen as a part of the page."""
    columns = [[_plain(cell) for cell in column.cells] for column in table.columns]
    heads = tuple(_plain(column.header) for column in table.columns)
    return Part(title, (legend,), columns=heads, rows=tuple(zip(*columns, strict=True)))


def _plain(cell: object) -> str:
    return cell.plain if isinstance(cell, Text) else str(cell)
