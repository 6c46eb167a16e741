"""Results as one HTML file that opens offline: for people who would rather look than read.

sheet.py     what a page says, as plain values: the templates draw nothing else
check.py     from a check to a page          run.py      from a run to a page
matrix.py    the table of fuses: loads x faults
stories.py   what broke, grouped by the case that shows it
lanes.py     what a run did, as lanes over time, with what was allowed behind what was done
picture.py   lanes as SVG
frames.py    the frames around an instant
recording.py   the bus: load, response times, error counters
failsafe.py  what each load is meant to do
reopened.py  from a result in a file to a page
plain.py     a page out of parts, for results of another kind
every.py     a file for each case of a check
facts.py     what was tried, with which versions and which files
render.py    a page as text

page.html, parts.html, style.css and page.js are the templates, the look, and the zooming.
"""

from linkloss.report.html.pages import (
    check_page,
    keep_cases,
    plain_page,
    reopened_page,
    run_page,
    write_page,
    write_run_page,
)
from linkloss.report.html.render import render
from linkloss.report.html.sheet import Drawing, Fact, Page, Part

__all__ = [
    "Drawing",
    "Fact",
    "Page",
    "Part",
    "check_page",
    "keep_cases",
    "plain_page",
    "render",
    "reopened_page",
    "run_page",
    "write_page",
    "write_run_page",
]
