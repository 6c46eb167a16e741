"""Results as one HTML file that opens offline: for people who would rather look than read.

sheet.py     what a page says, as plain values: the templates draw nothing else
pages.py     from results to pages
sections.py  what a page rests on, the table of fuses, what each load is to do
broken.py    what broke, grouped by the case that shows it
scene.py     one run looked at closely: picture, frames, bus
lanes.py     what a run did, as lanes over time, and their drawing
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
