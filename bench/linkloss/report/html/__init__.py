"""Results as one HTML file that opens offline: for people who would rather look than read.

sheet.py     what a page says, as plain values: the templates draw nothing else
pages.py     from results to pages
sections.py  what a page rests on, the table of fuses, what each load is to do
broken.py    what broke, grouped by the case that shows it
scene.py     one run looked at closely: picture, frames, bus
lanes.py     what a run did, as lanes over time, and their drawing
render.py    a page as text, with jinja2

page.html, parts.html, style.css and page.js are the templates, the look, and the zooming.
Nothing outside the templates knows of HTML; no text from a file is trusted.

A check keeps verdicts and no recordings, so the short scenarios of its findings (or, where none
were looked for, the cases behind them) run again, each in a process of its own, and the page
says so when one does not show the same. Lanes become SVG paths once, in units of 10 us. Zooming
only moves the window of the drawing, so a page is complete without its script. The look is ours:
sections hang on a twisted pair; cells are fuses that hold, are blown, or are missing from their
holders. A state is never told by colour alone.

What else has a recording to show calls ``write_run_page(result, path, parts=[...])``; what has
none, such as an analysis, ``write_page(plain_page(title, verdict, state="kept", parts=[...]),
path)``.
"""

from linkloss.report.html.broken import looks
from linkloss.report.html.pages import (
    case_files,
    check_page,
    index_page,
    plain_page,
    reopened_page,
    run_page,
    write_page,
    write_run_page,
)
from linkloss.report.html.render import drawing, render
from linkloss.report.html.sheet import Drawing, Fact, Page, Part

__all__ = [
    "Drawing",
    "Fact",
    "Page",
    "Part",
    "case_files",
    "check_page",
    "drawing",
    "index_page",
    "looks",
    "plain_page",
    "render",
    "reopened_page",
    "run_page",
    "write_page",
    "write_run_page",
]
