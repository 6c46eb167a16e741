"""A message plan on the screen: worst cases and slack, reasons, other bit rates, other orders."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from rich.console import Console
from rich.table import Table
from rich.text import Text

from linkloss.campaign.timing import TimingReport
from linkloss.model.units import show_duration
from linkloss.report.screen import STYLES, bullet, caution, heading, paragraph, printable
from linkloss.timing.analysis import Analysis, Bound
from linkloss.timing.observed import Observed
from linkloss.timing.plan import errors_words

GAP = 2
LEGEND = (
    "gap: shortest time from one sending to the next; worst: from when it is due until its frame"
    " has left the bus, intermission included; left: from then until its deadline;"
    " fresh: what is left of the shortest stale time among its receivers when nothing is lost;"
    " may lose: messages in a row that this receiver bears losing"
)


def show_timing(console: Console, report: TimingReport, *, verbose: bool = False) -> None:
    """Show a message plan. ``verbose`` adds a table of every message for every bit rate."""
    plan, analysis = report.plan, report.analysis
    paragraph(console, f"{report.vehicle.title}: message plan", style="bold")
    errors = errors_words(plan.errors)
    paragraph(
        console, f"{report.vehicle.path}, {rate(plan.bit_rate)}, {errors} to be borne by the plan"
    )
    _load(console, analysis)
    _bounds(console, analysis, report.observed)
    paragraph(console, LEGEND)
    _reasons(console, analysis)
    _observed(console, report)
    heading(console, "Bit rates (* the vehicle's own; load: typical; bursts: at shortest gaps)")
    console.print(rates_table(report.others, plan.bit_rate))
    if verbose:
        for other in report.others:
            heading(console, f"At {rate(other.bit_rate)}")
            console.print(bounds_table(other, {}))
    _proposal(console, report)
    _outcome(console, report)
    caution(console)


def rate(bit_rate: int) -> str:
    """A bit rate for people."""
    if bit_rate % 1_000_000 == 0:
        return f"{bit_rate // 1_000_000} Mbit/s"
    return f"{bit_rate / 1000:g} kbit/s"


def _load(console: Console, analysis: Analysis) -> None:
    load = analysis.load
    text = f"bus load: {load.typical:.1%} with typical, {load.worst:.1%} with the most stuff bits"
    if load.bursts > load.worst:
        text += f", {load.bursts:.1%} while every message comes at its shortest gap"
    if load.left_out:
        why = "as they are no classical frames or have no known period"
        text += f"; not counted, {why}: {_list(load.left_out)}"
    paragraph(console, text)


def _list(names: Iterable[str]) -> str:
    return ", ".join(names)


def _bounds(console: Console, analysis: Analysis, observed: Mapping[str, Observed]) -> None:
    heading(console, "Messages, highest priority first")
    console.print(bounds_table(analysis, observed))


def _plain_table(*columns: tuple[str, str]) -> Table:
    table = Table(box=None, padding=(0, GAP, 0, 0), pad_edge=False, header_style="")
    for name, side in columns:
        table.add_column(name, justify="right" if side == "right" else "left", no_wrap=True)
    return table


def bounds_table(analysis: Analysis, observed: Mapping[str, Observed]) -> Table:
    """Every message with its bound, and what runs showed of it."""
    columns = [("message", "left"), ("id", "right"), ("gap", "right"), ("worst", "right")]
    columns += [("left", "right"), ("fresh", "right"), ("may lose", "right")]
    if observed:
        columns.append(("longest seen", "right"))
    table = _plain_table(*columns)
    table.columns[0].no_wrap = False
    table.columns[0].overflow = "fold"
    for bound in analysis.bounds:
        cells = _cells(bound)
        if observed:
            seen = observed[bound.message.name].longest_ns
            cells.append(Text("-" if seen is None else show_duration(seen)))
        table.add_row(*cells)
    return table


def _cells(bound: Bound) -> list[Text]:
    message, found = bound.message, bound.patience
    identifier = f"{message.identifier:08X}" if message.extended else f"{message.identifier:03X}"
    gap = "-" if message.shortest_ns is None else show_duration(message.shortest_ns)
    if bound.worst_ns is None:
        none = Text("no bound", style=STYLES["not exercised"])
        rest = [Text("-") for _ in range(3)]
    else:
        none = Text(show_duration(bound.worst_ns))
        rest = [_slack(bound.slack_ns), _slack(None if found is None else found.slack_ns)]
        losses = "-" if found is None else "not one" if found.losses is None else str(found.losses)
        rest.append(Text(losses))
    return [Text(printable(message.name)), Text(identifier), Text(gap), none, *rest]


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
    for bound in report.exceeded:
        seen = report.observed[bound.message.name].longest_ns
        assert seen is not None
        text = f"{bound.message.name} took {show_duration(seen)}, longer than its bound"
        bullet(console, text, style=STYLES["broken"])


def rates_table(others: Iterable[Analysis], own: int) -> Table:
    names = (
        "bit rate",
        "load",
        "bursts",
        "late",
        "no bound",
        "least left",
        "least fresh",
        "may lose",
    )
    table = _plain_table(("", "left"), *((name, "right") for name in names))
    for analysis in others:
        slack = min((b.slack_ns for b in analysis.bounds if b.slack_ns is not None), default=None)
        patient = [b.patience for b in analysis.bounds if b.patience is not None]
        fresh = min((p.slack_ns for p in patient), default=None)
        losses = min((-1 if p.losses is None else p.losses for p in patient), default=None)
        table.add_row(
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
    return table


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


def _outcome(console: Console, report: TimingReport) -> None:
    console.print()
    limit_ns = report.plan.worst_wait_ns
    for bound in report.overlong:
        assert bound.wait_ns is not None
        assert limit_ns is not None
        text = (
            f"{bound.message.name} may take {show_duration(bound.wait_ns)} over the bus; the"
            f" vehicle file says 'worst_wait' {show_duration(limit_ns)}, and the judge believes it"
        )
        bullet(console, text, style=STYLES["broken"])
    for bound in report.analysis.late:
        bullet(console, f"{bound.message.name} {lateness(bound)}", style=STYLES["broken"])
    bounded = len(report.analysis.bounds) - len(report.analysis.unbounded)
    text = f"{bounded} of {len(report.analysis.bounds)} messages have a bound"
    good = report.exit_code != 1
    paragraph(console, text + (", none of them is late." if good and bounded else "."))
    if report.plan.unsent:
        text = "Not reckoned with, because no node of this vehicle sends them: "
        paragraph(console, text + _list(report.plan.unsent))


def lateness(bound: Bound) -> str:
    """In what way a message may be late."""
    if bound.slack_ns is not None and bound.slack_ns < 0:
        return f"may miss its deadline by {show_duration(-bound.slack_ns)}"
    assert bound.patience is not None
    return f"may go stale at {bound.patience.who} although none is lost"
