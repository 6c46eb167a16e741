"""A message plan as a page to look at: the same tables as on the screen, and the picture."""

from __future__ import annotations

from collections.abc import Iterator

from rich.table import Table
from rich.text import Text

from linkloss.campaign.timing import TimingReport
from linkloss.model.units import show_duration
from linkloss.report.html import Drawing, Page, Part, plain_page
from linkloss.report.response_plot import response_plot
from linkloss.report.timing import bounds_table, lateness, rate, rates_table
from linkloss.report.words import count

_ABOUT = "For each message the response times that runs showed, beside the worst case worked out"


def timing_page(report: TimingReport) -> Page:
    """The page of a report on a message plan."""
    bounds = report.analysis.bounds
    bounded = len(bounds) - len(report.analysis.unbounded)
    late = [*report.analysis.late, *report.overlong, *report.exceeded]
    verdict = f"{bounded} of {count(len(bounds), 'message')} have a bound"
    verdict += "." if late or not bounded else ", none of them is late."
    state = "broken" if report.exit_code == 1 else "kept" if bounded == len(bounds) else "untested"
    return plain_page(
        f"{report.vehicle.title}: message plan",
        verdict,
        state=state,
        parts=tuple(_parts(report)),
        facts={"Bit rate": rate(report.plan.bit_rate), "Runs": ", ".join(report.runs) or "none"},
        vehicle=report.vehicle,
    )


def _parts(report: TimingReport) -> Iterator[Part]:
    yield _part("Messages, highest priority first", bounds_table(report.analysis, report.observed))
    told = [f"{bound.message.name} {lateness(bound)}" for bound in report.analysis.late]
    told += [
        f"{bound.message.name} may take {show_duration(bound.wait_ns or 0)} over the bus, longer"
        " than 'worst_wait' says"
        for bound in report.overlong
    ]
    if told:
        yield Part("Late", paragraphs=tuple(told))
    reasons = [(bound.message.name, bound.why) for bound in report.analysis.unbounded]
    if reasons:
        yield Part("No bound", columns=("message", "because"), rows=tuple(reasons))
    yield _part("Other bit rates", rates_table(report.others, report.plan.bit_rate))
    if report.observed:
        yield Part("Response times", drawing=Drawing(response_plot(report), _ABOUT))


def _part(title: str, table: Table) -> Part:
    """A table of the screen as one of the page."""
    columns = [[_plain(cell) for cell in column.cells] for column in table.columns]
    heads = tuple(_plain(column.header) for column in table.columns)
    return Part(title, columns=heads, rows=tuple(zip(*columns, strict=True)))


def _plain(cell: object) -> str:
    return cell.plain if isinstance(cell, Text) else str(cell)
